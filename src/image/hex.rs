//! Intel HEX, read. Source of the format: Intel, Hexadecimal Object File Format Specification, Revision A (1988), from memory.

use super::sparse::Builder;
use super::{ByteAddress, Image, Span};
use ihex::{ReaderError, Record};
use std::fmt;

/// The longest record in bytes: length, address (2), type, 255 data bytes, checksum.
const LONGEST: usize = 1 + 2 + 1 + 255 + 1;
/// What a record has besides its data.
const OVERHEAD: usize = 5;
const TYPE_DATA: u8 = 0;

/// What an Intel HEX file holds.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct HexFile {
    pub image: Image,
    /// Where execution starts, if a record says so (types 03 and 05). The chips of this tool do not care.
    pub start: Option<ByteAddress>,
}

/// What is wrong with an Intel HEX file. Lines count from 1.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum HexError {
    #[error("line {line}: not a record: found {found} at its start, expected ':'")]
    NotARecord { line: usize, found: Seen },
    #[error("line {line}: not hexadecimal: found {found} in column {column}, expected a digit 0 to 9 or A to F")]
    NotHexadecimal { line: usize, column: usize, found: Seen },
    #[error("line {line}: short record: found {found} characters, expected {expected} for {length}")]
    Short { line: usize, found: usize, expected: usize, length: LengthByte },
    #[error("line {line}: long record: found {found} characters, expected {expected} for {length}")]
    Long { line: usize, found: usize, expected: usize, length: LengthByte },
    #[error("line {line}: bad checksum: found 0x{found:02X}, expected 0x{expected:02X} from the record's other bytes")]
    Checksum { line: usize, found: u8, expected: u8 },
    #[error("line {line}: unknown record type: found 0x{found:02X}, expected 0x00 to 0x05")]
    UnknownType { line: usize, found: u8 },
    #[error("line {line}: wrong length of {what}: found {found} data bytes, expected {expected}")]
    WrongLength { line: usize, what: &'static str, found: u8, expected: u8 },
    #[error(
        "line {line}: address out of range: the record's {bytes} bytes from 0x{start:08X} on\n\
         pass 0xFFFFFFFE, the last address that an image can have"
    )]
    OutOfRange { line: usize, start: u64, bytes: usize },
    #[error(
        "line {line}, the last: missing end record: expected ':00000001FF' after it\n\
         The file is cut off. Get it again from where it was built."
    )]
    MissingEnd { line: usize },
    #[error("line {line}: data after the end record: found another line, expected none after line {end}")]
    AfterEnd { line: usize, end: usize },
    #[error(
        "line {line}: conflicting bytes for address {at}: found 0x{found:02X},\n\
         expected 0x{expected:02X} as line {earlier} has it"
    )]
    Conflict { line: usize, at: ByteAddress, found: u8, expected: u8, earlier: usize },
}

/// A byte of the file as a message names it: the character where it has one, its value where not.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Seen(pub u8);

impl fmt::Display for Seen {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            b' ' => write!(f, "a space"),
            graphic if graphic.is_ascii_graphic() => write!(f, "'{}'", char::from(graphic)),
            other => write!(f, "byte 0x{other:02X}"),
        }
    }
}

/// What a record's length byte asks for; `None` where the record ends before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LengthByte(pub Option<u8>);

impl fmt::Display for LengthByte {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            Some(bytes) => write!(f, "length byte 0x{bytes:02X}"),
            None => write!(f, "a record without data"),
        }
    }
}

/// Reads Intel HEX: all six record types, records of any length in any order, CRLF or LF, digits of either case.
///
/// Blank lines and blanks at a line's end are let pass. Of types 02 and 04 the record that came last holds. Equal bytes
/// may be given twice.
///
/// # Errors
/// The first mistake in the file; conflicting bytes when there is no other.
pub fn read(text: &[u8]) -> Result<HexFile, HexError> {
    let mut builder = Builder::default();
    let start = each_run(text, |_, span, bytes| builder.add(span, bytes))?;
    match builder.finish() {
        Ok(image) => Ok(HexFile { image, start }),
        Err(conflict) => Err(lines_in_conflict(text, conflict.at)),
    }
}

/// How the addresses of data records are meant, from the last record of type 02 or 04.
#[derive(Clone, Copy)]
enum Base {
    /// Offset added to it.
    Linear(u32),
    /// The same, but the sum of offset and position wraps at 64 KiB.
    Segment(u32),
}

/// Calls `sink` with line, span and bytes of each run of data, in the order of the file. Gives the start address.
fn each_run(text: &[u8], mut sink: impl FnMut(usize, Span, &[u8])) -> Result<Option<ByteAddress>, HexError> {
    let mut base = Base::Linear(0);
    let mut start = None;
    let mut end = None;
    let mut line = 0;
    let mut buffer = [0; LONGEST];
    for (n, text) in text.split(|byte| *byte == b'\n').enumerate() {
        let text = text.trim_ascii_end();
        if text.is_empty() {
            continue;
        }
        line = n + 1;
        if let Some(end) = end {
            return Err(HexError::AfterEnd { line, end });
        }
        let Some(record) = decode(text, &mut buffer) else { return Err(what_is_wrong(line, text)) };
        // Data records go this short way, which takes 0.4 of objcopy's time for 8 MiB of data. Crate ihex makes three
        // vectors for each record and would alone take 1.6 times objcopy's. The five other types are rare, and are the crate's.
        if record[3] == TYPE_DATA {
            let offset = u16::from_be_bytes([record[1], record[2]]);
            place(line, base, offset, &record[4..record.len() - 1], &mut sink)?;
            continue;
        }
        match other_record(line, text, record)? {
            Record::EndOfFile => end = Some(line),
            Record::ExtendedSegmentAddress(segment) => base = Base::Segment(u32::from(segment) << 4),
            Record::ExtendedLinearAddress(upper) => base = Base::Linear(u32::from(upper) << 16),
            Record::StartSegmentAddress { cs, ip } => start = Some(ByteAddress((u32::from(cs) << 4) + u32::from(ip))),
            Record::StartLinearAddress(at) => start = Some(ByteAddress(at)),
            Record::Data { .. } => {}
        }
    }
    if end.is_none() { Err(HexError::MissingEnd { line }) } else { Ok(start) }
}

/// Hands a data record's bytes on under the addresses that they belong to.
fn place(line: usize, base: Base, offset: u16, bytes: &[u8], sink: &mut impl FnMut(usize, Span, &[u8])) -> Result<(), HexError> {
    let mut give = |start: u64, bytes: &[u8]| {
        let span = u32::try_from(start).ok().and_then(|start| Span::sized(ByteAddress(start), bytes.len() as u32));
        let span = span.ok_or(HexError::OutOfRange { line, start, bytes: bytes.len() })?;
        sink(line, span, bytes);
        Ok(())
    };
    match base {
        Base::Linear(base) => give(u64::from(base) + u64::from(offset), bytes),
        Base::Segment(base) => {
            let to_wrap = 0x1_0000 - usize::from(offset);
            let (before, after) = bytes.split_at(to_wrap.min(bytes.len()));
            give(u64::from(base) + u64::from(offset), before)?;
            give(u64::from(base), after)
        }
    }
}

/// The record's bytes, if it is whole: digits only, as long as its length byte says, with the right checksum.
fn decode<'b>(text: &[u8], buffer: &'b mut [u8; LONGEST]) -> Option<&'b [u8]> {
    let digits = text.strip_prefix(b":")?;
    let (pairs, []) = digits.as_chunks::<2>() else { return None };
    let record = buffer.get_mut(..pairs.len())?;
    let mut all = 0;
    let mut sum = 0_u8;
    for (byte, [high, low]) in record.iter_mut().zip(pairs) {
        let (high, low) = (DIGIT[usize::from(*high)], DIGIT[usize::from(*low)]);
        all |= high | low;
        *byte = high << 4 | low;
        sum = sum.wrapping_add(*byte);
    }
    let whole = all <= 0xF && sum == 0 && record.len() == usize::from(*record.first()?) + OVERHEAD;
    whole.then_some(record)
}

/// The value of each hexadecimal digit; 0xFF for every other byte.
const DIGIT: [u8; 256] = {
    let mut table = [0xFF; 256];
    let mut value = 0;
    while value < 16 {
        table[b"0123456789ABCDEF"[value] as usize] = value as u8;
        table[b"0123456789abcdef"[value] as usize] = value as u8;
        value += 1;
    }
    table
};

/// Reads a record of another type than data; `record` is its bytes, whole and with the right checksum.
fn other_record(line: usize, text: &[u8], record: &[u8]) -> Result<Record, HexError> {
    let parsed = str::from_utf8(text).map_err(|_| ReaderError::ContainsInvalidCharacters).and_then(Record::from_record_string);
    let (what, expected) = match record[3] {
        1 => ("an end record", 0),
        2 => ("a segment address record (type 02)", 2),
        3 => ("a start segment record (type 03)", 4),
        4 => ("a linear address record (type 04)", 2),
        _ => ("a start address record (type 05)", 4),
    };
    parsed.map_err(|error| match error {
        ReaderError::InvalidLengthForType => HexError::WrongLength { line, what, found: record[0], expected },
        _ => HexError::UnknownType { line, found: record[3] },
    })
}

/// Says why a record is not whole. `text` is one for which [`decode`] gave nothing.
fn what_is_wrong(line: usize, text: &[u8]) -> HexError {
    let first = text.first().copied().unwrap_or_default();
    let Some(digits) = text.strip_prefix(b":") else { return HexError::NotARecord { line, found: Seen(first) } };
    if let Some(n) = digits.iter().position(|byte| !byte.is_ascii_hexdigit()) {
        return HexError::NotHexadecimal { line, column: n + 2, found: Seen(digits[n]) };
    }
    let bytes: Vec<u8> = digits.chunks(2).map(|pair| pair.iter().fold(0, |value, digit| value << 4 | DIGIT[usize::from(*digit)])).collect();
    let length = LengthByte(bytes.first().copied().filter(|_| digits.len() >= 2));
    let expected = 1 + 2 * (usize::from(length.0.unwrap_or(0)) + OVERHEAD);
    let found = text.len();
    match found.cmp(&expected) {
        std::cmp::Ordering::Less => HexError::Short { line, found, expected, length },
        std::cmp::Ordering::Greater => HexError::Long { line, found, expected, length },
        std::cmp::Ordering::Equal => {
            let (checksum, rest) = bytes.split_last().unwrap_or((&0, &[]));
            HexError::Checksum { line, found: *checksum, expected: ihex::checksum(rest) }
        }
    }
}

/// Names the two lines that give `at` different bytes: reads the file once more, as only this rare error needs lines.
fn lines_in_conflict(text: &[u8], at: ByteAddress) -> HexError {
    let mut first: Option<(usize, u8)> = None;
    let mut second: Option<(usize, u8)> = None;
    let read = each_run(text, |line, span, bytes| {
        let Some(byte) = span.contains(at).then(|| bytes[(at.0 - span.start().0) as usize]) else { return };
        match first {
            None => first = Some((line, byte)),
            Some((_, held)) if held != byte && second.is_none() => second = Some((line, byte)),
            Some(_) => {}
        }
    });
    let ((earlier, expected), (line, found)) = (first.unwrap_or_default(), second.unwrap_or_default());
    read.err().unwrap_or(HexError::Conflict { line, at, found, expected, earlier })
}
