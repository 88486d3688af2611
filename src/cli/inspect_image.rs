//! What `inspect FILE` says of an image: as text, and as JSON.

use super::map::{self, Ink, Mark};
use super::output::JSON_VERSION;
use crate::board::{Board, Chip};
use crate::image::{ByteAddress, Image, ImageFile, Memory, Span, Vector, start_at, vectors};
use crate::units::{Bytes, Count};
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;

/// Spans that are listed; JSON has all of them.
const SPANS_LISTED: usize = 12;
/// Memories with at most this many bytes are shown byte by byte.
const BYTES_SHOWN: usize = 16;
/// Without a chip the map begins at 0 if the image ends before this, and at the image's first byte if not.
const MAP_FROM_ZERO_UP_TO: u32 = 16 << 20;

/// The text for people, line by line, at most `width` columns each.
///
/// With a board: the vector table as its chip reads it, the configuration in words, and the map of its whole flash.
pub fn text(name: &str, file: &ImageFile, on: Option<(&Board, &Chip)>, width: usize, ink: Ink) -> Vec<String> {
    let mut lines = vec![format!("{name}: {}", file.format.words())];
    if file.memories.is_empty() {
        lines.push("It holds no bytes.".to_string());
    }
    for (memory, image) in &file.memories {
        lines.push(String::new());
        lines.push(summary(*memory, image, on.map(|(_, chip)| chip)));
        lines.extend(listed_spans(image));
        lines.extend(contents(*memory, image, on.map(|(_, chip)| chip)));
    }
    if !file.left_out.is_empty() {
        lines.push(String::new());
        lines.extend(file.left_out.iter().cloned());
    }
    if let Some((board, chip)) = on {
        lines.extend(how_it_starts(file.flash(), board, chip));
    } else if !file.flash().is_empty() {
        lines.push(String::new());
        lines.push("With --board NAME: the vector table as that board's chip reads it.".to_string());
    }
    lines.extend(memory_map(file.flash(), on, width, ink));
    lines
}

/// `flash: 304 bytes in 1 span, 0.2 % of the ATmega1284P's, CRC-32 0x1234ABCD`
fn summary(memory: Memory, image: &Image, chip: Option<&Chip>) -> String {
    let spans = Count(image.spans().count(), "span");
    let shape = chip.and_then(|chip| match memory {
        Memory::Flash => Some((chip, chip.flash.bytes)),
        Memory::Eeprom => Some((chip, chip.eeprom.bytes)),
        Memory::Configuration | Memory::Lock => None,
    });
    let share = shape.map(|(chip, bytes)| format!(", {:.1} % of the {}'s", 100.0 * image.len() as f64 / f64::from(bytes), chip.part));
    let (name, held) = (memory.name(), Bytes(image.len() as u64));
    format!("{name}: {held} in {spans}{}, CRC-32 0x{:08X}", share.unwrap_or_default(), image.crc32())
}

fn listed_spans(image: &Image) -> Vec<String> {
    let line = |span: Span| format!("  {span}  {}", Bytes(u64::from(span.len())));
    let mut lines: Vec<String> = image.spans().take(SPANS_LISTED).map(line).collect();
    let more = image.spans().count().saturating_sub(SPANS_LISTED);
    if more > 0 {
        lines.push(format!("  and {more} more, which --json lists"));
    }
    lines
}

/// The bytes themselves where they are few; what they mean where a chip can tell.
fn contents(memory: Memory, image: &Image, chip: Option<&Chip>) -> Vec<String> {
    if memory == Memory::Flash || image.len() > BYTES_SHOWN {
        return Vec::new();
    }
    let hex = |bytes: &[u8]| bytes.iter().fold(String::new(), |text, byte| text + &format!(" {byte:02X}"));
    let mut lines: Vec<String> = image.runs().map(|(at, bytes)| format!("  {at}:{}", hex(bytes))).collect();
    let from_zero = image.runs().next().filter(|(at, _)| at.0 == 0).map(|(_, bytes)| bytes);
    let (Some(chip), Some(bytes)) = (chip, from_zero) else { return lines };
    let settings = match memory {
        Memory::Configuration => chip.decode(bytes),
        Memory::Lock => bytes.first().map(|lock| chip.decode_lock(*lock)).unwrap_or_default(),
        Memory::Flash | Memory::Eeprom => Vec::new(),
    };
    for setting in settings {
        lines.push(format!("  {} = {}", setting.field.name, setting.name()));
        lines.push(format!("      {}", setting.words()));
    }
    lines
}

/// What the chip finds at each address where reset may lead: 0, and the board's reservation.
fn how_it_starts(flash: &Image, board: &Board, chip: &Chip) -> Vec<String> {
    let reserved = board.reservation.as_ref().map(|reservation| reservation.span.start());
    let mut lines = Vec::new();
    for entry in [Some(ByteAddress(0)), reserved].into_iter().flatten().filter(|entry| flash.byte(*entry).is_some()) {
        lines.push(String::new());
        let table = vectors(flash, entry, chip.core());
        if table.len() < 2 {
            lines.push(format!("at {entry}, as an {} reads it: {}", chip.part, start_at(flash, entry, chip.core())));
            continue;
        }
        lines.push(format!("vector table at {entry}, as an {} reads it: {} vectors", chip.part, table.len()));
        lines.extend(vector_lines(&table));
    }
    let outside = flash.len() - flash.crop(chip.flash_span()).len();
    if outside > 0 {
        lines.push(String::new());
        lines.push(format!("{} lie outside the flash of an {} ({}).", Bytes(outside as u64), chip.part, chip.flash_span()));
    }
    lines
}

/// Reset and each vector with a target of its own, then those that share one.
fn vector_lines(table: &[Vector]) -> Vec<String> {
    let mut sharing: BTreeMap<ByteAddress, usize> = BTreeMap::new();
    table.iter().skip(1).for_each(|vector| *sharing.entry(vector.to).or_default() += 1);
    let note = |lands: bool| if lands { "" } else { ", where the image holds nothing" };
    let line = |(n, vector): (usize, &Vector)| {
        let name = if n == 0 { "reset".to_string() } else { format!("vector {n}") };
        format!("  {name:<10} {}  leads to {}{}", vector.at, vector.to, note(vector.lands))
    };
    let own = |(n, vector): &(usize, &Vector)| *n == 0 || sharing.get(&vector.to) == Some(&1);
    let mut lines: Vec<String> = table.iter().enumerate().filter(own).map(line).collect();
    for (to, count) in sharing.iter().filter(|(_, count)| **count > 1) {
        let lands = table.iter().any(|vector| vector.to == *to && vector.lands);
        lines.push(format!("  {count} others          lead to {to}{}", note(lands)));
    }
    lines
}

fn memory_map(flash: &Image, on: Option<(&Board, &Chip)>, width: usize, ink: Ink) -> Vec<String> {
    let Some(extent) = flash.extent() else { return Vec::new() };
    let whole = match on {
        Some((_, chip)) => chip.flash_span(),
        None if extent.end().0 <= MAP_FROM_ZERO_UP_TO => Span::first(extent.end().0.next_power_of_two()),
        None => extent,
    };
    let reservation = on.and_then(|(board, _)| board.reservation.as_ref()).map(|reservation| reservation.span);
    let mut marks: Vec<Mark> = flash.spans().map(|span| Mark { span, label: "image" }).collect();
    let free = reservation.map(|span| flash.gaps(span)).unwrap_or_default();
    marks.extend(free.into_iter().map(|span| Mark { span, label: "reservation" }));
    let mut lines = vec![String::new()];
    lines.extend(map::draw(whole, &marks, "nothing", width, ink));
    lines
}

/// The JSON of `inspect FILE --json`.
///
/// | field | |
/// | --- | --- |
/// | `version` | number: of this document, now 1 |
/// | `file` | text: the file's name as it was given |
/// | `format` | text: `intel-hex`, `elf` or `binary` |
/// | `bytes` | number: how many bytes the image has for the flash |
/// | `spans` | list of `{start, end}` in address order: numbers, `end` exclusive; none touches the next |
/// | `crc32` | number: CRC-32/ISO-HDLC over those bytes in address order, gaps left out |
/// | `start` | number: the start address that the file carries; left out where it has none |
/// | `memories` | only where the file has bytes for another memory than the flash: see below |
/// | `left_out` | list of sentences: what the file has besides; left out where there is nothing |
///
/// `memories` has each memory's name (`flash`, `eeprom`, `configuration`, `lock`) with its own `bytes`, `spans` and `crc32`;
/// addresses count from the memory's first byte.
pub fn json(name: &str, file: &ImageFile) -> Value {
    let mut document = image_fields(file.flash());
    document.insert("version".to_string(), json!(JSON_VERSION));
    document.insert("file".to_string(), json!(name));
    document.insert("format".to_string(), json!(file.format));
    if let Some(start) = file.start {
        document.insert("start".to_string(), json!(start));
    }
    if file.others().next().is_some() {
        let memories = file.memories.iter().map(|(memory, image)| (memory.name().to_string(), Value::Object(image_fields(image))));
        document.insert("memories".to_string(), Value::Object(memories.collect()));
    }
    if !file.left_out.is_empty() {
        document.insert("left_out".to_string(), json!(file.left_out));
    }
    Value::Object(document)
}

fn image_fields(image: &Image) -> Map<String, Value> {
    let spans: Vec<Value> = image.spans().map(|span| json!({ "start": span.start(), "end": span.end() })).collect();
    Map::from_iter([
        ("bytes".to_string(), json!(image.len())),
        ("spans".to_string(), Value::Array(spans)),
        ("crc32".to_string(), json!(image.crc32())),
    ])
}
