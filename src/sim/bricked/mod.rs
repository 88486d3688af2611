//! The catalog of bricked boards: what was done to a board that was in use, each one command away.
//!
//! A kind changes what the silicon of a [`Used`] board holds, or adds [`Fault`]s, or is refused with the reason where this board
//! or its chip cannot have it. Several can be put on one board. The table is in `kinds.rs`.

mod kinds;
mod used;

pub use kinds::BRICKED;
pub use used::Used;

use super::contents::Contents;
use super::fault::Fault;
use crate::board::{Board, Chip, demo_application};
use fastrand::Rng;

/// Typed in place of a kind: one of them, drawn by the seed and not told.
pub const SURPRISE: &str = "surprise";

/// A way to brick a board.
#[derive(Debug)]
pub struct Bricked {
    /// kebab-case.
    pub name: &'static str,
    /// What is wrong, in one sentence.
    pub sentence: &'static str,
    pub mended_by: MendedBy,
    brick: fn(&mut Patient) -> Result<(), String>,
}

/// What can mend a bricked board.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MendedBy {
    /// The programming header, by writing memories and configuration: with the bridge's clock output where the clock is gone, and with an
    /// image or a snapshot of what is gone from the board.
    ProgrammingHeader,
    /// A hand: at a wire, a plug, another part on the board, or the supply.
    Hand,
    /// A programmer that puts 12 V on RESET or programs the chip in parallel, or else a new chip.
    HighVoltage,
    /// A new chip, and nothing else.
    NewChip,
}

/// Why a board cannot be bricked so.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BrickError {
    #[error("there is no bricked board of the kind '{0}'")]
    Unknown(String),
    #[error("the board {board} cannot be bricked as {kind}:\n{why}")]
    NotHere { board: String, kind: &'static str, why: String },
}

/// A board on the way to being bricked.
pub(super) struct Patient<'a> {
    pub(super) board: &'a Board,
    pub(super) chip: &'a Chip,
    /// Before.
    pub(super) used: Used,
    /// What the silicon holds.
    pub(super) contents: Contents,
    pub(super) faults: Vec<Fault>,
    pub(super) rng: Rng,
}

impl<'a> Patient<'a> {
    pub(super) fn of(board: &'a Board, chip: &'a Chip, seed: u64) -> Patient<'a> {
        let used = Used::of(board, chip, seed);
        // Not the numbers that made the settings.
        Patient { board, chip, contents: used.contents.clone(), used, faults: Vec::new(), rng: Rng::with_seed(!seed) }
    }

    pub(super) fn brick(&mut self, kind: &'static Bricked) -> Result<(), BrickError> {
        (kind.brick)(self).map_err(|why| BrickError::NotHere { board: self.board.name.clone(), kind: kind.name, why })
    }
}

impl Bricked {
    /// The kind of this name.
    ///
    /// # Errors
    /// [`BrickError::Unknown`].
    pub fn named(name: &str) -> Result<&'static Bricked, BrickError> {
        BRICKED.iter().find(|kind| kind.name == name).ok_or_else(|| BrickError::Unknown(name.into()))
    }

    /// The kinds that this board can have.
    pub fn of(board: &Board, chip: &Chip) -> impl Iterator<Item = &'static Bricked> {
        BRICKED.iter().filter(move |kind| kind.suits(board, chip).is_ok())
    }

    /// Whether this board can have it.
    ///
    /// # Errors
    /// [`BrickError::NotHere`] with the reason why not.
    pub fn suits(&'static self, board: &Board, chip: &Chip) -> Result<(), BrickError> {
        Patient::of(board, chip, 0).brick(self)
    }

    /// One of those that this board can have and that show, drawn by the seed; `None` where there are none.
    pub fn drawn(board: &Board, chip: &Chip, seed: u64) -> Option<&'static Bricked> {
        Rng::with_seed(seed).choice(Bricked::of(board, chip).filter(|kind| kind.shows(board)).collect::<Vec<_>>())
    }

    /// Whether somebody to whom nothing is told can find it out: an application in part looks whole to whoever does not know it, and
    /// a blank EEPROM is right where no settings are said to be in it.
    fn shows(&self, board: &Board) -> bool {
        match self.name {
            "half-written-application" | "weak-cells" => demo_application(&board.name).is_some(),
            "wiped-settings" => board.settings.is_some(),
            _ => true,
        }
    }
}
