//! What can go wrong between an algorithm and a chip.

use super::avr_spi::NoAnswer;
use crate::bus::BusError;
use crate::image::{ByteAddress, Memory, Span};
use crate::units::Hertz;
use std::fmt;
use std::time::Duration;

/// What an algorithm was doing, as messages say it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Task {
    /// Supply and lines, without the chip's help.
    Measuring,
    Entering,
    Identifying,
    Erasing,
    Reading(Memory, Span),
    Writing(Memory, Span),
    /// A configuration byte, by its place in the chip's own order.
    WritingConfiguration(usize),
    WritingLock,
    Releasing,
}

impl fmt::Display for Task {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Task::Measuring => write!(f, "measuring supply and lines"),
            Task::Entering => write!(f, "entering programming mode"),
            Task::Identifying => write!(f, "reading ID, configuration and lock"),
            Task::Erasing => write!(f, "erasing the chip"),
            Task::Reading(memory, span) => write!(f, "reading {} {span}", memory.name()),
            Task::Writing(memory, span) => write!(f, "writing {} {span}", memory.name()),
            Task::WritingConfiguration(byte) => write!(f, "writing configuration byte {byte}"),
            Task::WritingLock => write!(f, "writing the lock byte"),
            Task::Releasing => write!(f, "letting the chip go"),
        }
    }
}

/// Why an algorithm gave up. Lines are at most 100 columns long.
#[derive(Debug, thiserror::Error)]
pub enum AlgorithmError {
    /// No entry succeeded; the evidence says which line looks wrong.
    #[error(transparent)]
    NoAnswer(Box<NoAnswer>),
    /// The bridge cannot make any programming clock that this chip would bear.
    #[error(
        "this bridge makes programming clocks from {slowest} to {fastest}, and the chip bears none of them.\n\
         Use a bridge with a slower SPI clock."
    )]
    NoClockInRange { slowest: Hertz, fastest: Hertz },
    /// The bridge or the connection to it failed.
    #[error("{task} was not finished:\n{source}")]
    Bus { task: Task, source: BusError },
    /// RDY/BSY did not say ready within four times the longest time of the datasheet.
    #[error(
        "{task} was not finished: the chip was still busy after {} ms,\n\
         four times what its datasheet allows (last answer {last:02X}).\n\
         Check the board's supply and the MISO line, then run the same command again.",
        limit.as_millis()
    )]
    StillBusy { task: Task, limit: Duration, last: u8 },
    /// The chip gave one thing, then another.
    #[error(
        "{task}: two reads one after the other differ:\n{first:02X?}, then\n{second:02X?}.\n\
         The connection is not reliable: shorten the wires and check ground."
    )]
    Unsteady { task: Task, first: Vec<u8>, second: Vec<u8> },
    /// A lock bit forbids it.
    #[error(
        "{task} is not possible: the chip is locked (lock byte {lock:02X}).\n\
         It would give other bytes and drop what is written. Only a chip erase lifts the lock."
    )]
    Locked { task: Task, lock: u8 },
    /// A configuration or lock byte did not take the value written.
    #[error(
        "{task}: wrote {written:02X}, but {found:02X} reads back (bits that count: {used:02X}).\n\
         The chip may be locked; lock bits go back to 1 only by a chip erase."
    )]
    NotTaken { task: Task, written: u8, found: u8, used: u8 },
    /// A configuration byte changed that was not written.
    #[error(
        "{task}: byte {byte} was not written and changed from {before:02X} to {after:02X}.\n\
         The new value counts once the chip starts. Run the same command again, which sets it right."
    )]
    OtherByteChanged { task: Task, byte: usize, before: u8, after: u8 },
    /// Outside the memory; a caller's mistake.
    #[error("{task} is not possible: this chip's memory there ends at {} bytes", size)]
    OutsideMemory { task: Task, size: u32 },
    /// Not the first address of a page; a caller's mistake.
    #[error("{} at {at} is not the start of a page of {page} bytes", memory.name())]
    NotAPage { memory: Memory, at: ByteAddress, page: u32 },
    /// There is no such configuration byte; a caller's mistake.
    #[error("this chip has no configuration byte {byte}")]
    NoSuchByte { byte: usize },
    /// The chip is not in programming mode; a caller's mistake, or an earlier error ended it.
    #[error("{task} is not possible: the chip is not in programming mode")]
    NotEntered { task: Task },
}

impl AlgorithmError {
    /// Whether the bridge began anew in the middle: the step in hand is to be begun again from a fresh entry.
    pub fn restarted(&self) -> bool {
        matches!(self, AlgorithmError::Bus { source: BusError::Restarted, .. })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn messages_fit_the_screen() {
        let Some(span) = Span::new(ByteAddress(0x3_FF00), ByteAddress(0x4_0000)) else { panic!("not reversed") };
        let task = Task::Writing(Memory::Eeprom, span);
        let bytes = vec![0xFF; 8];
        let errors = [
            AlgorithmError::NoClockInRange { slowest: Hertz(1_234_567), fastest: Hertz(87_654_321) },
            AlgorithmError::Bus { task, source: BusError::Restarted },
            AlgorithmError::StillBusy { task, limit: Duration::from_millis(12_345), last: 0xFF },
            AlgorithmError::Unsteady { task: Task::Identifying, first: bytes.clone(), second: bytes },
            AlgorithmError::Locked { task, lock: 0xFC },
            AlgorithmError::NotTaken { task: Task::WritingConfiguration(2), written: 0xFF, found: 0x00, used: 0xFF },
            AlgorithmError::OtherByteChanged { task: Task::WritingConfiguration(2), byte: 1, before: 0xFF, after: 0x00 },
            AlgorithmError::OutsideMemory { task, size: 262_144 },
            AlgorithmError::NotAPage { memory: Memory::Eeprom, at: ByteAddress(0x3_FF00), page: 256 },
            AlgorithmError::NoSuchByte { byte: 3 },
            AlgorithmError::NotEntered { task },
        ];
        for error in errors {
            let message = error.to_string();
            assert!(message.lines().all(|line| line.len() <= 100), "{message}");
        }
    }
}
