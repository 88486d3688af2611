//! What is kept on disk: snapshots (a folder each) and the journal (one SQLite file). Both formats carry a version.
//!
//! Pure file work: no chip, no environment, no system time. Folders and dates are handed in by the caller.
//!
//! What this module promises:
//! - A snapshot is either there as a whole, synced, or not there at all; none is ever written over. What a killed process has left
//!   half-written is swept by a later one.
//! - A call to the journal that returned `Ok` survives a killed process and a power cut. What was in hand then is
//!   undone as a whole.

mod date;
mod error;
mod folder;
mod journal;
mod leftover;
mod once;
mod snapshot;

pub use error::RecordError;
pub use journal::{Accepted, End, Held, Job, JobId, JobRecord, Journal, NewJob, Shown, StepRecord, UsedImage};
pub use snapshot::{ListedSnapshot, Missing, Snapshot, SnapshotHead, SnapshotInfo, SnapshotName, Snapshots};
