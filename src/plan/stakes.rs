//! The findings that follow from a plan: who is at the other end, and what the steps take.

use super::checks::{called, settings_store, shutting};
use super::difference::erase_takes_eeprom;
use super::reconcile::{Target, unchanged};
use super::step::{Step, StepKind};
use super::{Desired, Observed, Origin};
use crate::board::{Board, Chip, Fact, IdBytes, LevelFit, generic_board};
use crate::finding::{Finding, Kind};
use crate::image::{Memory, Span};
use crate::units::{Bytes, Hex, Millivolts};

/// Every finding of a plan, refusals first.
pub(super) fn of_plan(observed: &Observed, desired: &Desired, target: &Target, steps: &[Step]) -> Vec<Finding> {
    let access = observed.access.as_ref();
    let mut all = Vec::new();
    all.extend(observed.id.and_then(|id| wrong_chip(id, target.chip)));
    all.extend(access.and_then(|access| access.supply).and_then(|supply| supply_out_of_range(supply, target.board, target.chip)));
    all.extend(access.and_then(|access| levels_differ(access.pin_level?, access.supply, target.board)));
    all.extend(loses_access(desired, target));
    if steps.iter().any(|step| step.kind == StepKind::Erase) {
        all.extend(lost_to_erase(observed, desired, target));
    }
    all.extend(readout_locked(target.chip, steps));
    all.extend(images_unchanged(observed, desired, steps));
    all
}

/// The chip is not the one that the board file names, or cannot be heard well enough to tell.
pub fn wrong_chip(id: [u8; 3], chip: &Chip) -> Option<Finding> {
    if id == chip.id {
        return None;
    }
    let (whose, next) = match IdBytes::of(id, chip) {
        IdBytes::Of(parts) => {
            let boards: Vec<String> = parts.iter().map(|part| format!("--board {}", generic_board(part))).collect();
            let next =
                format!("If the chip is right, name its board: {}, or one of those that `farrier boards` lists.", boards.join(" or "));
            (format!("which is an {}", parts.join(" or an ")), next)
        }
        IdBytes::OfRefused(refused) => {
            (format!("which is an {}", refused.part), format!("Farrier does not program that part, because {}.", refused.reason))
        }
        IdBytes::Spoiled(why) => {
            let next = "Check MISO, SCK, RESET and ground between bridge and programming header, with shorter wires; then run this again.";
            (why, next.to_owned())
        }
        IdBytes::Unknown => {
            let next = format!(
                "Read what is printed on the chip. If it is {}, the connection spoils the answer: shorter wires, a ground beside SCK. If \
                 it is another, `farrier boards chips` says whether that one is known.",
                chip.part
            );
            ("an ID that no chip has which is built in".to_owned(), next)
        }
    };
    let sentence = format!("The chip answers {}, {whose}; the board file says {} ({}). {next}", Hex(&id), chip.part, Hex(&chip.id));
    Some(Finding::new(Kind::WrongChip, sentence))
}

/// The measured supply is not one that the board bears; a generic board bears what its chip does.
pub fn supply_out_of_range(supply: Millivolts, board: &Board, chip: &Chip) -> Option<Finding> {
    let (least, most) = board.supply;
    let advice = if supply < least { "Check the supply and its cable." } else { "Disconnect it at once." };
    let mark = if board.generic { chip.mark(Fact::Supply) } else { "" };
    let sentence = format!("The supply is {supply}; board {} needs {least} to {most}{mark}. {advice}", board.name);
    (supply < least || most < supply).then(|| Finding::new(Kind::SupplyOutOfRange, sentence))
}

/// The bridge's pins and the board's are more than a tenth apart, the board does not bear the bridge's, and nothing in between shifts
/// them. A measured supply counts for more than the board's description.
pub fn levels_differ(pins: Millivolts, supply: Option<Millivolts>, board: &Board) -> Option<Finding> {
    let board = board.at_supply(supply);
    let fit = board.level_fit(pins);
    let sentence = match (board.possible_levels().as_slice(), supply) {
        ([.., _, _], _) => format!(
            "The bridge drives its pins at {pins} and cannot measure the supply of board {}, which may be {}: pins above it would harm \
             the board. See with a meter what VCC is at the programming header, and give that with --supply, as --supply 3.3.",
            board.name,
            joined(&board.possible_levels())
        ),
        (_, measured) => format!(
            "The bridge drives its pins at {pins}; board {} has {} at its programming header{}. Use a bridge of that level, or fit the \
             parts that `farrier connections` draws and say so with --levels-shifted.",
            board.name,
            board.levels,
            if measured == Some(board.levels) { ", as its supply measures" } else { "" }
        ),
    };
    (!board.levels_shifted && !fit.fits()).then(|| Finding::new(Kind::LevelsDiffer, sentence))
}

fn joined(levels: &[Millivolts]) -> String {
    levels.iter().map(Millivolts::to_string).collect::<Vec<_>>().join(" or ")
}

/// The same, where the bridge's level is the higher one: driving a line then harms the board, even to look at it.
pub fn overdriven(pins: Millivolts, supply: Option<Millivolts>, board: &Board) -> Option<Finding> {
    let too_high = board.at_supply(supply).level_fit(pins) == LevelFit::TooHigh;
    levels_differ(pins, supply, board).filter(|_| too_high)
}

fn loses_access(desired: &Desired, target: &Target) -> Option<Finding> {
    let shutting = shutting(target.chip, &desired.configuration, target.way_in.way);
    let (symbol, value) = shutting.first()?;
    let sentence = format!(
        "{symbol} = '{}' ({}) would shut the programming header. Leave that field as it is; only a high-voltage programmer could undo it.",
        value.name, value.words
    );
    Some(Finding::new(Kind::LosesProgrammingAccess, sentence))
}

/// What an erase takes and nothing puts back.
fn lost_to_erase(observed: &Observed, desired: &Desired, target: &Target) -> Vec<Finding> {
    let chip = target.chip;
    let mut taken = vec![(Memory::Flash, Span::first(chip.flash.bytes))];
    if erase_takes_eeprom(observed, target) {
        taken.push((Memory::Eeprom, Span::first(chip.eeprom.bytes)));
    }
    let mut all = Vec::new();
    let mut unread = Vec::new();
    let mut lost = Vec::new();
    for (memory, whole) in &taken {
        let Some(contents) = observed.memory(*memory) else { continue };
        let missing: u32 = contents.bytes.gaps(*whole).iter().map(|span| span.len()).sum();
        if missing > 0 && contents.unreadable.is_some() {
            unread.push(format!("{} of {}", Bytes(missing as u64), called(*memory)));
        }
        let gone = unkept(observed, desired, *memory, *whole, chip);
        if gone > 0 {
            lost.push(format!("{} of {}", Bytes(gone as u64), called(*memory)));
        }
        let store = settings_store(chip, target.board);
        let settings = unkept(observed, desired, Memory::Eeprom, store, chip);
        if *memory == Memory::Eeprom && settings > 0 {
            let what = format!("The erase takes {} of the settings store ({store}), and nothing puts them back", Bytes(settings as u64));
            let advice = "Give its contents with an image, or leave the chip as it is.";
            all.push(Finding::new(Kind::SettingsLost, format!("{what}, because they cannot be read. {advice}")));
        }
    }
    let why = |memory: &Memory| observed.memory(*memory).and_then(|contents| contents.unreadable.as_deref());
    let why = taken.iter().find_map(|(memory, _)| why(memory)).unwrap_or("it was not read");
    if !lost.is_empty() {
        let what = format!("{} should stay, but cannot be read ({why}), and the erase destroys that for good.", lost.join(" and "));
        let advice = "Write images for them, or leave the chip as it is.";
        all.push(Finding::new(Kind::KeptContentsUnreadable, format!("{what} {advice}")));
    }
    if !unread.is_empty() {
        let what = format!("No snapshot can be taken of {} ({why}), and the job erases the chip.", unread.join(" and "));
        all.push(Finding::new(Kind::NoSnapshotPossible, format!("{what} There will be no way back.")));
    }
    all
}

/// How many bytes of `span` the desired state does not speak of, although something is or may be there.
fn unkept(observed: &Observed, desired: &Desired, memory: Memory, span: Span, chip: &Chip) -> usize {
    let (Some(wanted), Some(held)) = (desired.memory(memory), observed.memory(memory)) else { return 0 };
    let blank = if memory == Memory::Eeprom { chip.eeprom.blank } else { chip.flash.blank };
    let gaps = wanted.gaps(span);
    gaps.iter().map(|gap| held.bytes.filled(*gap, !blank).iter().filter(|byte| **byte != blank).count()).sum()
}

fn readout_locked(chip: &Chip, steps: &[Step]) -> Option<Finding> {
    let lock = steps.iter().find_map(|step| match step.kind {
        StepKind::WriteLock { value } if chip.forbids(value).reading => Some(value),
        _ => None,
    })?;
    let sentence = format!(
        "The lock byte becomes 0x{lock:02X}, which forbids reading. Nobody can take a snapshot or verify afterwards, and only an erase of \
         everything lifts it."
    );
    Some(Finding::new(Kind::ReadoutLocked, sentence))
}

/// Images that are on the board already, all of them, and that no erase takes.
fn images_unchanged(observed: &Observed, desired: &Desired, steps: &[Step]) -> Vec<Finding> {
    if steps.iter().any(|step| step.kind == StepKind::Erase) {
        return Vec::new();
    }
    let mut images: Vec<(&str, Memory, usize, bool)> = Vec::new();
    for (memory, span, origin) in &desired.origins {
        let Origin::Image(name) = origin else { continue };
        if *memory == Memory::Configuration {
            continue;
        }
        let same = unchanged(observed, desired, *memory, *span);
        match images.iter_mut().find(|(of, place, ..)| *of == name.as_str() && place == memory) {
            Some((_, _, length, all)) => (*length, *all) = (*length + span.len() as usize, *all && same),
            None => images.push((name, *memory, span.len() as usize, same)),
        }
    }
    let same = images.into_iter().filter(|(.., same)| *same);
    same.map(|(name, memory, length, _)| {
        let sentence = format!("The {} holds all {} of {name} already; nothing is written there.", called(memory), Bytes(length as u64));
        Finding::new(Kind::ImageUnchanged, sentence)
    })
    .collect()
}
