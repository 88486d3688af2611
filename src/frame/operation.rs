//! Operations as bytes.

use super::fields::{Malformed, Reader, number_bytes, put_block, put_number};
use super::pattern::{BadPattern, Repetitions, SLOTS_MAX, data_bytes};
use crate::bus::{Drive, Line, Operation, Outcome, Pattern, Slot, SlotKind};
use crate::units::Hertz;
use std::time::Duration;

const LINE: u8 = 0x01;
const SPI_CLOCK: u8 = 0x02;
const TRANSFER: u8 = 0x03;
const POLL: u8 = 0x04;
const DELAY: u8 = 0x05;
const CLOCK_OUTPUT: u8 = 0x06;
const MEASURE_SUPPLY: u8 = 0x07;
const READ_LINES: u8 = 0x08;
const PATTERN_DISCARD: u8 = 0x10;
const PATTERN_RETURN: u8 = 0x11;
const PATTERN_COMPARE: u8 = 0x12;
const PATTERN_CRC32: u8 = 0x13;

/// The mark of a slot that is not 8 bits at a whole byte.
const LONG_SLOT: u8 = 0x80;

/// Why an operation cannot be carried out by any bridge.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadOperation {
    #[error("pattern: {0}")]
    Pattern(#[from] BadPattern),
    #[error("{} s is longer than the {} s that fit an operation", .0.as_secs(), u32::MAX / 1_000_000)]
    TooLong(Duration),
    #[error("a clock of 0 Hz")]
    NoClock,
    #[error("a poll looks at byte {byte} of {length}")]
    PollByte { byte: u8, length: usize },
}

/// Checks what an operation must keep to with every bridge.
///
/// # Errors
/// The first rule that is broken.
pub fn check(operation: &Operation) -> Result<(), BadOperation> {
    match operation {
        Operation::SpiClock(Hertz(0)) | Operation::ClockOutput(Some(Hertz(0))) => Err(BadOperation::NoClock),
        Operation::Pattern(pattern) => Repetitions::of(pattern).map(|_| ()).map_err(BadOperation::Pattern),
        Operation::Poll { send, byte, .. } if usize::from(*byte) >= send.len() => {
            Err(BadOperation::PollByte { byte: *byte, length: send.len() })
        }
        Operation::Delay(time) | Operation::Poll { limit: time, .. } => microseconds(*time).map(|_| ()),
        Operation::Line { .. } | Operation::SpiClock(_) | Operation::ClockOutput(_) | Operation::Transfer(_) => Ok(()),
        Operation::MeasureSupply | Operation::ReadLines => Ok(()),
    }
}

/// How many bytes of a frame's body an operation takes.
///
/// # Errors
/// As [`check`].
pub fn encoded_bytes(operation: &Operation) -> Result<usize, BadOperation> {
    let mut bytes = Vec::new();
    put(&mut bytes, operation)?;
    Ok(bytes.len())
}

/// How many bytes of an answer's body an operation's reply takes at most. For an operation that [`check`] lets pass.
#[must_use]
pub fn reply_bytes_max(operation: &Operation) -> usize {
    let block = |bytes: usize| 1 + number_bytes(bytes) + bytes;
    match operation {
        Operation::Line { .. } | Operation::Delay(_) | Operation::ClockOutput(_) => 1,
        Operation::SpiClock(_) => 1 + 5,
        Operation::MeasureSupply => 1 + 3,
        Operation::ReadLines => 1 + 1,
        Operation::Transfer(send) | Operation::Poll { send, .. } => block(send.len()),
        Operation::Pattern(pattern) => match pattern.outcome {
            Outcome::Discard | Outcome::Compare => 1,
            Outcome::Return | Outcome::Crc32 { .. } => block(usize::try_from(replied(pattern)).unwrap_or(usize::MAX / 2)),
        },
    }
}

/// The larger one of what an operation carries and what its reply carries, in bytes; compared with a bridge's largest block.
#[must_use]
pub fn block_bytes(operation: &Operation) -> u64 {
    match operation {
        Operation::Transfer(send) | Operation::Poll { send, .. } => send.len() as u64,
        Operation::Pattern(pattern) => replied(pattern).max(pattern.data.len() as u64),
        _ => 0,
    }
}

/// The bytes that a pattern's reply carries.
fn replied(pattern: &Pattern) -> u64 {
    let captures = pattern.slots.iter().filter(|slot| slot.kind == SlotKind::Capture).count() as u64;
    let captured = captures * u64::from(pattern.repeat);
    match pattern.outcome {
        Outcome::Discard | Outcome::Compare => 0,
        Outcome::Return => captured,
        Outcome::Crc32 { every } => captured.div_ceil(u64::from(every.max(1))) * 4,
    }
}

/// Whole microseconds, rounded up.
fn microseconds(time: Duration) -> Result<u32, BadOperation> {
    u32::try_from(time.as_nanos().div_ceil(1000)).map_err(|_| BadOperation::TooLong(time))
}

fn time_from(microseconds: u32) -> Duration {
    Duration::from_micros(u64::from(microseconds))
}

/// Appends an operation.
pub(super) fn put(into: &mut Vec<u8>, operation: &Operation) -> Result<(), BadOperation> {
    check(operation)?;
    match operation {
        Operation::Line { line, drive } => into.extend([LINE, line_code(*line) << 4 | drive_code(*drive)]),
        Operation::SpiClock(Hertz(hz)) => {
            into.push(SPI_CLOCK);
            put_number(into, *hz);
        }
        Operation::Transfer(send) => {
            into.push(TRANSFER);
            put_block(into, send);
        }
        Operation::Poll { send, byte, mask, value, limit } => {
            into.push(POLL);
            put_block(into, send);
            into.extend([*byte, *mask, *value]);
            put_number(into, microseconds(*limit)?);
        }
        Operation::Delay(time) => {
            into.push(DELAY);
            put_number(into, microseconds(*time)?);
        }
        Operation::ClockOutput(clock) => {
            into.push(CLOCK_OUTPUT);
            put_number(into, clock.map_or(0, |hertz| hertz.0));
        }
        Operation::MeasureSupply => into.push(MEASURE_SUPPLY),
        Operation::ReadLines => into.push(READ_LINES),
        Operation::Pattern(pattern) => put_pattern(into, pattern),
    }
    Ok(())
}

/// A sound pattern. The length of its data follows from the other fields and is not sent.
fn put_pattern(into: &mut Vec<u8>, pattern: &Pattern) {
    into.push(match pattern.outcome {
        Outcome::Discard => PATTERN_DISCARD,
        Outcome::Return => PATTERN_RETURN,
        Outcome::Compare => PATTERN_COMPARE,
        Outcome::Crc32 { .. } => PATTERN_CRC32,
    });
    let sizes = (pattern.template.len() - 1) << 4 | pattern.slots.len();
    into.push(sizes.to_le_bytes()[0]);
    into.extend_from_slice(&pattern.template);
    for slot in &pattern.slots {
        put_slot(into, *slot);
    }
    put_number(into, pattern.first);
    put_number(into, pattern.repeat);
    if let Outcome::Crc32 { every } = pattern.outcome {
        put_number(into, every);
    }
    into.extend_from_slice(&pattern.data);
}

fn put_slot(into: &mut Vec<u8>, slot: Slot) {
    let kind = match slot.kind {
        SlotKind::Counter => 1 << 4,
        SlotKind::Data => 2 << 4,
        SlotKind::Capture => 3 << 4,
    };
    match slot.width == 8 && slot.bit.is_multiple_of(8) {
        true => into.push(kind | (slot.bit / 8)),
        false => into.extend([LONG_SLOT | kind, slot.bit, slot.width]),
    }
}

/// Takes an operation.
pub(super) fn take(reader: &mut Reader) -> Result<Operation, Malformed> {
    let operation = match reader.byte("operation code")? {
        LINE => take_line(reader.byte("line")?)?,
        SPI_CLOCK => Operation::SpiClock(Hertz(reader.number("SPI clock")?)),
        TRANSFER => Operation::Transfer(reader.block("bytes to send")?.to_vec()),
        POLL => {
            let send = reader.block("bytes to send")?.to_vec();
            let [byte, mask, value] = reader.array("poll condition")?;
            Operation::Poll { send, byte, mask, value, limit: time_from(reader.number("poll limit")?) }
        }
        DELAY => Operation::Delay(time_from(reader.number("delay")?)),
        CLOCK_OUTPUT => match reader.number("clock output")? {
            0 => Operation::ClockOutput(None),
            hz => Operation::ClockOutput(Some(Hertz(hz))),
        },
        MEASURE_SUPPLY => Operation::MeasureSupply,
        READ_LINES => Operation::ReadLines,
        code @ PATTERN_DISCARD..=PATTERN_CRC32 => Operation::Pattern(take_pattern(reader, code)?),
        code => return Err(Malformed::Value { field: "operation code", value: u32::from(code) }),
    };
    check(&operation)?;
    Ok(operation)
}

fn take_pattern(reader: &mut Reader, code: u8) -> Result<Pattern, Malformed> {
    let sizes = reader.byte("pattern sizes")?;
    let (template_bytes, slots) = (usize::from(sizes >> 4) + 1, usize::from(sizes & 0x0F));
    if slots > SLOTS_MAX {
        return Err(BadOperation::Pattern(BadPattern::Slots(slots)).into());
    }
    let template = reader.bytes(template_bytes, "template")?.to_vec();
    let slots = (0..slots).map(|_| take_slot(reader)).collect::<Result<Vec<Slot>, Malformed>>()?;
    let first = reader.number("first counter")?;
    let repeat = reader.number("repetitions")?;
    let outcome = match code {
        PATTERN_DISCARD => Outcome::Discard,
        PATTERN_RETURN => Outcome::Return,
        PATTERN_COMPARE => Outcome::Compare,
        _ => Outcome::Crc32 { every: reader.number("bytes a CRC")? },
    };
    let count = |kind| slots.iter().filter(|slot| slot.kind == kind).count();
    let length = data_bytes(outcome, count(SlotKind::Data), count(SlotKind::Capture), repeat);
    let data = reader.bytes(usize::try_from(length).unwrap_or(usize::MAX), "pattern data")?.to_vec();
    Ok(Pattern { template, slots, first, repeat, data, outcome })
}

fn take_slot(reader: &mut Reader) -> Result<Slot, Malformed> {
    let head = reader.byte("slot")?;
    let kind = match head >> 4 & 0x07 {
        1 => SlotKind::Counter,
        2 => SlotKind::Data,
        3 => SlotKind::Capture,
        _ => return Err(Malformed::Value { field: "slot", value: u32::from(head) }),
    };
    if head & LONG_SLOT == 0 {
        return Ok(Slot { kind, bit: (head & 0x0F) * 8, width: 8 });
    }
    if head & 0x0F != 0 {
        return Err(Malformed::Value { field: "slot", value: u32::from(head) });
    }
    let [bit, width] = reader.array("slot")?;
    Ok(Slot { kind, bit, width })
}

fn line_code(line: Line) -> u8 {
    match line {
        Line::Reset => 0,
        Line::Power => 1,
    }
}

fn drive_code(drive: Drive) -> u8 {
    match drive {
        Drive::Low => 0,
        Drive::High => 1,
        Drive::Release => 2,
    }
}

fn take_line(code: u8) -> Result<Operation, Malformed> {
    let meaningless = Malformed::Value { field: "line", value: u32::from(code) };
    let line = match code >> 4 {
        0 => Line::Reset,
        1 => Line::Power,
        _ => return Err(meaningless),
    };
    let drive = match code & 0x0F {
        0 => Drive::Low,
        1 => Drive::High,
        2 => Drive::Release,
        _ => return Err(meaningless),
    };
    Ok(Operation::Line { line, drive })
}
