//! A stored sim in use.

use super::files::Files;
use super::state::{Made, State};
use super::{StoreError, io_error};
use crate::board::{Board, Chip};
use crate::file;
use crate::link::Wire;
use crate::lock::Lock;
use crate::sim::board::SimBoard;
use crate::sim::bricked::Bricked;
use crate::sim::contents::Contents;
use crate::sim::fault::Fault;
use crate::sim::handle::Sim;
use crate::sim::violations::{Violation, Violations};
use serde::Serialize;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

/// A sim that this process has to itself.
pub struct OpenSim {
    pub(super) sim: Sim,
    pub(super) description: Board,
    pub(super) chip: Chip,
    pub(super) made: Made,
    pub(super) files: Files,
    /// Held until the sim has been saved.
    pub(super) _lock: Lock,
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

    /// The name of its board.
    pub fn board(&self) -> &str {
        &self.made.board
    }

    /// Its board with the chip, as it carries them or as they were found.
    pub fn described(&self) -> (Board, Chip) {
        (self.description.clone(), self.chip.clone())
    }

    /// Whether it carries what describes its board.
    pub fn carries_its_board(&self) -> bool {
        self.made.texts.is_some()
    }

    /// The seed of all its random choices.
    pub fn seed(&self) -> u64 {
        self.made.seed
    }

    /// How it was bricked when it was made, if it was; told although that was a surprise.
    pub fn reveal(&self) -> Option<&'static Bricked> {
        let kind = self.sim.engine().board.brick.as_ref()?.kind.clone();
        Bricked::named(&kind).ok()
    }

    /// Makes the board as shipped again, with the same seed: no faults, nothing counted.
    pub fn reset(&self) {
        let mut engine = self.sim.engine_mut();
        let now = engine.now;
        engine.board = SimBoard::new(&self.description, &self.chip, self.made.seed);
        engine.now = now.max(self.sim.clock().now());
    }

    /// Writes `flash.bin`, `eeprom.bin` and `state.json` into `folder`: what the silicon holds, whatever faults lie over it. And the board
    /// file, as `board.toml`, where the sim carries one.
    ///
    /// # Errors
    /// There are such files already, which are left as they are; or the disk's.
    pub fn export(&self, folder: &Path) -> Result<(), StoreError> {
        let Contents { flash, eeprom, fuses, lock, calibration } = self.sim.contents();
        let Violations { count, list } = self.sim.violations();
        let names = self.chip.configuration.iter().map(|byte| byte.name.as_str());
        let surprise = self.sim.engine().board.brick.as_ref().is_some_and(|brick| brick.surprise);
        let state = Exported {
            chip: &self.chip.part,
            board: &self.made.board,
            seed: self.made.seed,
            fuses: names.zip(fuses).collect(),
            lock,
            calibration,
            faults: (!surprise).then(|| self.sim.faults()),
            operations: self.sim.operations(),
            violations: count,
            violation_list: list,
        };
        let path = folder.join("state.json");
        let text = serde_json::to_vec_pretty(&state).map_err(|error| io_error("write", &path)(error.into()))?;
        fs::create_dir_all(folder).map_err(io_error("create the folder", folder))?;
        let mut files = vec![(folder.join("flash.bin"), flash), (folder.join("eeprom.bin"), eeprom), (path, text)];
        files.extend(self.made.texts.iter().map(|texts| (folder.join("board.toml"), texts.board.clone().into_bytes())));
        if let Some((taken, _)) = files.iter().find(|(path, _)| path.exists()) {
            return Err(StoreError::Taken { path: taken.clone() });
        }
        files.iter().try_for_each(|(path, bytes)| file::write_new(path, bytes).map_err(io_error("write", path)))
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
        State::of(&engine.board, &self.made).write(&self.files)
    }
}

impl Drop for OpenSim {
    /// The host is gone: the bridge lets the chip go, and the state is saved. An error has nobody to hear it; [`OpenSim::sync`] tells.
    fn drop(&mut self) {
        self.sim.host_vanishes();
        let _ = self.sync();
    }
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
    /// Nothing where they would tell what is not to be told.
    faults: Option<Vec<Fault>>,
    operations: u64,
    /// How many there were.
    violations: u64,
    /// The first hundred of them: when (seconds and nanoseconds of the sim's clock) and what.
    violation_list: Vec<Violation>,
}
