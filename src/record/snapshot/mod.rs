//! Snapshots: observed states kept on disk, a folder each.
//!
//! ```text
//! SNAPSHOTS/2026-11-25-090001-vent-bench-3/
//!     snapshot.toml    what, when, how it was read, ID bytes, configuration, lock, and the CRC-32s of all
//!     flash.hex        Intel HEX; only the bytes that were read
//!     eeprom.hex
//! ```
//!
//! Files of equal contents are stored once; `once` says how. The format is described in [`file`], which turns it into values and back.

mod file;
mod name;

use name::DATE_IN_NAME;
pub use name::SnapshotName;

use super::RecordError;
use super::folder::{self, NewFile, fault};
use crate::image::{self, Image, Memory, Span};
use crate::plan::{Contents, Observed};
use file::{EEPROM, FLASH, Head, MANIFEST};
use std::fs;
use std::io::{self, Read};
use std::path::{Component, Path, PathBuf};
use std::time::SystemTime;

/// No file of a snapshot is nearly this long (the largest 8-bit flash makes 1 MiB of HEX); more is not read.
const LONGEST_FILE: u64 = 64 << 20;

/// What a snapshot says about itself besides what the board held.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SnapshotInfo {
    /// Name of the board description in use.
    pub board: String,
    /// Part number.
    pub chip: String,
    /// The user's own mark for this one board.
    pub tag: Option<String>,
    /// When it was taken; kept to the microsecond.
    pub date: SystemTime,
    /// Name and version of the program: `farrier 0.1.0`.
    pub made_by: String,
    /// The bridge it was read through, as the user names it.
    pub bridge: String,
    /// Taken by a job, before its first change.
    pub before_change: bool,
    /// SIMULATED: read from a sim and not from hardware.
    pub simulated: bool,
    /// Size of the chip's flash; a snapshot with fewer bytes is incomplete.
    pub flash_bytes: u32,
    /// Size of the chip's EEPROM, likewise.
    pub eeprom_bytes: u32,
}

/// Something that a snapshot does not hold.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Missing {
    /// `flash: 128 of 131072 bytes`, `lock byte`.
    pub what: String,
    /// Why: `not read`, or what made it unreadable.
    pub reason: String,
}

/// The head of a snapshot: everything but the memories' bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SnapshotHead {
    pub info: SnapshotInfo,
    /// What it does not hold; empty for a complete snapshot.
    pub missing: Vec<Missing>,
}

impl SnapshotHead {
    pub fn is_complete(&self) -> bool {
        self.missing.is_empty()
    }
}

/// A snapshot as read from disk, every CRC checked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Snapshot {
    /// Its folder.
    pub path: PathBuf,
    pub head: SnapshotHead,
    pub observed: Observed,
}

impl Snapshot {
    /// What people call it: the name of its folder.
    pub fn name(&self) -> String {
        self.path.file_name().map_or_else(|| self.path.display().to_string(), |name| name.to_string_lossy().into_owned())
    }
}

/// A snapshot as a list shows it, or why it cannot be read.
#[derive(Debug)]
pub struct ListedSnapshot {
    pub name: SnapshotName,
    pub head: Result<SnapshotHead, RecordError>,
}

impl ListedSnapshot {
    /// Where it stands in a list. A name begins with the date to the second; of one second the snapshots themselves know more, unless they
    /// are old. What still stands side by side has a number at its name's end, so the shorter name came first.
    fn place(&self) -> (String, Option<SystemTime>, usize, String) {
        let name = self.name.as_str().to_owned();
        let second = name.chars().take(DATE_IN_NAME).collect();
        (second, self.head.as_ref().ok().map(|head| head.info.date), name.len(), name)
    }
}

/// The folder of all snapshots.
#[derive(Clone, Debug)]
pub struct Snapshots {
    root: PathBuf,
}

impl Snapshots {
    /// The snapshots in `root`. The folder is made with the first snapshot, so looking leaves no trace.
    pub fn open(root: impl Into<PathBuf>) -> Snapshots {
        Snapshots { root: root.into() }
    }

    /// Where a snapshot of this name is.
    pub fn path(&self, name: &SnapshotName) -> PathBuf {
        self.root.join(name.as_str())
    }

    /// Keeps an observed state. When this returns, it is on the disk as a whole; after an error nothing of it is seen.
    ///
    /// # Errors
    /// The file that could not be written, and why.
    pub fn save(&self, observed: &Observed, info: &SnapshotInfo) -> Result<SnapshotName, RecordError> {
        let head = SnapshotHead { info: info.clone(), missing: missing(observed, info) };
        let malformed = |error: toml::ser::Error| RecordError::Malformed { path: self.root.join(MANIFEST), what: error.to_string() };
        let manifest = file::write(&head, observed).map_err(malformed)?;
        let flash = image::write::hex(&observed.flash.bytes);
        let eeprom = image::write::hex(&observed.eeprom.bytes);
        let file = |name, bytes, common| NewFile { name, bytes, common };
        let files = [file(FLASH, &flash, true), file(EEPROM, &eeprom, true), file(MANIFEST, manifest.as_bytes(), false)];
        let names = SnapshotName::candidates(info).map(|name| name.as_str().to_owned());
        folder::write_new(&self.root, names, &files).and_then(|name| name.parse())
    }

    /// Reads a snapshot, by its name or by the path of its folder. A name goes before a path.
    ///
    /// # Errors
    /// No such snapshot; a file that is missing, damaged, or of a newer format: which, what was expected, what was found.
    pub fn load(&self, which: impl AsRef<Path>) -> Result<Snapshot, RecordError> {
        let path = self.find(which.as_ref())?;
        let parsed = parse_manifest(&path)?;
        let flash = load_memory(&path.join(FLASH), &parsed.flash)?;
        let eeprom = load_memory(&path.join(EEPROM), &parsed.eeprom)?;
        let (head, observed) = parsed.with_memories(flash, eeprom);
        Ok(Snapshot { path, head, observed })
    }

    /// Every snapshot, oldest first; those with names of people's own stand by their names. One that cannot be read hides no other.
    ///
    /// # Errors
    /// Only when the folder of snapshots itself cannot be read.
    pub fn list(&self) -> Result<Vec<ListedSnapshot>, RecordError> {
        let entries = match fs::read_dir(&self.root) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
            other => other.map_err(fault("read the folder", &self.root))?,
        };
        let mut all = Vec::new();
        for entry in entries {
            let entry = entry.map_err(fault("read the folder", &self.root))?;
            // A name that is not text or is hidden is not one of ours; a half-written folder is not a snapshot yet.
            let Some(name) = entry.file_name().to_str().and_then(|text| text.parse::<SnapshotName>().ok()) else { continue };
            if entry.path().is_dir() {
                let head = parse_manifest(&entry.path()).map(|manifest| manifest.head);
                all.push(ListedSnapshot { name, head });
            }
        }
        all.sort_by_cached_key(ListedSnapshot::place);
        Ok(all)
    }

    fn find(&self, which: &Path) -> Result<PathBuf, RecordError> {
        let mut parts = which.components();
        let is_name = matches!((parts.next(), parts.next()), (Some(Component::Normal(_)), None));
        let named = self.root.join(which);
        if is_name && named.is_dir() {
            return Ok(named);
        }
        match which.is_dir() {
            true => Ok(which.to_owned()),
            false => Err(RecordError::NoSuchSnapshot { name: which.display().to_string(), root: self.root.clone() }),
        }
    }
}

fn parse_manifest(folder: &Path) -> Result<Head, RecordError> {
    let path = folder.join(MANIFEST);
    if !path.exists() {
        return Err(RecordError::NotASnapshot { path: folder.to_owned() });
    }
    let text = String::from_utf8(read(&path)?);
    let text = text.map_err(|error| RecordError::Malformed { path: path.clone(), what: error.to_string() })?;
    file::parse(&path, &text)
}

/// A memory's bytes, once they are known to be the ones that were saved.
fn load_memory(path: &Path, expected: &file::MemoryFacts) -> Result<Image, RecordError> {
    let malformed = |what: String| RecordError::Malformed { path: path.to_owned(), what };
    let image = image::hex::read(&read(path)?).map_err(|error| malformed(error.to_string()))?.image;
    let found = image.crc32();
    if found != expected.crc32 {
        return Err(RecordError::Checksum { path: path.to_owned(), expected: expected.crc32, found });
    }
    if let Some(expected) = expected.sha256
        && image.sha256() != expected
    {
        let found = image.sha256();
        return Err(malformed(format!(
            "changed or damaged since it was written\nthe SHA-256 of its bytes should be\n{expected}, found\n{found}"
        )));
    }
    let spans: Vec<Span> = image.spans().collect();
    if spans != expected.spans {
        let (expected, found) = (spans_in_words(&expected.spans), spans_in_words(&spans));
        return Err(malformed(format!("changed since it was written\nit should hold {expected}, and holds {found}")));
    }
    Ok(image)
}

/// Spans as people read them; a long list is cut short.
fn spans_in_words(spans: &[Span]) -> String {
    let first: Vec<String> = spans.iter().take(3).map(Span::to_string).collect();
    match spans.len() {
        0 => "nothing".to_owned(),
        1..=3 => first.join(", "),
        more => format!("{} and {} more spans", first.join(", "), more - 3),
    }
}

fn read(path: &Path) -> Result<Vec<u8>, RecordError> {
    let mut bytes = Vec::new();
    let file = fs::File::open(path).map_err(fault("open", path))?;
    file.take(LONGEST_FILE + 1).read_to_end(&mut bytes).map_err(fault("read", path))?;
    match bytes.len() as u64 > LONGEST_FILE {
        true => Err(RecordError::Malformed { path: path.to_owned(), what: format!("longer than {LONGEST_FILE} bytes") }),
        false => Ok(bytes),
    }
}

/// What an observed state lacks for a complete snapshot, with the reasons.
fn missing(observed: &Observed, info: &SnapshotInfo) -> Vec<Missing> {
    let memory = |memory: Memory, contents: &Contents, bytes: u32| {
        let held: u32 = contents.bytes.within(Span::first(bytes)).map(|(_, run)| run.len() as u32).sum();
        let reason = contents.unreadable.clone().unwrap_or_else(|| "not read".to_owned());
        (held < bytes).then(|| Missing { what: format!("{}: {} of {bytes} bytes", memory.name(), bytes - held), reason })
    };
    let value = |there: bool, what: &str| (!there).then(|| Missing { what: what.to_owned(), reason: "not read".to_owned() });
    [
        value(observed.id.is_some(), "ID bytes"),
        value(observed.calibration.is_some(), "calibration byte"),
        value(observed.configuration.is_some(), "configuration"),
        value(observed.lock.is_some(), "lock byte"),
        memory(Memory::Flash, &observed.flash, info.flash_bytes),
        memory(Memory::Eeprom, &observed.eeprom, info.eeprom_bytes),
    ]
    .into_iter()
    .flatten()
    .collect()
}
