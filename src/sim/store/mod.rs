//! Simulated boards on disk: a folder each, so that commands run one after another see the same board.
//!
//! ```text
//! NAME/state.json       the whole state; written under a temporary name, synced, renamed
//! NAME/changes.jsonl    cells changed since, a line each, appended as it happens: silicon keeps what it holds when the process dies
//! NAME/lock             locked by the process that uses the board
//! ```
//!
//! A board that is handed over is one file, named by its path: the state, and while it is in use the other two beside it. It carries the
//! text of its board file and is what that says, whatever board files there are on the computer where it is opened.

mod files;
mod keeper;
mod open;
mod state;

pub use files::is_path;
pub(super) use keeper::Keeper;
pub use open::OpenSim;

use super::board::{Brick, SimBoard};
use super::bricked::{BrickError, Bricked, SURPRISE};
use super::fault::Fault;
use super::handle::Sim;
use crate::board::{Board, BoardTexts, Catalog, CatalogError, Chip};
use crate::file;
use crate::link::Wire;
use crate::lock::{Lock, LockError};
use files::Files;
use serde::Serialize;
use state::{Made, State};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// The simulated boards under one folder.
pub struct Store {
    root: PathBuf,
    catalog: Catalog,
}

/// Why a simulated board cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    #[error("'{name}' cannot be the name of a sim.\nUse small letters, digits and '-', at most 64 characters")]
    BadName { name: String },
    #[error("there is a sim '{name}' already.\n`farrier sim reset {name}` makes it blank again")]
    Exists { name: String },
    #[error("{}", no_sim(.name, .known))]
    Unknown { name: String, known: Vec<String> },
    #[error("the sim '{name}' is in use by {holder}.\nWait until that one ends")]
    InUse { name: String, holder: String },
    #[error("the board of the sim cannot be read.\n{0}")]
    Board(#[from] CatalogError),
    #[error("the sim cannot stand for {part}.\nIts flash pages of {page} byte hold no word of 2 bytes")]
    NotModelled { part: String, page: u32 },
    #[error(transparent)]
    Brick(#[from] BrickError),
    #[error("{} is damaged:\n{why}", .path.display())]
    Damaged { path: PathBuf, why: String },
    #[error("{} is there already, and nothing is overwritten.\nName another folder", .path.display())]
    Taken { path: PathBuf },
    #[error("cannot {doing} {}:\n{source}", .path.display())]
    Io { doing: &'static str, path: PathBuf, source: io::Error },
}

fn no_sim(name: &str, known: &[String]) -> String {
    match known {
        _ if is_path(name) => format!("there is no file {name}, which would be a simulated board"),
        [] => format!("there is no sim '{name}'.\nThere are none yet."),
        known => format!("there is no sim '{name}'.\nThere are:\n  {}", known.join("\n  ")),
    }
}

fn io_error(doing: &'static str, path: &Path) -> impl FnOnce(io::Error) -> StoreError {
    move |source| StoreError::Io { doing, path: path.into(), source }
}

/// A simulated board at a glance.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Glance {
    pub name: String,
    pub board: String,
    pub chip: String,
    pub seed: u64,
    /// How it was bricked when it was made, if it was; [`SURPRISE`] where that is not to be told.
    pub bricked: Option<String>,
    /// `None` where they would tell what is not to be told.
    pub faults: Option<Vec<Fault>>,
    /// Bus operations since the board was made.
    pub operations: u64,
    /// How often something was done that the datasheet forbids.
    pub violations: u64,
}

impl Store {
    /// The sims under `root`, which need not exist yet; their boards are found in `catalog`.
    pub fn open(root: impl Into<PathBuf>, catalog: Catalog) -> Store {
        Store { root: root.into(), catalog }
    }

    fn files(&self, name: &str) -> Files {
        Files::of(&self.root, name)
    }

    /// Whether there is a sim of this name, or at this path.
    pub fn exists(&self, name: &str) -> bool {
        (is_name(name) || is_path(name)) && self.files(name).state.is_file()
    }

    /// The names of all sims, sorted.
    ///
    /// # Errors
    /// When the folder cannot be read.
    pub fn names(&self) -> Result<Vec<String>, StoreError> {
        let entries = match fs::read_dir(&self.root) {
            Ok(entries) => entries,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            Err(error) => return Err(io_error("read the folder", &self.root)(error)),
        };
        let mut names: Vec<String> = entries.filter_map(|entry| entry.ok()?.file_name().into_string().ok()).collect();
        names.retain(|name| self.exists(name));
        names.sort();
        Ok(names)
    }

    /// When a sim was last saved; `None` where there is none of this name.
    pub fn last_saved(&self, name: &str) -> Option<SystemTime> {
        fs::metadata(self.files(name).state).and_then(|state| state.modified()).ok()
    }

    /// All sims at a glance, as they were last saved; needs no lock.
    ///
    /// # Errors
    /// When one of them cannot be read.
    pub fn list(&self) -> Result<Vec<Glance>, StoreError> {
        self.names()?.into_iter().map(|name| self.glance(name)).collect()
    }

    fn glance(&self, name: String) -> Result<Glance, StoreError> {
        let state = State::read(&self.files(&name).state)?;
        let surprise = state.brick.as_ref().is_some_and(|brick| brick.surprise);
        let kind = |brick: Brick| if brick.surprise { SURPRISE.to_owned() } else { brick.kind };
        Ok(Glance {
            name,
            bricked: state.brick.map(kind),
            board: state.board,
            chip: state.chip,
            seed: state.seed,
            faults: (!surprise).then_some(state.faults),
            operations: state.operations,
            violations: state.violations.count,
        })
    }

    /// Makes a sim of a board as shipped: blank memories, factory fuses.
    ///
    /// # Errors
    /// A name that is in use or cannot be one, a board that is not in the catalog, or the disk's.
    pub fn create(&self, name: &str, board: &str, seed: u64) -> Result<(), StoreError> {
        self.make(name, board, seed, |description, chip| Ok((SimBoard::new(description, chip, seed), ())))
    }

    /// Makes a sim of a board that was in use and was bricked in a way of this name, or in one that the seed draws ([`SURPRISE`]); which it
    /// was.
    ///
    /// # Errors
    /// As [`Store::create`]; no such kind, or one that this board cannot have.
    pub fn create_bricked(&self, name: &str, board: &str, seed: u64, kind: &str) -> Result<&'static Bricked, StoreError> {
        self.make(name, board, seed, |description, chip| {
            let surprise = kind == SURPRISE;
            let drawn = if surprise { Bricked::drawn(description, chip, seed) } else { None };
            let chosen = drawn.map_or_else(|| Bricked::named(kind), Ok)?;
            let mut made = SimBoard::bricked(description, chip, seed, &[chosen])?;
            made.brick = Some(Brick { kind: chosen.name.into(), surprise });
            Ok((made, chosen))
        })
    }

    fn make<T>(
        &self,
        name: &str,
        board: &str,
        seed: u64,
        make: impl FnOnce(&Board, &Chip) -> Result<(SimBoard, T), StoreError>,
    ) -> Result<T, StoreError> {
        if !is_name(name) && !is_path(name) {
            return Err(StoreError::BadName { name: name.into() });
        }
        let (description, chip) = modelled(self.catalog.board(board)?)?;
        let (board_made, told) = make(&description, &chip)?;
        let made = match is_path(name) {
            false => Made { board: board.into(), seed, texts: None },
            true => Made { board: description.name, seed, texts: Some(self.catalog.texts(board)?) },
        };
        let files = self.files(name);
        let folder = files.state.parent().unwrap_or(Path::new(""));
        fs::create_dir_all(folder).map_err(io_error("create the folder", folder))?;
        let lock = lock(name, &files)?;
        if self.exists(name) {
            return Err(StoreError::Exists { name: name.into() });
        }
        State::of(&board_made, &made).write(&files)?;
        if files.own.is_none() {
            // Nobody knows of the file yet, and it is handed on as one file.
            drop(lock);
            _ = fs::remove_file(&files.lock);
        }
        Ok(told)
    }

    /// The process that has this sim open just now, if one has.
    pub fn holder(&self, name: &str) -> Option<String> {
        self.exists(name).then(|| Lock::holder(&self.files(name).lock)).flatten()
    }

    /// Opens a sim for this process alone, with a wire to its bridge. Keep the handle as long as the wire.
    ///
    /// # Errors
    /// As [`Store::open_sim`].
    pub fn connect(&self, name: &str) -> Result<(Box<dyn Wire>, OpenSim), StoreError> {
        let open = self.open_sim(name)?;
        Ok((open.wire(), open))
    }

    /// Opens a sim for this process alone. It is saved when the handle is dropped.
    ///
    /// # Errors
    /// No such sim, another process has it, its board is not in the catalog any more, or its files are damaged.
    pub fn open_sim(&self, name: &str) -> Result<OpenSim, StoreError> {
        if !self.exists(name) {
            return Err(StoreError::Unknown { name: name.into(), known: self.names()? });
        }
        let files = self.files(name);
        let lock = lock(name, &files)?;
        if let Some(own) = &files.own {
            file::sweep(own);
        }
        let state = State::read(&files.state)?;
        let made = state.made();
        let described = made.texts.as_ref().map_or_else(|| self.catalog.board(&made.board), BoardTexts::read)?;
        let (board, chip) = modelled(described)?;
        let sim = Sim::over(state.into_board(&board, &chip, &files)?, files.called(name));
        let violations = sim.violations().list.len();
        sim.engine_mut().keeper = Some(Keeper::of(&files, made.clone(), violations));
        Ok(OpenSim { sim, description: board, chip, made, files, _lock: lock })
    }
}

/// A board whose chip can be simulated.
fn modelled((board, chip): (Board, Chip)) -> Result<(Board, Chip), StoreError> {
    match chip.flash.page {
        0..2 => Err(StoreError::NotModelled { part: chip.part, page: chip.flash.page }),
        _ => Ok((board, chip)),
    }
}

/// Takes the sim for this process; the operating system lets it go when the process ends.
fn lock(name: &str, files: &Files) -> Result<Lock, StoreError> {
    Lock::take(&files.lock).map_err(|error| match error {
        LockError::Held { holder } => StoreError::InUse { name: name.into(), holder },
        LockError::Io { doing, path, source } => StoreError::Io { doing, path, source },
    })
}

fn is_name(name: &str) -> bool {
    let inside = name.bytes().all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-');
    inside && (1..=64).contains(&name.len()) && !name.starts_with('-')
}
