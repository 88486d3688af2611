//! `farrier restore`: back to what a snapshot holds.

use super::board_view;
use super::change::{self, Change};
use super::context::Context;
use super::stop::Stop;
use crate::plan::{Intent, Part, Restore as Back};
use crate::record::Snapshot;
use clap::{Args, ValueEnum};
use std::process::ExitCode;

/// Put a board back to what a snapshot holds: flash, EEPROM, configuration and lock.
///
/// What the board holds now is recorded first. A snapshot of another board of the same kind needs a consent; the chip's calibration
/// byte and the serial number that the board file declares stay with the board in hand. What the snapshot does not hold stays as it is.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier restore 2026-11-25-090001-vent --via sim:vent\n\
                        Example: farrier restore 2026-11-25-090001-vent --only eeprom --via sim:vent")]
pub struct Restore {
    /// Its name, or the path of its folder.
    pub snapshot: String,
    /// Only this part of it; may be given several times.
    #[arg(long, value_name = "PART", value_delimiter = ',')]
    pub only: Vec<Only>,
}

#[derive(ValueEnum, Clone, Copy, Debug, PartialEq, Eq)]
pub enum Only {
    Flash,
    Eeprom,
    /// The configuration bytes and the lock byte.
    Configuration,
}

impl Restore {
    pub fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        let kept = context.snapshots().load(&self.snapshot)?;
        let parts = parts(&self.only);
        holds_something(&kept, &parts)?;
        let context = Context { board_of_snapshot: Some(kept.head.info.board.clone()), ..context.clone() };
        run(&context, &kept, &parts)
    }
}

/// Carries it out, as every change.
///
/// # Errors
/// As [`change::run`].
pub fn run(context: &Context, kept: &Snapshot, parts: &[Part]) -> Result<ExitCode, Stop> {
    let name = kept.name();
    let done = match kept.head.is_complete() {
        true => format!("The board is back at the snapshot {name}."),
        false => format!("The board is back at the snapshot {name}, as far as that goes: it is not complete."),
    };
    change::run(
        context,
        &Change {
            intent: &|_, _| Ok(Intent { restore: Some(back(context, kept, parts)), ..Intent::default() }),
            done: &done,
            already: "The board holds what the snapshot holds already. Nothing was changed.",
            next: &|_, via| vec![board_view::look(via)],
        },
    )
}

/// What the planner needs of a snapshot that a board should come back to.
pub fn back(context: &Context, kept: &Snapshot, parts: &[Part]) -> Back {
    Back {
        name: kept.name(),
        chip: kept.head.info.chip.clone(),
        held: kept.observed.clone(),
        parts: parts.to_vec(),
        tag: kept.head.info.tag.clone(),
        board_tag: context.global.tag.clone(),
        doubt: None,
    }
}

fn parts(only: &[Only]) -> Vec<Part> {
    let named = only.iter().map(|only| match only {
        Only::Flash => Part::Flash,
        Only::Eeprom => Part::Eeprom,
        Only::Configuration => Part::Configuration,
    });
    if only.is_empty() { Part::ALL.to_vec() } else { named.collect() }
}

/// A snapshot that holds nothing of what is wanted would change nothing and look like success.
fn holds_something(kept: &Snapshot, parts: &[Part]) -> Result<(), Stop> {
    let held = &kept.observed;
    let there = parts.iter().any(|part| match part {
        Part::Flash => !held.flash.bytes.is_empty(),
        Part::Eeprom => !held.eeprom.bytes.is_empty(),
        Part::Configuration => held.configuration.is_some() || held.lock.is_some(),
    });
    let name = kept.name();
    let stop = || {
        let missing = kept.head.missing.iter().map(|missing| format!("{}: {}", missing.what, missing.reason));
        let stop = Stop::usage(format!("the snapshot {name} holds nothing of what should be restored"));
        missing.fold(stop, Stop::hint).command(format!("farrier snapshot show {name}"))
    };
    if there { Ok(()) } else { Err(stop()) }
}
