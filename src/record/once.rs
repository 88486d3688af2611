//! Equal files are stored once: a hidden folder beside the snapshots keeps each under the SHA-256 of its bytes, and a snapshot's file is
//! a link to it. Every snapshot's folder is whole and open all the same, and may be moved or deleted by itself. Where the file system has
//! no links, files are plain copies.

use super::folder::fault;
use super::{RecordError, folder};
use crate::file;
use crate::image::Sha256;
use std::fs::{self, File};
use std::io::Read;
use std::path::Path;

/// Its name begins with a dot, as no snapshot's does.
const FOLDER: &str = ".contents";

/// Puts a new file with these bytes at `path`, on the disk when this returns. `root` is the folder of all snapshots.
pub(super) fn place(root: &Path, path: &Path, bytes: &[u8]) -> Result<(), RecordError> {
    let kept = root.join(FOLDER).join(Sha256::of(&[bytes]).to_string());
    // What is there was changed by somebody, if it is not these bytes; then it is no use to anybody.
    match holds(&kept, bytes) {
        Some(true) if fs::hard_link(&kept, path).is_ok() => return Ok(()),
        Some(false) => drop(fs::remove_file(&kept)),
        _ => {}
    }
    file::write_in_unfinished(path, bytes).map_err(fault("write", path))?;
    if folder::create(&root.join(FOLDER)).is_ok() {
        // Without links, or when another process was faster, this file stands for itself.
        let _ = fs::hard_link(path, &kept);
    }
    Ok(())
}

/// Whether a file holds exactly these bytes; `None` where there is none that can be read.
fn holds(path: &Path, bytes: &[u8]) -> Option<bool> {
    let mut found = Vec::with_capacity(bytes.len() + 1);
    File::open(path).and_then(|file| file.take(bytes.len() as u64 + 1).read_to_end(&mut found)).ok()?;
    Some(found == bytes)
}

/// Takes away what no snapshot links to any more. What cannot be looked at stays.
#[cfg(unix)]
pub(super) fn forget_unused(root: &Path) {
    use std::os::unix::fs::MetadataExt;
    let entries = fs::read_dir(root.join(FOLDER)).into_iter().flatten().flatten();
    for entry in entries.filter(|entry| entry.metadata().is_ok_and(|data| data.nlink() == 1)) {
        let _ = fs::remove_file(entry.path());
    }
    // Gone only where it is empty.
    let _ = fs::remove_dir(root.join(FOLDER));
}

/// Elsewhere links are not counted.
#[cfg(not(unix))]
pub(super) fn forget_unused(_root: &Path) {}
