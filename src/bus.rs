//! What programming algorithms speak: lists of bus operations, carried out in order by a bridge.
//!
//! A list is submitted and its replies are collected later, so several lists are in flight. A list stops at its
//! first operation that fails and says which; lists submitted after it are then not begun either.

use crate::time::SharedClock;
use crate::units::{Hertz, Millivolts};
use std::time::Duration;

/// A line of the programming header, other than the three of the SPI bus.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Line {
    /// RESET of the chip, as the electrical level (low holds an AVR part in reset). While it is driven, SCK and MOSI are driven too, low
    /// between transfers; released, they are let go as well.
    Reset,
    /// The board's supply, where the bridge can switch it.
    Power,
}

/// What a line is made to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Drive {
    Low,
    High,
    /// Not driven; a pull-up or the board decides.
    Release,
}

/// One thing for the bridge to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Operation {
    /// Drive a line. Replies [`Reply::Done`].
    Line { line: Line, drive: Drive },
    /// Choose the SPI clock: the fastest that the bridge has, not above this one. Replies [`Reply::Clock`].
    SpiClock(Hertz),
    /// Send bytes, MSB first, SPI mode 0. Replies [`Reply::Bytes`] with as many.
    Transfer(Vec<u8>),
    /// A transfer made from a template. Replies by its [`Outcome`].
    Pattern(Pattern),
    /// Repeat a transfer until `reply[byte] & mask == value`. Replies [`Reply::Bytes`] with the last one;
    /// fails with [`Why::PollTimedOut`] once `limit` has passed.
    Poll { send: Vec<u8>, byte: u8, mask: u8, value: u8, limit: Duration },
    /// Let time pass. Replies [`Reply::Done`].
    Delay(Duration),
    /// Give the chip a clock on the bridge's clock output, or stop it. Replies [`Reply::Done`].
    ClockOutput(Option<Hertz>),
    /// Measure the board's supply. Replies [`Reply::Supply`].
    MeasureSupply,
    /// Read the levels of the lines at the bridge's own pins, driven or not. Replies [`Reply::Lines`].
    ReadLines,
}

/// A byte list with numbered slots, run `repeat` times over a block. One repetition sends `template` with its
/// slots filled in, and picks the captured bits out of what came back.
///
/// Example, read flash words from word address `first`: template `20 00 00 00 28 00 00 00`, `Counter` slots of 16
/// bits at bits 8 and 40, `Capture` slots of 8 bits at bits 24 and 56.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pattern {
    /// What one repetition sends, slots as 0. At most 16 bytes.
    pub template: Vec<u8>,
    /// At most 8 slots; each lies inside the template.
    pub slots: Vec<Slot>,
    /// The counter of the first repetition; it grows by 1 a repetition.
    pub first: u32,
    /// How many repetitions. Not 0.
    pub repeat: u32,
    /// What `Data` slots take, a byte each in slot order; with [`Outcome::Compare`] instead what captures must equal.
    pub data: Vec<u8>,
    /// What becomes of the captured bytes.
    pub outcome: Outcome,
}

/// A place in a template.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Slot {
    pub kind: SlotKind,
    /// The slot's first bit, counted from the most significant bit of the template's first byte.
    pub bit: u8,
    /// 1 to 32 bits for a counter (its low bits are sent, most significant first), 8 for data and capture.
    pub width: u8,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SlotKind {
    /// The repetition's counter is sent here.
    Counter,
    /// The next byte of `data` is sent here.
    Data,
    /// What comes back here is captured.
    Capture,
}

/// What a pattern's captured bytes become.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// Nothing is kept. Replies [`Reply::Done`].
    Discard,
    /// All of them come back. Replies [`Reply::Bytes`].
    Return,
    /// They are compared with `data`. Replies [`Reply::Done`], or fails with [`Why::Differs`].
    Compare,
    /// CRC-32/ISO-HDLC over every `every` of them (the last run may be shorter). Replies [`Reply::Crc32`].
    Crc32 { every: u32 },
}

/// What an operation gave.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Reply {
    Done,
    Bytes(Vec<u8>),
    Crc32(Vec<u32>),
    /// The SPI clock that the bridge really makes.
    Clock(Hertz),
    /// The supply as measured, or nothing where the bridge cannot measure it.
    Supply(Option<Millivolts>),
    Lines(LineLevels),
}

/// The levels of the lines at the bridge's pins; `true` is high.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LineLevels {
    pub reset: bool,
    pub sck: bool,
    pub mosi: bool,
    pub miso: bool,
}

/// Why an operation failed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Why {
    /// The masked value never came; `last` is the byte seen last.
    #[error("the value waited for did not come in time; the last byte was 0x{last:02X}")]
    PollTimedOut { last: u8 },
    /// A captured byte was another one; `index` counts captured bytes.
    #[error("byte {index} that came back is 0x{found:02X}, not 0x{expected:02X}")]
    Differs { index: u32, expected: u8, found: u8 },
    /// The bridge does not have this ability.
    #[error("the bridge does not have this ability")]
    NotSupported,
    /// The bridge could not make sense of the operation.
    #[error("the operation makes no sense to this bridge")]
    BadOperation,
    /// The board has no power, as far as the bridge can tell.
    #[error("the board has no power, as far as the bridge can tell")]
    NoPower,
}

/// What a bridge can do; from its HELLO.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Abilities {
    /// What the bridge calls itself.
    pub name: String,
    /// Slowest and fastest SPI clock.
    pub spi_clock_min: Hertz,
    pub spi_clock_max: Hertz,
    /// The largest data block or reply of one operation, in bytes. At least 256.
    pub block_bytes: u32,
    /// Level of the bridge's pins.
    pub pin_level: Millivolts,
    pub measures_supply: bool,
    pub clock_output: bool,
    pub switches_power: bool,
    /// SIMULATED: a sim and not hardware.
    pub simulated: bool,
}

/// A list in flight.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Ticket(pub u64);

/// Why a list was not carried out.
#[derive(Debug, thiserror::Error)]
pub enum BusError {
    /// An operation failed; those before it were carried out, those after it not.
    #[error("bus operation {operation} failed: {why}")]
    Failed { operation: usize, why: Why },
    /// An earlier list had failed, so this one was not begun.
    #[error("the list was not begun, because one before it failed")]
    NotBegun,
    /// The bridge began anew: what it had been told is forgotten. The step in hand begins again from a fresh entry.
    #[error("the bridge restarted in the middle of the work")]
    Restarted,
    #[error("the bridge did not answer within {} ms ({tries} tries)", waited.as_millis())]
    NoAnswer { waited: Duration, tries: u32 },
    #[error("the bridge speaks protocol version {found}, this program speaks {expected}")]
    Version { found: u16, expected: u16 },
    #[error("the bridge sent an answer that makes no sense:\n{what}")]
    Nonsense { what: String },
    /// Somebody asked to stop while nothing answered.
    #[error("stopped as asked, after {:.1} s of waiting for the bridge to answer", waited.as_secs_f64())]
    Stopped { waited: Duration },
    #[error("the connection to the bridge broke: {0}")]
    Wire(#[from] std::io::Error),
}

/// A bridge, as an algorithm sees it.
pub trait Bus {
    fn abilities(&self) -> &Abilities;

    /// The clock that this bus lives by.
    fn clock(&self) -> SharedClock;

    /// Sends a list off; waits only while the bridge's window is full.
    ///
    /// # Errors
    /// The connection's; never an operation's own failure.
    fn submit(&mut self, list: &[Operation]) -> Result<Ticket, BusError>;

    /// The replies of a list, one for each operation. Tickets are collected in the order of submission; those passed over can no longer
    /// be collected, and if one of them had failed, this one gives [`BusError::NotBegun`]. Once an error has been returned, every list
    /// submitted before that gives [`BusError::NotBegun`], and the next submission starts afresh.
    ///
    /// # Errors
    /// What stopped the list.
    fn collect(&mut self, ticket: Ticket) -> Result<Vec<Reply>, BusError>;

    /// Submits and collects.
    ///
    /// # Errors
    /// As both.
    fn run(&mut self, list: &[Operation]) -> Result<Vec<Reply>, BusError> {
        let ticket = self.submit(list)?;
        self.collect(ticket)
    }
}
