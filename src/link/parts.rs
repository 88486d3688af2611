//! Lists cut into parts that fit a bridge's frames, and what the answer to a part must look like.

use crate::bus::{Operation, Outcome, Reply};
use crate::frame::{ENVELOPE_BYTES, Hello, Repetitions, block_bytes, encoded_bytes, reply_bytes_max};
use std::ops::Range;

/// Cuts a list. The second value is the index of the first operation that this bridge can never take; nothing from there on is in a part.
pub(super) fn split(list: &[Operation], hello: &Hello) -> (Vec<Range<usize>>, Option<usize>) {
    let room = (hello.frame_bytes as usize).saturating_sub(ENVELOPE_BYTES);
    let mut parts = Vec::new();
    let (mut first, mut request, mut answer) = (0, 0, 0);
    for (index, operation) in list.iter().enumerate() {
        let too_large = block_bytes(operation) > u64::from(hello.abilities.block_bytes);
        let (sent, received) = match encoded_bytes(operation) {
            Ok(sent) if !too_large && sent <= room && reply_bytes_max(operation) <= room => (sent, reply_bytes_max(operation)),
            _ => {
                parts.extend((first < index).then_some(first..index));
                return (parts, Some(index));
            }
        };
        if request + sent > room || answer + received > room {
            parts.push(first..index);
            (first, request, answer) = (index, 0, 0);
        }
        (request, answer) = (request + sent, answer + received);
    }
    parts.extend((first < list.len()).then_some(first..list.len()));
    (parts, None)
}

/// What an operation's reply must look like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Shape {
    Done,
    Bytes(u64),
    Crc32(u64),
    Clock,
    Supply,
    Lines,
}

impl Shape {
    pub fn of(operation: &Operation) -> Shape {
        match operation {
            Operation::Line { .. } | Operation::Delay(_) | Operation::ClockOutput(_) => Shape::Done,
            Operation::SpiClock(_) => Shape::Clock,
            Operation::MeasureSupply => Shape::Supply,
            Operation::ReadLines => Shape::Lines,
            Operation::Transfer(send) | Operation::Poll { send, .. } => Shape::Bytes(send.len() as u64),
            Operation::Pattern(pattern) => {
                let captured = Repetitions::of(pattern).map_or(0, |repetitions| repetitions.captured_bytes());
                match pattern.outcome {
                    Outcome::Discard | Outcome::Compare => Shape::Done,
                    Outcome::Return => Shape::Bytes(captured),
                    Outcome::Crc32 { every } => Shape::Crc32(captured.div_ceil(u64::from(every.max(1)))),
                }
            }
        }
    }

    pub fn fits(self, reply: &Reply) -> bool {
        self == match reply {
            Reply::Done => Shape::Done,
            Reply::Bytes(bytes) => Shape::Bytes(bytes.len() as u64),
            Reply::Crc32(values) => Shape::Crc32(values.len() as u64),
            Reply::Clock(_) => Shape::Clock,
            Reply::Supply(_) => Shape::Supply,
            Reply::Lines(_) => Shape::Lines,
        }
    }
}
