//! What can go wrong with the records.

use super::JobId;
use std::io;
use std::path::PathBuf;

/// Why a record could not be kept or read.
#[derive(Debug, thiserror::Error)]
pub enum RecordError {
    /// The file system said no. `doing` completes 'cannot ...'.
    #[error("cannot {doing} {}: {source}", path.display())]
    File { doing: &'static str, path: PathBuf, source: io::Error },

    #[error("there is no snapshot called {name} in {}\n`farrier snapshot list` shows those that are there", root.display())]
    NoSuchSnapshot { name: String, root: PathBuf },

    #[error("{} is not a snapshot: it holds no snapshot.toml", path.display())]
    NotASnapshot { path: PathBuf },

    #[error("{text:?} cannot be the name of a snapshot: it must be a plain folder name")]
    BadSnapshotName { text: String },

    /// A file of ours that does not read as it should.
    #[error("{}: {what}", path.display())]
    Malformed { path: PathBuf, what: String },

    /// Written by a later version of this program.
    #[error("{}: format {found}, newest known {newest}\nuse the farrier that wrote it, or a newer one", path.display())]
    TooNew { path: PathBuf, newest: i64, found: i64 },

    #[error("{}: changed or damaged since it was written\nits CRC-32 should be 0x{expected:08X}, found 0x{found:08X}", path.display())]
    Checksum { path: PathBuf, expected: u32, found: u32 },

    /// The journal's file could not be read or written. `doing` completes 'cannot ...'.
    #[error("cannot {doing} the journal {}: {source}", path.display())]
    Journal { doing: &'static str, path: PathBuf, source: rusqlite::Error },

    #[error("the journal {} is in use by another process\nwaited {} s; try again when that one is done", path.display(), waited_s)]
    JournalBusy { path: PathBuf, waited_s: u64 },

    #[error("{} is not a farrier journal\nmove it away; a new journal is then begun in its place", path.display())]
    NotAJournal { path: PathBuf },

    #[error("there is no job {job} in the journal\n`farrier journal` shows those that are there")]
    NoSuchJob { job: JobId },

    /// Somebody else, or this process earlier, has ended the job.
    #[error("job {job} has ended already ({how}), so nothing more is recorded for it")]
    JobEnded { job: JobId, how: String },

    #[error("job {job} may have changed something on its board, so it is not ended as one that changed nothing")]
    MayHaveChanged { job: JobId },

    #[error("job {job}: step {step} cannot {what} now; {finished} of its {of} steps are finished")]
    StepOutOfOrder { job: JobId, step: usize, what: &'static str, finished: usize, of: usize },

    #[error("job {inherited} has the baseline {expected}, so a job that takes it over cannot have {found}")]
    OtherBaseline { inherited: JobId, expected: String, found: String },
}
