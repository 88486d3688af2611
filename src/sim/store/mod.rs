//! Simulated boards on disk: a folder each, so that commands run one after another see the same board.
//!
//! ```text
//! NAME/state.json       the whole state; written under a temporary name, synced, renamed
//! NAME/changes.jsonl    cells changed since, a line each, appended as it happens: silicon keeps what it holds when the process dies
//! NAME/lock             locked by the process that uses the board
//! ```

mod keeper;
mod state;

pub(super) use keeper::Keeper;

use super::board::SimBoard;
use super::contents::Contents;
use super::fault::Fault;
use super::handle::Sim;
use super::violations::Violations;
use crate::board::{Board, Catalog, CatalogError, Chip};
use crate::link::Wire;
use serde::Serialize;
use state::State;
use std::collections::BTreeMap;
use std::fs::{self, File, TryLockError};
use std::io;
use std::path::{Path, PathBuf};

/// The simulated boards under one folder.
pub struct Store {
    root: PathBuf,
    catalog: Catalog,
}

/// Why a simulated board cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    #[error("'{name}' cannot be the name of a sim: use small letters, digits and '-', at most 64 characters")]
    BadName { name: String },
    #[error("there is a sim '{name}' already; 'farrier sim reset {name}' makes it blank again")]
    Exists { name: String },
    #[error("there is no sim '{name}'; {}", known_sims(.known))]
    Unknown { name: String, known: Vec<String> },
    #[error("the sim '{name}' is in use by another process; wait until that ends")]
    InUse { name: String },
    #[error("the board of the sim cannot be read: {0}")]
    Board(#[from] CatalogError),
    #[error("{} is damaged: {why}", .path.display())]
    Damaged { path: PathBuf, why: String },
    #[error("cannot {doing} {}: {source}", .path.display())]
    Io { doing: &'static str, path: PathBuf, source: io::Error },
}

fn known_sims(known: &[String]) -> String {
    if known.is_empty() { "there are none yet".into() } else { format!("there are: {}", known.join(", ")) }
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
    pub faults: Vec<Fault>,
    /// Bus operations since the board was made.
    pub operations: u64,
    /// How often something was done that the datasheet forbids.
    pub violations: u64,
}

/// What `export` writes to `state.json`.
#[derive(Serialize)]
struct Exported<'a> {
    chip: &'a str,
    board: &'a str,
    seed: u64,
    fuses: BTreeMap<&'a str, u8>,
    lock: u8,
    calibration: u8,
    faults: Vec<Fault>,
    operations: u64,
    /// How many there were.
    violations: u64,
    /// The first hundred of them: when (seconds and nanoseconds of the sim's clock) and what.
    violation_list: Vec<super::violations::Violation>,
}

impl Store {
    /// The sims under `root`, which need not exist yet; their boards are found in `catalog`.
    pub fn open(root: impl Into<PathBuf>, catalog: Catalog) -> Store {
        Store { root: root.into(), catalog }
    }

    /// Whether there is a sim of this name.
    pub fn exists(&self, name: &str) -> bool {
        is_name(name) && self.root.join(name).join(state::FILE).is_file()
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

    /// All sims at a glance, as they were last saved; needs no lock.
    ///
    /// # Errors
    /// When one of them cannot be read.
    pub fn list(&self) -> Result<Vec<Glance>, StoreError> {
        self.names()?.into_iter().map(|name| self.glance(name)).collect()
    }

    fn glance(&self, name: String) -> Result<Glance, StoreError> {
        let state = State::read(&self.root.join(&name))?;
        Ok(Glance {
            name,
            board: state.board,
            chip: state.chip,
            seed: state.seed,
            faults: state.faults,
            operations: state.operations,
            violations: state.violations.count,
        })
    }

    /// Makes a sim of a board as shipped: blank memories, factory fuses.
    ///
    /// # Errors
    /// A name that is in use or cannot be one, a board that is not in the catalog, or the disk's.
    pub fn create(&self, name: &str, board: &str, seed: u64) -> Result<(), StoreError> {
        if !is_name(name) {
            return Err(StoreError::BadName { name: name.into() });
        }
        let (description, chip) = self.catalog.board(board)?;
        let folder = self.root.join(name);
        fs::create_dir_all(&folder).map_err(io_error("create the folder", &folder))?;
        let _lock = lock(name, &folder)?;
        if self.exists(name) {
            return Err(StoreError::Exists { name: name.into() });
        }
        State::of(&SimBoard::new(&description, &chip, seed), board, seed).write(&folder)
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
        let folder = self.root.join(name);
        let lock = lock(name, &folder)?;
        let state = State::read(&folder)?;
        let (board, chip) = self.catalog.board(&state.board)?;
        let (board_name, seed) = (state.board.clone(), state.seed);
        let sim = Sim::over(state.into_board(&board, &chip, &folder)?, name);
        let violations = sim.violations().list.len();
        sim.engine_mut().keeper = Some(Keeper::of(&folder, &board_name, seed, violations));
        Ok(OpenSim { sim, description: board, chip, board: board_name, seed, folder, _lock: lock })
    }
}

/// Takes the sim for this process; the operating system lets it go when the process ends.
fn lock(name: &str, folder: &Path) -> Result<File, StoreError> {
    let path = folder.join("lock");
    let file = File::options().create(true).truncate(false).write(true).open(&path).map_err(io_error("open", &path))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(StoreError::InUse { name: name.into() }),
        Err(TryLockError::Error(error)) => Err(io_error("lock", &path)(error)),
    }
}

fn is_name(name: &str) -> bool {
    let inside = name.bytes().all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-');
    inside && (1..=64).contains(&name.len()) && !name.starts_with('-')
}

/// A sim that this process has to itself.
pub struct OpenSim {
    sim: Sim,
    description: Board,
    chip: Chip,
    board: String,
    seed: u64,
    folder: PathBuf,
    /// Held until the sim has been saved.
    _lock: File,
}

impl OpenSim {
    /// The simulated board.
    pub fn sim(&self) -> &Sim {
        &self.sim
    }

    /// A wire to its bridge.
    pub fn wire(&self) -> Box<dyn Wire> {
        self.sim.wire()
    }

    /// The name of its board in the catalog.
    pub fn board(&self) -> &str {
        &self.board
    }

    /// The seed of all its random choices.
    pub fn seed(&self) -> u64 {
        self.seed
    }

    /// Makes the board as shipped again, with the same seed: no faults, nothing counted.
    pub fn reset(&self) {
        let mut engine = self.sim.engine_mut();
        let now = engine.now;
        engine.board = SimBoard::new(&self.description, &self.chip, self.seed);
        engine.now = now.max(self.sim.clock().now());
    }

    /// Writes `flash.bin`, `eeprom.bin` and `state.json` into `folder`: what the silicon holds, whatever faults lie over it.
    ///
    /// # Errors
    /// The disk's.
    pub fn export(&self, folder: &Path) -> Result<(), StoreError> {
        let Contents { flash, eeprom, fuses, lock, calibration } = self.sim.contents();
        let Violations { count, list } = self.sim.violations();
        let names = self.chip.configuration.iter().map(|byte| byte.name.as_str());
        let state = Exported {
            chip: &self.chip.part,
            board: &self.board,
            seed: self.seed,
            fuses: names.zip(fuses).collect(),
            lock,
            calibration,
            faults: self.sim.faults(),
            operations: self.sim.operations(),
            violations: count,
            violation_list: list,
        };
        let path = folder.join("state.json");
        let text = serde_json::to_vec_pretty(&state).map_err(|error| io_error("write", &path)(error.into()))?;
        fs::create_dir_all(folder).map_err(io_error("create the folder", folder))?;
        for (name, bytes) in [("flash.bin", &flash), ("eeprom.bin", &eeprom), ("state.json", &text)] {
            let path = folder.join(name);
            fs::write(&path, bytes).map_err(io_error("write", &path))?;
        }
        Ok(())
    }

    /// Saves the state now.
    ///
    /// # Errors
    /// The disk's.
    pub fn sync(&self) -> Result<(), StoreError> {
        let mut engine = self.sim.engine_mut();
        let now = engine.now;
        engine.board.chip.settle(now);
        engine.board.forget_mended();
        State::of(&engine.board, &self.board, self.seed).write(&self.folder)
    }
}

impl Drop for OpenSim {
    /// The host is gone: the bridge lets the chip go, and the state is saved. An error has nobody to hear it; [`OpenSim::sync`] tells.
    fn drop(&mut self) {
        self.sim.host_vanishes();
        let _ = self.sync();
    }
}
