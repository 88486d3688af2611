//! `snapshot.toml`: its text, and the values that the text stands for.
//!
//! The first key is the format's version and the second a CRC-32 over everything below that line, because this file is the only
//! copy of the configuration and lock bytes. Line ends may have become CRLF on the way; they do not count. Other keys:
//!
//! ```text
//! date, board, chip, tag, bridge, before_change,       as in `SnapshotInfo`
//! simulated, made_by
//! id_bytes, calibration, configuration, lock           hexadecimal bytes; not there where not read
//! [access]                                             how the chip was reached
//! [flash], [eeprom]                                    size of the memory; CRC-32, SHA-256 and spans of the bytes in its file
//! [[missing]]                                          what is not in the snapshot, and why
//! ```

use super::{Missing, SnapshotHead, SnapshotInfo};
use crate::board::Way;
use crate::image::{ByteAddress, Image, Sha256, Span};
use crate::plan::{Access, Contents, Observed};
use crate::record::{RecordError, date};
use crate::units::{Hertz, Hex, Millivolts};
use serde::{Deserialize, Serialize};
use std::path::Path;

pub(super) const MANIFEST: &str = "snapshot.toml";
pub(super) const FLASH: &str = "flash.hex";
pub(super) const EEPROM: &str = "eeprom.hex";

/// The format written. Every earlier one must stay readable: the first had no SHA-256 and did not say what the snapshot was taken for.
const FORMAT: i64 = 2;

/// What the two lines above the checked part hold.
#[derive(Deserialize)]
struct Top {
    format: i64,
    crc32_below: String,
}

/// What is below them, key by key.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Below {
    date: String,
    board: String,
    chip: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    tag: Option<String>,
    bridge: String,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    before_change: bool,
    simulated: bool,
    made_by: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    id_bytes: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    calibration: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    configuration: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    lock: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    access: Option<StoredAccess>,
    flash: StoredMemory,
    eeprom: StoredMemory,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    missing: Vec<StoredMissing>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StoredAccess {
    way_in: Way,
    programming_clock_hz: u32,
    #[serde(skip_serializing_if = "Option::is_none")]
    clock_output_hz: Option<u32>,
    tries: u32,
    #[serde(skip_serializing_if = "Option::is_none")]
    supply_mv: Option<u16>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pin_level_mv: Option<u16>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StoredMemory {
    size: u32,
    crc32: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    sha256: Option<Sha256>,
    #[serde(skip_serializing_if = "Option::is_none")]
    unreadable: Option<String>,
    spans: Vec<StoredSpan>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StoredSpan {
    start: u32,
    end: u32,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StoredMissing {
    what: String,
    reason: String,
}

/// What the file says of a memory's own file.
pub(super) struct MemoryFacts {
    pub(super) crc32: u32,
    pub(super) sha256: Option<Sha256>,
    pub(super) spans: Vec<Span>,
}

/// The file's values. The memories of `observed` are still empty.
pub(super) struct Head {
    pub(super) head: SnapshotHead,
    pub(super) flash: MemoryFacts,
    pub(super) eeprom: MemoryFacts,
    observed: Observed,
}

impl Head {
    pub(super) fn with_memories(self, flash: Image, eeprom: Image) -> (SnapshotHead, Observed) {
        let mut observed = self.observed;
        observed.flash.bytes = flash;
        observed.eeprom.bytes = eeprom;
        (self.head, observed)
    }
}

/// The text of the file.
pub(super) fn write(head: &SnapshotHead, observed: &Observed) -> Result<String, toml::ser::Error> {
    let info = &head.info;
    let below = toml::to_string(&Below {
        date: date::to_microsecond(info.date),
        board: info.board.clone(),
        chip: info.chip.clone(),
        tag: info.tag.clone(),
        bridge: info.bridge.clone(),
        before_change: info.before_change,
        simulated: info.simulated,
        made_by: info.made_by.clone(),
        id_bytes: observed.id.map(|id| Hex(&id).to_string()),
        calibration: observed.calibration.map(|byte| Hex(&[byte]).to_string()),
        configuration: observed.configuration.as_deref().map(|bytes| Hex(bytes).to_string()),
        lock: observed.lock.map(|byte| Hex(&[byte]).to_string()),
        access: observed.access.as_ref().map(store_access),
        flash: store_memory(&observed.flash, info.flash_bytes),
        eeprom: store_memory(&observed.eeprom, info.eeprom_bytes),
        missing: head.missing.iter().map(|m| StoredMissing { what: m.what.clone(), reason: m.reason.clone() }).collect(),
    })?;
    let crc = crc32(&below);
    Ok(format!("format = {FORMAT}\ncrc32_below = \"0x{crc:08X}\"\n{below}"))
}

/// The values of a file's text; `path` is for messages.
pub(super) fn parse(path: &Path, text: &str) -> Result<Head, RecordError> {
    let malformed = |what: String| RecordError::Malformed { path: path.to_owned(), what };
    let text = text.replace("\r\n", "\n");
    let top: Top = toml::from_str(&text).map_err(|error| malformed(error.to_string()))?;
    match top.format {
        1..=FORMAT => {}
        ..=0 => return Err(malformed(format!("format is {}, and the first there ever was is 1", top.format))),
        found => return Err(RecordError::TooNew { path: path.to_owned(), newest: FORMAT, found }),
    }
    let below = text.splitn(3, '\n').nth(2).unwrap_or_default();
    let expected = parse_crc(&top.crc32_below).ok_or_else(|| malformed(format!("crc32_below is {:?}", top.crc32_below)))?;
    let found = crc32(below);
    if found != expected {
        return Err(RecordError::Checksum { path: path.to_owned(), expected, found });
    }
    let below: Below = toml::from_str(below).map_err(|error| malformed(error.to_string()))?;
    values(below).map_err(malformed)
}

/// What the keys stand for; an error is a key whose text stands for nothing.
fn values(below: Below) -> Result<Head, String> {
    let one = |key: &str, text: Option<String>| text.map(|text| array_of(key, &text).map(|[byte]| byte)).transpose();
    let info = SnapshotInfo {
        date: date::parse(&below.date).ok_or_else(|| format!("date is {:?}, which is not an RFC 3339 date", below.date))?,
        board: below.board,
        chip: below.chip,
        tag: below.tag,
        made_by: below.made_by,
        bridge: below.bridge,
        before_change: below.before_change,
        simulated: below.simulated,
        flash_bytes: below.flash.size,
        eeprom_bytes: below.eeprom.size,
    };
    let missing = below.missing.into_iter().map(|m| Missing { what: m.what, reason: m.reason }).collect();
    let (flash, eeprom) = (memory_facts("flash", &below.flash)?, memory_facts("eeprom", &below.eeprom)?);
    let observed = Observed {
        id: below.id_bytes.map(|text| array_of("id_bytes", &text)).transpose()?,
        calibration: one("calibration", below.calibration)?,
        configuration: below.configuration.map(|text| bytes_of("configuration", &text)).transpose()?,
        lock: one("lock", below.lock)?,
        access: below.access.map(access_of),
        flash: Contents { bytes: Image::default(), unreadable: below.flash.unreadable },
        eeprom: Contents { bytes: Image::default(), unreadable: below.eeprom.unreadable },
    };
    Ok(Head { head: SnapshotHead { info, missing }, flash, eeprom, observed })
}

fn store_access(access: &Access) -> StoredAccess {
    StoredAccess {
        way_in: access.way,
        programming_clock_hz: access.programming_clock.0,
        clock_output_hz: access.clock_output.map(|clock| clock.0),
        tries: access.tries,
        supply_mv: access.supply.map(|supply| supply.0),
        pin_level_mv: access.pin_level.map(|level| level.0),
    }
}

fn access_of(stored: StoredAccess) -> Access {
    Access {
        way: stored.way_in,
        programming_clock: Hertz(stored.programming_clock_hz),
        clock_output: stored.clock_output_hz.map(Hertz),
        tries: stored.tries,
        supply: stored.supply_mv.map(Millivolts),
        pin_level: stored.pin_level_mv.map(Millivolts),
    }
}

fn store_memory(contents: &Contents, size: u32) -> StoredMemory {
    let span = |span: Span| StoredSpan { start: span.start().0, end: span.end().0 };
    StoredMemory {
        size,
        crc32: format!("0x{:08X}", contents.bytes.crc32()),
        sha256: Some(contents.bytes.sha256()),
        unreadable: contents.unreadable.clone(),
        spans: contents.bytes.spans().map(span).collect(),
    }
}

fn memory_facts(key: &str, stored: &StoredMemory) -> Result<MemoryFacts, String> {
    let crc32 = parse_crc(&stored.crc32).ok_or_else(|| format!("{key}.crc32 is {:?}", stored.crc32))?;
    let span = |s: &StoredSpan| {
        Span::new(ByteAddress(s.start), ByteAddress(s.end)).ok_or_else(|| format!("{key}.spans: {} is after {}", s.start, s.end))
    };
    Ok(MemoryFacts { crc32, sha256: stored.sha256, spans: stored.spans.iter().map(span).collect::<Result<_, _>>()? })
}

fn parse_crc(text: &str) -> Option<u32> {
    u32::from_str_radix(text.strip_prefix("0x")?, 16).ok()
}

/// The bytes of a text of [`Hex`].
fn bytes_of(key: &str, text: &str) -> Result<Vec<u8>, String> {
    let byte = |pair: &str| u8::from_str_radix(pair, 16).ok();
    text.split_whitespace().map(byte).collect::<Option<_>>().ok_or_else(|| format!("{key} is {text:?}, which is not hexadecimal bytes"))
}

/// Exactly `N` bytes of such a text.
fn array_of<const N: usize>(key: &str, text: &str) -> Result<[u8; N], String> {
    <[u8; N]>::try_from(bytes_of(key, text)?).map_err(|found| format!("{key} has {} bytes; expected {N}", found.len()))
}

fn crc32(text: &str) -> u32 {
    Image::of(ByteAddress(0), text.as_bytes()).crc32()
}
