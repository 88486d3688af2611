//! Frames in words, for traces.

use super::{Answer, Envelope, Hello, Request};
use crate::bus::{Drive, Line, LineLevels, Operation, Outcome, Pattern, Reply};
use std::fmt::{self, Display, Formatter};

/// Shows something of the protocol in words.
pub struct Show<'a, T>(pub &'a T);

impl Display for Show<'_, Envelope> {
    /// The frame as the message that it is, whichever way it went.
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        let envelope = self.0;
        write!(f, "{} ", envelope.sequence)?;
        match (Request::open(envelope), Answer::open(envelope)) {
            (Ok(request), _) => Show(&request).fmt(f),
            (_, Ok(answer)) => Show(&answer).fmt(f),
            (Err(why), _) if envelope.kind < 0x80 => write!(f, "request 0x{:02X}: {why}", envelope.kind),
            (_, Err(why)) => write!(f, "answer 0x{:02X}: {why}", envelope.kind),
        }
    }
}

impl Display for Show<'_, Request> {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        match self.0 {
            Request::Hello { version, mark } => write!(f, "HELLO version {version}, mark {mark:08X}"),
            Request::Run(operations) => write!(f, "RUN {}", list(operations)),
            Request::Clear => write!(f, "CLEAR"),
            Request::Ask => write!(f, "ASK"),
        }
    }
}

impl Display for Show<'_, Answer> {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        match self.0 {
            Answer::Hello(hello) => Show(hello).fmt(f),
            Answer::OtherVersion { version } => write!(f, "HELLO of version {version}"),
            Answer::Replies(replies) => write!(f, "REPLIES {}", list(replies)),
            Answer::Failed { operation, why } => write!(f, "FAILED at operation {operation}: {why}"),
            Answer::NotBegun => write!(f, "NOT BEGUN"),
            Answer::Working => write!(f, "WORKING"),
            Answer::Again => write!(f, "AGAIN"),
            Answer::HelloFirst => write!(f, "HELLO FIRST"),
        }
    }
}

impl Display for Show<'_, Hello> {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        let Hello { mark, start, window, frame_bytes, abilities } = self.0;
        write!(f, "HELLO from {:?}, mark {mark:08X}, start {start}, window {window}, ", abilities.name)?;
        write!(f, "frames of {frame_bytes}, blocks of {}, ", abilities.block_bytes)?;
        write!(f, "SPI {} to {}, pins {}", abilities.spi_clock_min, abilities.spi_clock_max, abilities.pin_level)
    }
}

impl Display for Show<'_, Operation> {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        match self.0 {
            Operation::Line { line, drive } => {
                let line = if *line == Line::Reset { "reset" } else { "power" };
                let drive = match drive {
                    Drive::Low => "low",
                    Drive::High => "high",
                    Drive::Release => "released",
                };
                write!(f, "{line} {drive}")
            }
            Operation::SpiClock(clock) => write!(f, "SPI clock {clock}"),
            Operation::Transfer(send) => write!(f, "send {}", hex(send)),
            Operation::Pattern(pattern) => Show(pattern).fmt(f),
            Operation::Poll { send, byte, mask, value, limit } => {
                write!(f, "send {} until byte {byte} & {mask:02X} = {value:02X}, {limit:?} at most", hex(send))
            }
            Operation::Delay(time) => write!(f, "wait {time:?}"),
            Operation::ClockOutput(Some(clock)) => write!(f, "clock output {clock}"),
            Operation::ClockOutput(None) => write!(f, "clock output off"),
            Operation::MeasureSupply => write!(f, "measure supply"),
            Operation::ReadLines => write!(f, "read lines"),
        }
    }
}

impl Display for Show<'_, Pattern> {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        let Pattern { template, slots, first, repeat, data, outcome } = self.0;
        write!(f, "{repeat} times {} with {} slots, from {first}, {} data bytes, ", hex(template), slots.len(), data.len())?;
        match outcome {
            Outcome::Discard => write!(f, "discard"),
            Outcome::Return => write!(f, "return"),
            Outcome::Compare => write!(f, "compare"),
            Outcome::Crc32 { every } => write!(f, "CRC-32 over every {every}"),
        }
    }
}

impl Display for Show<'_, Reply> {
    fn fmt(&self, f: &mut Formatter<'_>) -> fmt::Result {
        match self.0 {
            Reply::Done => write!(f, "done"),
            Reply::Bytes(bytes) => write!(f, "{}", hex(bytes)),
            Reply::Crc32(values) => write!(f, "{} CRC-32 values", values.len()),
            Reply::Clock(clock) => write!(f, "clock {clock}"),
            Reply::Supply(Some(supply)) => write!(f, "supply {supply}"),
            Reply::Supply(None) => write!(f, "supply unknown"),
            Reply::Lines(LineLevels { reset, sck, mosi, miso }) => {
                let level = |high: &bool| if *high { "high" } else { "low" };
                write!(f, "reset {}, SCK {}, MOSI {}, MISO {}", level(reset), level(sck), level(mosi), level(miso))
            }
        }
    }
}

/// The items, separated by semicolons.
fn list<T>(items: &[T]) -> String
where
    for<'a> Show<'a, T>: Display,
{
    items.iter().map(|item| Show(item).to_string()).collect::<Vec<String>>().join("; ")
}

/// Up to 8 bytes in hexadecimal, and how many there are where there are more.
fn hex(bytes: &[u8]) -> String {
    let shown: Vec<String> = bytes.iter().take(8).map(|byte| format!("{byte:02X}")).collect();
    match bytes.len() {
        0..=8 => shown.join(" "),
        all => format!("{} .. ({all} bytes)", shown.join(" ")),
    }
}
