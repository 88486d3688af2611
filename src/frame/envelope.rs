//! What every frame has: kind, sequence number, body, CRC-16; stuffed so that a zero byte ends it and occurs nowhere else.

use crc::{CRC_16_GENIBUS, Crc};
use std::fmt;

/// Inverted at the end: without that, zeros added to a frame would go unseen.
static CRC: Crc<u16> = Crc::<u16>::new(&CRC_16_GENIBUS);

/// Kind, sequence number and CRC: what a frame has besides its body, before it is stuffed.
pub const ENVELOPE_BYTES: usize = 4;

/// The number of a request within its session; 255 is followed by 0.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Sequence(pub u8);

impl Sequence {
    /// The number after this one.
    #[must_use]
    pub fn next(self) -> Sequence {
        Sequence(self.0.wrapping_add(1))
    }

    /// How many numbers this one is after `earlier`, around the wrap.
    #[must_use]
    pub fn after(self, earlier: Sequence) -> u8 {
        self.0.wrapping_sub(earlier.0)
    }
}

impl fmt::Display for Sequence {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "#{}", self.0)
    }
}

/// An undamaged frame, its body not yet understood.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Envelope {
    pub kind: u8,
    pub sequence: Sequence,
    pub body: Vec<u8>,
}

impl Envelope {
    /// The size that a bridge's largest frame is compared with: before stuffing, with the CRC.
    #[must_use]
    pub fn frame_bytes(&self) -> usize {
        self.body.len() + ENVELOPE_BYTES
    }

    /// The bytes on the wire, with the zero at the end.
    #[must_use]
    pub fn to_wire(&self) -> Vec<u8> {
        let mut plain = Vec::with_capacity(self.frame_bytes());
        plain.extend([self.kind, self.sequence.0]);
        plain.extend_from_slice(&self.body);
        let crc = CRC.checksum(&plain);
        plain.extend(crc.to_be_bytes());
        let mut stuffed = cobs::encode_vec(&plain);
        stuffed.push(0);
        stuffed
    }

    /// Takes the bytes between two zeros apart.
    fn from_stuffed(stuffed: &[u8]) -> Result<Envelope, Damage> {
        let plain = cobs::decode_vec(stuffed).map_err(|_| Damage::Stuffing { bytes: stuffed.len() })?;
        let short = Damage::Short { bytes: plain.len() };
        let (content, crc) = plain.split_last_chunk::<2>().ok_or(short)?;
        let &[kind, sequence, ref body @ ..] = content else { return Err(short) };
        let (found, computed) = (u16::from_be_bytes(*crc), CRC.checksum(content));
        if found != computed {
            return Err(Damage::Crc { computed, found });
        }
        Ok(Envelope { kind, sequence: Sequence(sequence), body: body.to_vec() })
    }
}

/// The most bytes on the wire that a frame of this size becomes, with the zero at its end.
#[must_use]
pub fn wire_bytes_max(frame_bytes: usize) -> usize {
    cobs::max_encoding_length(frame_bytes) + 1
}

/// Why bytes between two zeros are no frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Damage {
    #[error("more than {limit} bytes without a zero")]
    TooLong { limit: usize },
    #[error("{bytes} bytes whose stuffing is broken")]
    Stuffing { bytes: usize },
    #[error("{bytes} bytes, where a frame has at least {ENVELOPE_BYTES}")]
    Short { bytes: usize },
    #[error("CRC-16 0x{found:04X}, computed 0x{computed:04X}")]
    Crc { computed: u16, found: u16 },
}

/// Cuts a stream of bytes into frames.
#[derive(Clone, Debug)]
pub struct Decoder {
    stuffed: Vec<u8>,
    limit: usize,
    too_long: bool,
}

impl Decoder {
    /// For frames of at most this size, before stuffing.
    #[must_use]
    pub fn new(frame_bytes_max: usize) -> Decoder {
        Decoder { stuffed: Vec::new(), limit: wire_bytes_max(frame_bytes_max), too_long: false }
    }

    /// Takes the next byte. Gives a frame, or what is wrong with it, at the zero that ends it. Zeros that follow a zero are no frame.
    pub fn push(&mut self, byte: u8) -> Option<Result<Envelope, Damage>> {
        if byte != 0 {
            match self.stuffed.len() < self.limit {
                true => self.stuffed.push(byte),
                false => self.too_long = true,
            }
            return None;
        }
        let stuffed = std::mem::take(&mut self.stuffed);
        if std::mem::take(&mut self.too_long) {
            return Some(Err(Damage::TooLong { limit: self.limit }));
        }
        (!stuffed.is_empty()).then(|| Envelope::from_stuffed(&stuffed))
    }
}
