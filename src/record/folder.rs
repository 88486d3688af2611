//! Folders and files that are on the disk, and not only in the system's memory, when a call returns.

use super::{RecordError, leftover, once};
use crate::file;
use std::fs;
use std::io;
use std::path::Path;

/// How many names are tried for one folder. Taken names are rare, so more means that something else is wrong.
const TRIES: usize = 1000;

/// Makes a folder, and those above it, where they are missing.
pub(super) fn create(folder: &Path) -> Result<(), RecordError> {
    if folder.is_dir() || folder.as_os_str().is_empty() {
        return Ok(());
    }
    let above = folder.parent().unwrap_or(Path::new(""));
    create(above)?;
    match fs::create_dir(folder) {
        Err(error) if !(error.kind() == io::ErrorKind::AlreadyExists && folder.is_dir()) => Err(fault("make the folder", folder)(error)),
        _ => sync(above),
    }
}

/// A file of a new folder.
pub(super) struct NewFile<'a> {
    pub(super) name: &'a str,
    pub(super) bytes: &'a [u8],
    /// Others may hold the same, so it is stored once.
    pub(super) common: bool,
}

/// Writes `files` into a new folder of `root`, under a temporary name first, so that the final name never shows less
/// than everything. Takes the first of `names` that is free; nothing is written over. Returns the name taken.
pub(super) fn write_new(root: &Path, mut names: impl Iterator<Item = String>, files: &[NewFile]) -> Result<String, RecordError> {
    create(root)?;
    let _writing = leftover::begin(root)?;
    // A snapshot's name never begins with a dot, as this one's does.
    let (temporary, ()) = file::temporary(root, |path| fs::create_dir(path)).map_err(fault("make a temporary folder in", root))?;
    let written = fill(root, &temporary, files).and_then(|()| rename_to_free(&temporary, root, &mut names));
    if written.is_err() {
        // What stands there is of no use; the error that led here is the one to tell.
        let _ = fs::remove_dir_all(&temporary);
    }
    once::forget_unused(root);
    let name = written?;
    sync(root)?;
    Ok(name)
}

fn fill(root: &Path, folder: &Path, files: &[NewFile]) -> Result<(), RecordError> {
    for NewFile { name, bytes, common } in files {
        let path = folder.join(name);
        match common {
            true => once::place(root, &path, bytes)?,
            false => file::write_in_unfinished(&path, bytes).map_err(fault("write", &path))?,
        }
    }
    sync(folder)
}

fn rename_to_free(from: &Path, root: &Path, names: &mut impl Iterator<Item = String>) -> Result<String, RecordError> {
    let mut last = io::Error::from(io::ErrorKind::AlreadyExists);
    for name in names.take(TRIES) {
        let to = root.join(&name);
        // The system replaces an empty folder on renaming, so a name is looked up first; a full one it never replaces.
        if fs::symlink_metadata(&to).is_ok() {
            continue;
        }
        match fs::rename(from, &to) {
            Ok(()) => return Ok(name),
            Err(error) if fs::symlink_metadata(&to).is_ok() => last = error,
            Err(error) => return Err(fault("make the folder", &to)(error)),
        }
    }
    Err(fault("find a free name in", root)(last))
}

fn sync(folder: &Path) -> Result<(), RecordError> {
    file::sync_folder(folder).map_err(fault("put on the disk", folder))
}

/// Makes an error of the file system say what was being done, and to what.
pub(super) fn fault(doing: &'static str, path: &Path) -> impl FnOnce(io::Error) -> RecordError {
    let path = path.to_owned();
    move |source| RecordError::File { doing, path, source }
}
