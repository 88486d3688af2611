//! Every kind of bricked board on boards with every chip of the catalog: the generic one, of which nothing is known but the chip, and the one
//! that `boards new` drafts, with our loader where that is built for the chip; and where it has a boot section, one with a loader of
//! somebody's own. Either the kind makes a board, or the reason why not is
//! true; and `revive` must make of each what `trial` says.
//!
//! An ordinary run takes a share of them, drawn by a seed; `FARRIER_BRICKED=1 cargo test --test main job::revive::every_chip -- --nocapture`
//! takes every one, and `FARRIER_BRICKED_FROM` is the seed.

use super::trial::Trial;
use crate::job::drafted::{drafted, with_own_loader};
use farrier::board::{Board, Catalog, Chip, ClockSource, Role, generic_board, known_chips};
use farrier::sim::{BRICKED, Bricked};
use farrier::units::{Hertz, Millivolts};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// An ordinary run takes one of so many.
const ORDINARY: usize = 16;

fn number(variable: &str, default: usize) -> usize {
    std::env::var(variable).map_or(default, |text| text.parse().expect("a number"))
}

fn boards() -> Vec<(Board, Chip)> {
    let parts: Vec<&str> = known_chips().map(|(_, part)| part).collect();
    let of = |part| {
        let generic = Catalog::built_in().board(&generic_board(part)).expect("a generic board");
        [generic, drafted(part)].into_iter().chain(with_own_loader(part))
    };
    parts.into_iter().flat_map(of).collect()
}

/// Why a board cannot be bricked so, by what the datasheet's tables in the chip file say; nothing where it can. Worked out here anew.
fn why_not(kind: &str, board: &Board, chip: &Chip) -> Option<String> {
    let lacks = |symbol: &str| {
        let has = chip.fields.iter().any(|field| field.symbol == symbol);
        (!has).then(|| format!("{} has no {symbol}", chip.part))
    };
    let used = board.expected_configuration(chip, &chip.factory_configuration());
    let as_used = |symbol: &str, bits: u8| chip.fields.iter().any(|field| field.symbol == symbol && field.bits_in(&used) == Some(bits));
    let values = |role| chip.field_for(role).map_or(&[][..], |field| &field.values);
    let unreserved = || board.reservation.is_none().then(|| "it reserves no flash for a loader".to_owned());
    match kind {
        "erased-application" | "half-written-loader" | "erased-loader" | "overwritten-loader" | "bypassed-loader" => unreserved(),
        "small-boot-section" => unreserved().or_else(|| {
            let (reserved, sections) = (board.reservation.as_ref()?.span.len(), &chip.boot_sections);
            let smaller = sections.iter().any(|section| section.span.len() < reserved);
            (!smaller).then(|| format!("{} has no boot section smaller than {reserved} bytes", chip.part))
        }),
        "endless-watchdog" => {
            lacks("WDTON").or_else(|| as_used("WDTON", 0).then(|| "its watchdog is always on on a used board".to_owned()))
        }
        "reset-disabled" => lacks("RSTDISBL"),
        "serial-programming-off" => lacks("SPIEN"),
        "debug-wire" => lacks("DWEN"),
        "reversed-cable" => (!board.header.kind.contains('x') || board.generic).then(|| "no two rows".to_owned()),
        "missing-clock" => {
            let crystal = if let ClockSource::Crystal { to_hz, .. } = board.clock.source { Some(to_hz) } else { None };
            let signal = board.clock.source == ClockSource::External;
            let missing = values(Role::Clock).iter().any(|value| match value.clock {
                Some(ClockSource::External) => !signal,
                Some(ClockSource::Crystal { from_hz, to_hz }) => !signal && !crystal.is_some_and(|own| (from_hz..=to_hz).contains(&own)),
                _ => false,
            });
            (!missing).then(|| "no clock source that this board lacks".to_owned())
        }
        "slow-clock" => {
            let own = values(Role::Clock)
                .iter()
                .filter_map(|value| if let Some(ClockSource::Internal { hz }) = value.clock { Some(hz) } else { None });
            let divisor = if chip.field_for(Role::ClockDivider).is_some() { 8 } else { 1 };
            match own.min() {
                None => Some("chooses an oscillator of its own".to_owned()),
                Some(slowest) if slowest.0 / divisor > 128_000 => Some(format!("is {}, which", Hertz(slowest.0 / divisor))),
                Some(slowest) if chip.system_clock(board, &used) == Some(Hertz(slowest.0 / divisor)) => {
                    Some("its clock is as slow".to_owned())
                }
                Some(_) => None,
            }
        }
        "brown-out-above-supply" | "brown-out-deaf" => {
            let highest = chip.fields.iter().flat_map(|field| &field.values).filter_map(|value| value.resets_below).max();
            match highest {
                None => Some("no brown-out level".to_owned()),
                Some(level) if level <= board.levels => Some(format!("is {level}, and the board runs at {}", board.levels)),
                Some(Millivolts(_)) => None,
            }
        }
        _ => None,
    }
}

/// Whether a board came of it.
fn tried(board: &Board, chip: &Chip, kind: &'static Bricked) -> Result<bool, String> {
    let why_not = why_not(kind.name, board, chip);
    let made = || Trial::of(board, chip, kind);
    match (made(), why_not) {
        (Err(why), Some(reason)) if why.to_string().contains(&reason) => Ok(false),
        (Err(why), reason) => Err(format!("{why}\nbut {reason:?}")),
        (Ok(_), Some(reason)) => Err(format!("{} is bricked as {}, although {reason}", board.name, kind.name)),
        (Ok(mut trial), None) => {
            let again = || made().map_err(|why| why.to_string());
            trial.is_named()?;
            again()?.is_mended_or_told_what_would()?;
            again()?.comes_back_from_its_snapshot()?;
            Ok(true)
        }
    }
}

#[test]
fn every_kind_on_every_chip() {
    let (share, seed) = (number("FARRIER_BRICKED", ORDINARY), number("FARRIER_BRICKED_FROM", 1));
    let boards = boards();
    let mut all: Vec<(&Board, &Chip, &'static Bricked)> =
        boards.iter().flat_map(|(board, chip)| BRICKED.iter().map(move |kind| (board, chip, kind))).collect();
    let of = all.len();
    fastrand::Rng::with_seed(seed as u64).shuffle(&mut all);
    all.truncate(of / share);
    let (next, made, failures) = (AtomicUsize::new(0), AtomicUsize::new(0), Mutex::new(Vec::new()));
    let work = || {
        while let Some((board, chip, kind)) = all.get(next.fetch_add(1, Ordering::Relaxed)) {
            match tried(board, chip, kind) {
                Ok(one) => _ = made.fetch_add(one.into(), Ordering::Relaxed),
                Err(why) => failures.lock().expect("a list").push(why),
            }
        }
    };
    std::thread::scope(|scope| (0..2).for_each(|_| drop(scope.spawn(work))));
    let (made, failures) = (made.into_inner(), failures.into_inner().expect("a list"));
    let (tried, not) = (all.len(), all.len() - made);
    println!("seed {seed}: {tried} of {of} kinds on boards tried; {made} made a bricked board and were revived, {not} are told why not");
    assert!(failures.is_empty(), "{} failed, seed {seed}, the first:\n{}", failures.len(), failures[..failures.len().min(20)].join("\n\n"));
}
