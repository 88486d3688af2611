//! The USB drive that a chip with a UF2 loader shows: found by its INFO_UF2.TXT, which the convention puts on every one.

use super::super::stop::Stop;
use std::fs::File;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

const INFO: &str = "INFO_UF2.TXT";
/// The line that tells which chip it is.
const ID: &str = "Board-ID:";
/// No more of the file is read, in bytes.
const INFO_MOST: u64 = 4096;

/// A drive that takes UF2 files.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Drive {
    pub at: PathBuf,
    /// What it says that it is.
    pub id: String,
}

impl Drive {
    /// The drive at this place, if it is one.
    pub fn at(folder: &Path) -> Option<Drive> {
        let mut text = Vec::new();
        File::open(folder.join(INFO)).ok()?.take(INFO_MOST).read_to_end(&mut text).ok()?;
        let text = String::from_utf8_lossy(&text);
        let id = text.lines().find_map(|line| line.strip_prefix(ID))?.trim().to_owned();
        Some(Drive { at: folder.to_owned(), id })
    }

    /// Copies firmware to it, and gives the file's path.
    ///
    /// The chip takes each block as it comes and restarts after the last, so the drive is gone before the system has finished with it:
    /// an error counts only while the drive is still there. For the same reason there is no temporary name.
    ///
    /// # Errors
    /// The drive's.
    pub fn copy(&self, name: &str, bytes: &[u8]) -> Result<PathBuf, Stop> {
        let path = self.at.join(name);
        let copied = File::create(&path).and_then(|mut file| file.write_all(bytes).and_then(|()| file.sync_all()));
        match copied {
            Err(why) if Drive::at(&self.at).is_some() => {
                let what = format!("{} cannot be written: {why}", path.display());
                Err(Stop::usage(what).hint("Unplug the board, plug it in again with its button held, and run this again."))
            }
            _ => Ok(path),
        }
    }
}

/// The drives of this kind that are mounted now.
pub fn mounted() -> Vec<Drive> {
    mount_points().iter().filter_map(|point| Drive::at(point)).collect()
}

#[cfg(target_os = "linux")]
fn mount_points() -> Vec<PathBuf> {
    std::fs::read_to_string("/proc/self/mounts").map(|mounts| fat_mounts(&mounts)).unwrap_or_default()
}

#[cfg(target_os = "macos")]
fn mount_points() -> Vec<PathBuf> {
    std::fs::read_dir("/Volumes").into_iter().flatten().flatten().map(|entry| entry.path()).collect()
}

/// Elsewhere the drive is named by its user.
#[cfg(not(any(target_os = "linux", target_os = "macos")))]
fn mount_points() -> Vec<PathBuf> {
    Vec::new()
}

/// Where FAT drives are mounted, by the system's table: device, place, kind. Other kinds are left alone, because looking at a network's may
/// take for ever.
#[cfg(target_os = "linux")]
fn fat_mounts(table: &str) -> Vec<PathBuf> {
    let of_line = |line: &str| {
        let mut fields = line.split(' ').skip(1);
        let (place, kind) = (fields.next()?, fields.next()?);
        matches!(kind, "vfat" | "msdos").then(|| PathBuf::from(unescaped(place)))
    };
    table.lines().filter_map(of_line).collect()
}

/// The table writes a space as `\040`, and so on: a backslash and three octal digits.
#[cfg(target_os = "linux")]
fn unescaped(text: &str) -> String {
    let mut bytes = Vec::new();
    let mut rest = text.as_bytes();
    while let Some((first, after)) = rest.split_first() {
        let code = after.get(..3).filter(|_| *first == b'\\').and_then(|digits| std::str::from_utf8(digits).ok());
        match code.and_then(|digits| u8::from_str_radix(digits, 8).ok()) {
            Some(byte) => {
                bytes.push(byte);
                rest = after.get(3..).unwrap_or_default();
            }
            None => {
                bytes.push(*first);
                rest = after;
            }
        }
    }
    String::from_utf8_lossy(&bytes).into_owned()
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;

    #[test]
    fn fat_drives_are_found_in_the_systems_table() {
        let table = "/dev/sda1 / ext4 rw 0 0\nbench:/x /net nfs rw 0 0\n/dev/sdb1 /media/a\\040drive vfat rw,nosuid 0 0\nshort\n";
        assert_eq!(fat_mounts(table), [PathBuf::from("/media/a drive")]);
        assert_eq!(unescaped("a\\134b\\9\\04"), "a\\b\\9\\04");
    }
}
