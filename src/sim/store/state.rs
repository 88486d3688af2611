//! The state of a simulated board as a file.

use super::files::Files;
use super::keeper::{self, Change};
use super::{StoreError, io_error};
use crate::board::{Board, BoardTexts, Chip};
use crate::file;
use crate::sim::board::{Brick, SimBoard};
use crate::sim::contents::Contents;
use crate::sim::fault::Fault;
use crate::sim::violations::Violations;
use fastrand::Rng;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

/// The version of the file's layout.
const VERSION: u32 = 1;

/// Bytes a row of a memory; rows that are all blank are left out.
const ROW: usize = 64;

/// What a sim was made of.
#[derive(Clone)]
pub(super) struct Made {
    /// The board's name, or where its file is.
    pub(super) board: String,
    pub(super) seed: u64,
    /// Of one that is a file, which is handed to other computers: what describes its board.
    pub(super) texts: Option<BoardTexts>,
}

/// The whole state.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct State {
    version: u32,
    /// Name or path of the board in the catalog.
    pub(super) board: String,
    pub(super) chip: String,
    pub(super) seed: u64,
    /// What describes its board, where it carries that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    texts: Option<BoardTexts>,
    /// Where the random choices have got to.
    random: u64,
    pub(super) operations: u64,
    /// Empty in the file where they are sealed.
    pub(super) faults: Vec<Fault>,
    /// Not in the file where it is sealed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) brick: Option<Brick>,
    /// In the file of a board of which it is not to be told how it was bricked: [`Sealed`]. Files of before have that in the open.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    sealed: Option<String>,
    pub(super) violations: Violations,
    fuses: Vec<u8>,
    lock: u8,
    calibration: u8,
    /// Rows in hexadecimal by their decimal address.
    flash: BTreeMap<usize, String>,
    eeprom: BTreeMap<usize, String>,
}

/// What tells how a board was bricked. In the file it is JSON in hexadecimal: that keeps it from a glance, but not from somebody who
/// means to look.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Sealed {
    brick: Option<Brick>,
    faults: Vec<Fault>,
}

impl State {
    pub(super) fn of(board: &SimBoard, made: &Made) -> State {
        let contents = &board.chip.contents;
        State {
            version: VERSION,
            board: made.board.clone(),
            chip: board.chip.part.part.clone(),
            seed: made.seed,
            texts: made.texts.clone(),
            random: board.chip.rng.get_seed(),
            operations: board.operations,
            faults: board.faults.clone(),
            brick: board.brick.clone(),
            sealed: None,
            violations: board.chip.violations.clone(),
            fuses: contents.fuses.clone(),
            lock: contents.lock,
            calibration: contents.calibration,
            flash: rows(&contents.flash),
            eeprom: rows(&contents.eeprom),
        }
    }

    pub(super) fn made(&self) -> Made {
        Made { board: self.board.clone(), seed: self.seed, texts: self.texts.clone() }
    }

    /// Reads the state, without the changes since.
    pub(super) fn read(path: &Path) -> Result<State, StoreError> {
        let text = fs::read(path).map_err(io_error("read", path))?;
        let damaged = |why: String| StoreError::Damaged { path: path.to_owned(), why };
        let state: State = serde_json::from_slice(&text).map_err(|error| damaged(error.to_string()))?;
        match state.version {
            VERSION => state.opened().ok_or_else(|| damaged("what is sealed in it makes no sense".into())),
            found => Err(damaged(format!("it has layout {found}, this program knows layout {VERSION}"))),
        }
    }

    /// With what is sealed in the open; `None` where that makes no sense.
    fn opened(mut self) -> Option<State> {
        let Some(hex) = self.sealed.take() else { return Some(self) };
        let mut json = vec![0; hex.len() / 2];
        put(&mut json, 0, &hex)?;
        let Sealed { brick, faults } = serde_json::from_slice(&json).ok()?;
        Some(State { brick, faults, ..self })
    }

    /// As it stands in the file.
    fn into_json(mut self) -> serde_json::Result<Vec<u8>> {
        if self.brick.as_ref().is_some_and(|brick| brick.surprise) {
            let sealed = Sealed { brick: self.brick.take(), faults: std::mem::take(&mut self.faults) };
            self.sealed = Some(to_hex(&serde_json::to_vec(&sealed)?));
        }
        serde_json::to_vec(&self)
    }

    /// Writes the state: the new one is complete on disk before it takes the place of the old one. The changes that it has
    /// in it are forgotten then; if that fails, they are made twice, which changes no cell and counts a violation twice.
    pub(super) fn write(self, files: &Files) -> Result<(), StoreError> {
        let path = &files.state;
        let text = self.into_json().map_err(|error| io_error("write", path)(error.into()))?;
        file::replace(path, &text).map_err(io_error("write", path))?;
        keeper::forget(&files.changes)
    }

    /// The board in this state, with the changes since made to it.
    pub(super) fn into_board(self, board: &Board, chip: &Chip, files: &Files) -> Result<SimBoard, StoreError> {
        let damaged = |why: &str| StoreError::Damaged { path: files.state.clone(), why: why.into() };
        let mut contents = Contents::factory(chip, self.calibration);
        if self.chip != chip.part || self.fuses.len() != contents.fuses.len() {
            return Err(damaged("it is of another chip than the board file names"));
        }
        contents.fuses = self.fuses;
        contents.lock = self.lock;
        for (memory, rows) in [(&mut contents.flash, self.flash), (&mut contents.eeprom, self.eeprom)] {
            for (at, row) in rows {
                put(memory, at, &row).ok_or_else(|| damaged(&format!("the row at {at} is not hexadecimal, or outside the memory")))?;
            }
        }
        let mut violations = self.violations;
        for change in keeper::changes(&files.changes)? {
            match change {
                Change::Flash { at, hex } => put(&mut contents.flash, at, &hex),
                Change::Eeprom { at, hex } => put(&mut contents.eeprom, at, &hex),
                Change::Violation(one) => {
                    violations.add(one.at, one.text);
                    Some(())
                }
            }
            .ok_or_else(|| damaged("a change since is outside the memory"))?;
        }
        let mut sim = SimBoard::with(board, chip, contents, Rng::with_seed(self.random));
        sim.chip.violations = violations;
        sim.operations = self.operations;
        sim.faults = self.faults;
        sim.brick = self.brick;
        sim.apply(crate::time::Moment::default());
        Ok(sim)
    }
}

fn rows(memory: &[u8]) -> BTreeMap<usize, String> {
    let rows = memory.chunks(ROW).enumerate().filter(|(_, row)| row.iter().any(|byte| *byte != 0xFF));
    rows.map(|(index, row)| (index * ROW, to_hex(row))).collect()
}

pub(super) fn to_hex(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 16] = b"0123456789ABCDEF";
    bytes.iter().flat_map(|byte| [byte >> 4, byte & 15]).map(|digit| char::from(DIGITS[usize::from(digit)])).collect()
}

/// Puts hexadecimal digits into a memory; `None` where they are none or do not fit.
fn put(memory: &mut [u8], at: usize, hex: &str) -> Option<()> {
    let cells = memory.get_mut(at..at.checked_add(hex.len().div_ceil(2))?)?;
    for (cell, digits) in cells.iter_mut().zip(hex.as_bytes().chunks(2)) {
        *cell = u8::from_str_radix(std::str::from_utf8(digits).ok().filter(|digits| digits.len() == 2)?, 16).ok()?;
    }
    Some(())
}
