//! Addresses and spans.

use serde::{Deserialize, Serialize};
use std::fmt;

/// An address counted in bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct ByteAddress(pub u32);

impl ByteAddress {
    /// The word that holds this byte (two bytes a word, as 8-bit parts count their flash).
    pub fn word(self) -> WordAddress {
        WordAddress(self.0 / 2)
    }
}

impl fmt::Display for ByteAddress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "0x{:05X}", self.0)
    }
}

/// An address counted in 16-bit words.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct WordAddress(pub u32);

impl WordAddress {
    /// The address of this word's low byte.
    pub fn byte(self) -> ByteAddress {
        ByteAddress(self.0 * 2)
    }
}

/// Byte addresses from `start` up to, not including, `end`. Never reversed; may be empty.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Span {
    start: ByteAddress,
    end: ByteAddress,
}

impl Span {
    /// The span from `start` to `end`, end exclusive; `None` where `end` lies before `start`.
    pub fn new(start: ByteAddress, end: ByteAddress) -> Option<Span> {
        (start <= end).then_some(Span { start, end })
    }

    /// `len` bytes from `start`; `None` where that passes the last 32-bit address.
    pub fn sized(start: ByteAddress, len: u32) -> Option<Span> {
        Span::new(start, ByteAddress(start.0.checked_add(len)?))
    }

    /// The first `len` bytes of a memory.
    pub fn first(len: u32) -> Span {
        Span { start: ByteAddress(0), end: ByteAddress(len) }
    }

    pub fn start(self) -> ByteAddress {
        self.start
    }

    /// The first address after the span.
    pub fn end(self) -> ByteAddress {
        self.end
    }

    pub fn len(self) -> u32 {
        self.end.0 - self.start.0
    }

    pub fn is_empty(self) -> bool {
        self.start == self.end
    }

    pub fn contains(self, at: ByteAddress) -> bool {
        self.start <= at && at < self.end
    }

    /// Whether every byte of `other` lies in this span.
    pub fn encloses(self, other: Span) -> bool {
        other.is_empty() || (self.start <= other.start && other.end <= self.end)
    }

    /// The bytes that both spans have; `None` where there are none.
    pub fn overlap(self, other: Span) -> Option<Span> {
        let (start, end) = (self.start.max(other.start), self.end.min(other.end));
        (start < end).then_some(Span { start, end })
    }

    /// The smallest span of whole pages (a power of two in bytes) that holds this one.
    pub fn to_pages(self, page: u32) -> Span {
        let start = ByteAddress(self.start.0 / page * page);
        let end = ByteAddress(self.end.0.div_ceil(page) * page);
        Span { start, end }
    }

    /// The span cut at each multiple of `page`: whole pages inside, what is left at the ends.
    pub fn pages(self, page: u32) -> impl Iterator<Item = Span> {
        let mut at = self.start.0;
        std::iter::from_fn(move || {
            (at < self.end.0).then(|| {
                let start = ByteAddress(at);
                at = ((at / page + 1) * page).min(self.end.0);
                Span { start, end: ByteAddress(at) }
            })
        })
    }
}

impl fmt::Display for Span {
    /// First and last address, as people read a range.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.is_empty() {
            true => write!(f, "nothing at {}", self.start),
            false => write!(f, "{} to {}", self.start, ByteAddress(self.end.0 - 1)),
        }
    }
}
