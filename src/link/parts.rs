//! Lists cut into parts that fit a bridge's frames, and what the answer to a part must look like.
//!
//! A pattern that would make a frame larger than wanted is cut into shorter patterns that come to the same, one after another.

use crate::bus::{Operation, Outcome, Pattern, Reply, Why};
use crate::frame::{ENVELOPE_BYTES, Hello, Repetitions, block_bytes, encoded_bytes, reply_bytes_max};

/// An operation of a list, or one of several that come to it.
#[derive(Debug)]
pub(super) struct Piece {
    pub operation: Operation,
    /// The index of the list's operation.
    pub of: usize,
    /// How many bytes of it are captured by the pieces before this one.
    captured_before: u64,
}

/// Cuts a list into what fits one frame each, of bodies of about `grain` bytes where that can be had. The second value is the index of
/// the first operation that this bridge can never take; nothing from there on is in a part.
pub(super) fn split(list: &[Operation], hello: &Hello, grain: usize) -> (Vec<Vec<Piece>>, Option<usize>) {
    let most = (hello.frame_bytes as usize).saturating_sub(ENVELOPE_BYTES);
    let room = grain.min(most);
    let (mut parts, mut part) = (Vec::new(), Vec::new());
    let (mut request, mut answer) = (0, 0);
    let mut impossible = None;
    for (index, operation) in list.iter().enumerate() {
        let too_large = block_bytes(operation) > u64::from(hello.abilities.block_bytes);
        let pieces = match encoded_bytes(operation) {
            Ok(sent) if !too_large && sent <= most && reply_bytes_max(operation) <= most => pieces(index, operation, sent, room),
            _ => {
                impossible = Some(index);
                break;
            }
        };
        for piece in pieces {
            let (sent, received) = (encoded_bytes(&piece.operation).unwrap_or(most), reply_bytes_max(&piece.operation));
            if !part.is_empty() && (request + sent > room || answer + received > room) {
                parts.push(std::mem::take(&mut part));
                (request, answer) = (0, 0);
            }
            (request, answer) = (request + sent, answer + received);
            part.push(piece);
        }
    }
    if !part.is_empty() {
        parts.push(part);
    }
    (parts, impossible)
}

/// An operation that takes `sent` bytes, whole or in pieces.
fn pieces(of: usize, operation: &Operation, sent: usize, room: usize) -> Vec<Piece> {
    let whole = || vec![Piece { operation: operation.clone(), of, captured_before: 0 }];
    let Operation::Pattern(pattern) = operation else { return whole() };
    let Ok(repetitions) = Repetitions::of(pattern) else { return whole() };
    let captured = repetitions.captured_bytes() / u64::from(pattern.repeat);
    let head = sent.saturating_sub(pattern.data.len());
    let each = fitting(pattern, head, captured, room);
    if each >= pattern.repeat {
        return whole();
    }
    let data_each = pattern.data.len() / pattern.repeat as usize;
    let cuts = (0..pattern.repeat).step_by(each as usize).map(|from| {
        let repeat = each.min(pattern.repeat - from);
        let data = pattern.data.iter().skip(data_each * from as usize).take(data_each * repeat as usize);
        let shorter = Pattern {
            template: pattern.template.clone(),
            slots: pattern.slots.clone(),
            first: pattern.first + from,
            repeat,
            data: data.copied().collect(),
            outcome: pattern.outcome,
        };
        Piece { operation: Operation::Pattern(shorter), of, captured_before: captured * u64::from(from) }
    });
    cuts.collect()
}

/// How many repetitions of a pattern fit, at least 1. `head` is what it takes besides its data, `captured` what a repetition captures.
fn fitting(pattern: &Pattern, head: usize, captured: u64, room: usize) -> u32 {
    let repeat = u64::from(pattern.repeat);
    // A block in a reply has its code and up to two bytes of length.
    let reply_room = (room as u64).saturating_sub(3);
    // A checksum must not be cut: so many repetitions are whole checksums.
    let (unit, by_reply) = match pattern.outcome {
        Outcome::Discard | Outcome::Compare => (1, repeat),
        Outcome::Return => (1, reply_room / captured.max(1)),
        Outcome::Crc32 { every } => {
            let unit = u64::from(every) / common_divisor(u64::from(every), captured);
            let checksums = unit * captured / u64::from(every.max(1));
            (unit, reply_room / 4 / checksums.max(1) * unit)
        }
    };
    let data = pattern.data.len() as u64 / repeat.max(1);
    let by_request = (room as u64).saturating_sub(head as u64).checked_div(data).unwrap_or(repeat);
    let fit = by_reply.min(by_request) / unit.max(1) * unit;
    u32::try_from(fit.max(unit).clamp(1, repeat)).unwrap_or(pattern.repeat)
}

fn common_divisor(a: u64, b: u64) -> u64 {
    if b == 0 { a.max(1) } else { common_divisor(b, a % b) }
}

/// What a piece's reply must be, and where it belongs.
pub(super) struct Expected {
    shape: Shape,
    /// The index of the list's operation.
    pub of: usize,
    captured_before: u64,
}

impl Expected {
    pub fn of(piece: &Piece) -> Expected {
        Expected { shape: Shape::of(&piece.operation), of: piece.of, captured_before: piece.captured_before }
    }

    pub fn fits(&self, reply: &Reply) -> bool {
        self.shape.fits(reply)
    }

    /// The reason for a failure, told of the whole operation.
    pub fn why(&self, why: Why) -> Why {
        match why {
            Why::Differs { index, expected, found } => {
                let before = u32::try_from(self.captured_before).unwrap_or(u32::MAX);
                Why::Differs { index: index.saturating_add(before), expected, found }
            }
            other => other,
        }
    }
}

/// Adds a piece's reply to those of the list: to the reply of the same operation where a piece of it came before.
pub(super) fn add(replies: &mut Vec<Reply>, of: usize, reply: Reply) {
    match (replies.get_mut(of), reply) {
        (None, reply) => replies.push(reply),
        (Some(Reply::Bytes(before)), Reply::Bytes(more)) => before.extend(more),
        (Some(Reply::Crc32(before)), Reply::Crc32(more)) => before.extend(more),
        // Done more than once is done; pieces of an operation have no other shapes.
        (Some(_), _) => {}
    }
}

/// What an operation's reply must look like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Shape {
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
