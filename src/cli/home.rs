//! Where state lives: `FARRIER_HOME`, or the platform's own data folder.

use super::stop::Stop;
use etcetera::BaseStrategy;
use std::path::PathBuf;

/// The folders of this user.
#[derive(Clone, Debug)]
pub struct Home(PathBuf);

impl Home {
    /// Finds the folder; creates nothing.
    ///
    /// # Errors
    /// When the platform names no home folder and `FARRIER_HOME` is not set.
    pub fn find() -> Result<Home, Stop> {
        if let Some(named) = std::env::var_os("FARRIER_HOME").filter(|named| !named.is_empty()) {
            return Ok(Home(PathBuf::from(named)));
        }
        let base = etcetera::choose_base_strategy()
            .map_err(|why| Stop::usage(format!("no folder to keep state in: {why}")).hint("set FARRIER_HOME to a folder of yours"))?;
        Ok(Home(base.data_dir().join("farrier")))
    }

    /// Board and chip files of the user's own.
    pub fn boards(&self) -> PathBuf {
        self.0.join("boards")
    }

    /// Descriptions of GPIO lines that are wired to boards.
    pub fn bridges(&self) -> PathBuf {
        self.0.join("bridges")
    }

    pub fn sims(&self) -> PathBuf {
        self.0.join("sims")
    }

    pub fn snapshots(&self) -> PathBuf {
        self.0.join("snapshots")
    }

    /// A file for each port that a process has used; locked while one does.
    pub fn locks(&self) -> PathBuf {
        self.0.join("locks")
    }

    /// What the last run found that began no job.
    pub fn last_run(&self) -> PathBuf {
        self.0.join("last-run.json")
    }

    /// The journal's file.
    pub fn journal(&self) -> PathBuf {
        self.0.join("journal.sqlite")
    }
}
