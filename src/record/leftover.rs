//! Folders that a killed process has left half-written: who may write, and who may sweep.
//!
//! A file in the root is locked, shared, by every process that is writing a folder there. Whoever gets it for itself alone knows that
//! nobody is writing, so what stands half-written is of no use to anybody. The system frees the lock of a process that dies. Where files
//! cannot be locked, nothing is swept.

use super::RecordError;
use super::folder::fault;
use crate::file;
use std::fs::File;
use std::path::Path;

const LOCK: &str = ".writing";

/// This process is writing into the root, until it is dropped.
pub(super) struct Writing(#[expect(dead_code, reason = "held, not read")] File);

/// Sweeps what was left, unless somebody is writing; then says that this process is.
pub(super) fn begin(root: &Path) -> Result<Writing, RecordError> {
    let path = root.join(LOCK);
    let file = File::options().create(true).truncate(false).write(true).open(&path).map_err(fault("open", &path))?;
    if file.try_lock().is_ok() {
        file::sweep(root);
        let _ = file.unlock();
    }
    // Without locks nobody sweeps either.
    let _ = file.lock_shared();
    Ok(Writing(file))
}
