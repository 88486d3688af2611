//! Folders and files that are on the disk, and not only in the system's memory, when a call returns.

use super::{RecordError, leftover, once};
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

/// Begins the names of folders that somebody is still writing, or has left half-written. A snapshot's name never begins with a dot.
pub(super) const UNFINISHED: &str = ".unfinished-";

/// How many names are tried for one folder. Taken names are rare, so more means that something else is wrong.
const TRIES: u32 = 1000;

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
    let temporary = create_temporary(root)?;
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

fn create_temporary(root: &Path) -> Result<PathBuf, RecordError> {
    let mut last = io::Error::from(io::ErrorKind::AlreadyExists);
    for number in 0..TRIES {
        let path = root.join(format!("{UNFINISHED}{}-{number}", std::process::id()));
        match fs::create_dir(&path) {
            Ok(()) => return Ok(path),
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => last = error,
            Err(error) => return Err(fault("make the folder", &path)(error)),
        }
    }
    Err(fault("make a temporary folder in", root)(last))
}

fn fill(root: &Path, folder: &Path, files: &[NewFile]) -> Result<(), RecordError> {
    for file in files {
        let path = folder.join(file.name);
        match file.common {
            true => once::place(root, &path, file.bytes)?,
            false => once::write(&path, file.bytes)?,
        }
    }
    sync(folder)
}

fn rename_to_free(from: &Path, root: &Path, names: &mut impl Iterator<Item = String>) -> Result<String, RecordError> {
    let mut last = io::Error::from(io::ErrorKind::AlreadyExists);
    for name in names.take(TRIES as usize) {
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

/// Puts a folder's list of names on the disk.
#[cfg(unix)]
fn sync(folder: &Path) -> Result<(), RecordError> {
    let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
    File::open(folder).and_then(|open| open.sync_all()).map_err(fault("put on the disk", folder))
}

/// Elsewhere a folder cannot be opened as a file; the system orders its own names.
#[cfg(not(unix))]
fn sync(_folder: &Path) -> Result<(), RecordError> {
    Ok(())
}

/// Makes an error of the file system say what was being done, and to what.
pub(super) fn fault(doing: &'static str, path: &Path) -> impl FnOnce(io::Error) -> RecordError {
    let path = path.to_owned();
    move |source| RecordError::File { doing, path, source }
}
