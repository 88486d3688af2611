//! Files that this program writes: each appears as a whole or not at all, and is on the disk when the call returns.
//!
//! A file is written under a temporary name in its own folder first. What a process that was killed leaves behind has such a name.

use std::fs::{self, File};
use std::io::{self, ErrorKind, Write};
use std::path::{Path, PathBuf};

/// Begins the names of files and folders that somebody is still writing, or has left half-written.
pub const UNFINISHED: &str = ".unfinished-";

/// How many temporary names are tried. Taken ones are rare, so more means that something else is wrong.
const TRIES: u32 = 1000;

/// Writes a file that is not there yet.
///
/// # Errors
/// `AlreadyExists` where there is something of that name, which is left as it is; or the disk's.
pub fn write_new(path: &Path, bytes: &[u8]) -> io::Result<()> {
    if fs::symlink_metadata(path).is_ok() {
        return Err(taken());
    }
    by_way_of_another_name(path, bytes, |temporary| match fs::hard_link(temporary, path) {
        Ok(()) => fs::remove_file(temporary),
        Err(error) if error.kind() == ErrorKind::AlreadyExists => Err(taken()),
        // A file system without links: renaming replaces, so it is looked first.
        Err(_) if fs::symlink_metadata(path).is_err() => fs::rename(temporary, path),
        Err(_) => Err(taken()),
    })
}

/// Writes a file; one that is there is replaced at once by the whole new one.
///
/// # Errors
/// The disk's; what was there is still there then.
pub fn replace(path: &Path, bytes: &[u8]) -> io::Result<()> {
    by_way_of_another_name(path, bytes, |temporary| fs::rename(temporary, path))
}

/// Writes a new file under its own name, in a folder that itself is not yet what it will be.
///
/// # Errors
/// `AlreadyExists`, or the disk's; the file may be there in part then.
pub fn write_in_unfinished(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = File::create_new(path)?;
    file.write_all(bytes)?;
    file.sync_all()
}

/// Puts a folder's list of names on the disk.
///
/// # Errors
/// The disk's.
#[cfg(unix)]
pub fn sync_folder(folder: &Path) -> io::Result<()> {
    File::open(if folder.as_os_str().is_empty() { Path::new(".") } else { folder })?.sync_all()
}

/// Elsewhere a folder cannot be opened as a file; the system orders its own names.
#[cfg(not(unix))]
pub fn sync_folder(_folder: &Path) -> io::Result<()> {
    Ok(())
}

/// Removes what killed processes have left half-written in a folder; for one who knows that nobody else is writing there now. What cannot
/// be removed is left for the next time.
pub fn sweep(folder: &Path) {
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        if entry.file_name().to_string_lossy().starts_with(UNFINISHED) {
            let is_folder = entry.file_type().is_ok_and(|kind| kind.is_dir());
            let _ = if is_folder { fs::remove_dir_all(entry.path()) } else { fs::remove_file(entry.path()) };
        }
    }
}

/// Takes a temporary name in a folder: `make` creates a file or a folder, and must refuse one that is there.
///
/// # Errors
/// What `make` says, other than that the name is taken.
pub fn temporary<T>(folder: &Path, make: impl Fn(&Path) -> io::Result<T>) -> io::Result<(PathBuf, T)> {
    for number in 0..TRIES {
        let path = folder.join(format!("{UNFINISHED}{}-{number}", std::process::id()));
        match make(&path) {
            Ok(made) => return Ok((path, made)),
            Err(error) if error.kind() == ErrorKind::AlreadyExists => {}
            Err(error) => return Err(error),
        }
    }
    Err(taken())
}

fn by_way_of_another_name(path: &Path, bytes: &[u8], name: impl FnOnce(&Path) -> io::Result<()>) -> io::Result<()> {
    let folder = path.parent().unwrap_or(Path::new(""));
    let (temporary, mut file) = temporary(folder, |path| File::create_new(path))?;
    let written = file.write_all(bytes).and_then(|()| file.sync_all());
    drop(file);
    if let Err(error) = written.and_then(|()| name(&temporary)) {
        // What stands there is of no use; the error that led here is the one to tell.
        let _ = fs::remove_file(&temporary);
        return Err(error);
    }
    sync_folder(folder)
}

fn taken() -> io::Error {
    io::Error::new(ErrorKind::AlreadyExists, "it is there already")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect()
    }

    #[test]
    fn a_file_that_is_there_is_refused_and_left() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("vent.hex");
        write_new(&path, b"first").unwrap();
        assert_eq!(write_new(&path, b"second").unwrap_err().kind(), ErrorKind::AlreadyExists);
        assert_eq!(fs::read(&path).unwrap(), b"first");
        assert_eq!(names(folder.path()), ["vent.hex"]);
    }

    #[test]
    fn of_many_writers_at_once_one_has_its_file_and_the_others_are_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("vent.hex");
        let writer = |byte: u8| write_new(&path, &vec![byte; 100_000]).is_ok();
        let written: Vec<bool> = std::thread::scope(|scope| {
            let writers: Vec<_> = (0..8).map(|byte| scope.spawn(move || writer(byte))).collect();
            writers.into_iter().map(|writer| writer.join().unwrap()).collect()
        });
        assert_eq!(written.iter().filter(|written| **written).count(), 1);
        let first = written.iter().position(|written| *written).unwrap() as u8;
        assert_eq!(fs::read(&path).unwrap(), vec![first; 100_000]);
        assert_eq!(names(folder.path()), ["vent.hex"]);
    }

    #[test]
    fn whoever_has_the_old_file_open_still_reads_the_old_one() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("state.json");
        replace(&path, b"first").unwrap();
        let open = File::open(&path).unwrap();
        replace(&path, b"second").unwrap();
        assert_eq!(io::read_to_string(open).unwrap(), "first");
        assert_eq!(fs::read(&path).unwrap(), b"second");
    }

    #[test]
    fn what_was_left_half_written_is_swept_and_nothing_else() {
        let folder = tempfile::tempdir().unwrap();
        for name in [".unfinished-1-0", "vent.hex"] {
            fs::write(folder.path().join(name), "").unwrap();
        }
        fs::create_dir(folder.path().join(".unfinished-1-1")).unwrap();
        sweep(folder.path());
        assert_eq!(names(folder.path()), ["vent.hex"]);
    }
}
