//! Changes of the silicon, kept as they happen.

use super::files::Files;
use super::state::{Made, State, to_hex};
use super::{StoreError, io_error};
use crate::sim::board::SimBoard;
use crate::sim::contents::Touched;
use crate::sim::violations::Violation;
use serde::{Deserialize, Serialize};
use std::fs::{self, File};
use std::io::{self, Write};
use std::path::Path;

/// A line of the file: what some cells hold now, or a violation.
#[derive(Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum Change {
    Flash { at: usize, hex: String },
    Eeprom { at: usize, hex: String },
    Violation(Violation),
}

/// Writes changes to a sim's folder.
pub(in crate::sim) struct Keeper {
    files: Files,
    made: Made,
    file: Option<File>,
    /// Violations kept so far.
    violations: usize,
}

impl Keeper {
    pub(super) fn of(files: &Files, made: Made, violations: usize) -> Keeper {
        Keeper { files: files.clone(), made, file: None, violations }
    }

    /// Keeps what the board's chip has touched since the last time. An error of the disk is passed over here: the whole state is
    /// written when the sim is closed, and tells it if it is still there.
    pub(in crate::sim) fn keep(&mut self, board: &mut SimBoard) {
        let known = self.violations.min(board.chip.violations.list.len());
        if board.chip.touched.is_empty() && known == board.chip.violations.list.len() {
            return;
        }
        let touched = std::mem::take(&mut board.chip.touched);
        if touched.contains(&Touched::Rest) {
            self.file = None;
            let _ = State::of(board, &self.made).write(&self.files);
        } else {
            let contents = &board.chip.contents;
            let cells = touched.into_iter().filter_map(|touched| match touched {
                Touched::Flash(span) => Some(Change::Flash { at: span.start, hex: to_hex(&contents.flash[span]) }),
                Touched::Eeprom(span) => Some(Change::Eeprom { at: span.start, hex: to_hex(&contents.eeprom[span]) }),
                Touched::Rest => None,
            });
            let violations = board.chip.violations.list[known..].iter().cloned().map(Change::Violation);
            let _ = self.append(cells.chain(violations));
        }
        self.violations = board.chip.violations.list.len();
    }

    fn append(&mut self, changes: impl Iterator<Item = Change>) -> io::Result<()> {
        let mut lines = Vec::new();
        for change in changes {
            serde_json::to_writer(&mut lines, &change)?;
            lines.push(b'\n');
        }
        let file = match &mut self.file {
            Some(file) => file,
            None => self.file.insert(File::options().create(true).append(true).open(&self.files.changes)?),
        };
        file.write_all(&lines)
    }
}

/// The changes that were kept, in order. A last line that was cut off did not happen.
pub(super) fn changes(path: &Path) -> Result<Vec<Change>, StoreError> {
    let text = match fs::read_to_string(path) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(io_error("read", path)(error)),
    };
    let whole = text.rfind('\n').map_or("", |end| &text[..end]);
    let parse = |line| serde_json::from_str(line).map_err(|error| StoreError::Damaged { path: path.to_owned(), why: error.to_string() });
    whole.lines().map(parse).collect()
}

/// Forgets the changes: they are in the state now.
pub(super) fn forget(path: &Path) -> Result<(), StoreError> {
    match fs::remove_file(path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(io_error("remove", path)(error)),
        _ => Ok(()),
    }
}
