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
#[serde(try_from = "StoredSpan")]
pub struct Span {
    start: ByteAddress,
    end: ByteAddress,
}

/// A span as it is stored; a file may hold a reversed one.
#[derive(Deserialize)]
struct StoredSpan {
    start: ByteAddress,
    end: ByteAddress,
}

impl TryFrom<StoredSpan> for Span {
    type Error = String;

    fn try_from(stored: StoredSpan) -> Result<Span, String> {
        let StoredSpan { start, end } = stored;
        Span::new(start, end).ok_or_else(|| format!("a span that ends at {end}, before its start {start}"))
    }
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

    /// The smallest span of whole pages (`page` is a power of two in bytes) that holds this one. At the very end of the
    /// address space the last page stays cut.
    pub fn to_pages(self, page: u32) -> Span {
        let start = ByteAddress(self.start.0 / page * page);
        let end = ByteAddress(self.end.0.div_ceil(page).saturating_mul(page));
        Span { start, end }
    }

    /// The span cut at each multiple of `page`: whole pages inside, what is left at the ends.
    pub fn pages(self, page: u32) -> impl Iterator<Item = Span> {
        let mut at = self.start.0;
        std::iter::from_fn(move || {
            (at < self.end.0).then(|| {
                let start = ByteAddress(at);
                at = (at / page + 1).saturating_mul(page).min(self.end.0);
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

#[cfg(test)]
mod tests {
    use super::*;

    fn span(start: u32, end: u32) -> Span {
        Span::new(ByteAddress(start), ByteAddress(end)).unwrap()
    }

    #[test]
    fn pages_cut_at_multiples_and_keep_the_ends() {
        let pieces: Vec<Span> = span(100, 600).pages(256).collect();
        assert_eq!(pieces, [span(100, 256), span(256, 512), span(512, 600)]);
        assert_eq!(span(7, 7).pages(256).count(), 0);
    }

    #[test]
    fn whole_pages_hold_the_span() {
        assert_eq!(span(100, 600).to_pages(256), span(0, 768));
        assert_eq!(span(256, 512).to_pages(256), span(256, 512));
    }

    #[test]
    fn the_end_of_the_address_space_is_no_trap() {
        let last = span(0xFFFF_FFF0, u32::MAX);
        assert_eq!(last.pages(256).collect::<Vec<_>>(), [last]);
        assert_eq!(last.to_pages(256), span(0xFFFF_FF00, u32::MAX));
        assert_eq!(Span::sized(ByteAddress(u32::MAX), 1), None);
    }

    #[test]
    fn a_reversed_span_is_refused_wherever_it_comes_from() {
        assert_eq!(Span::new(ByteAddress(2), ByteAddress(1)), None);
        let stored = serde_json::from_str::<Span>(r#"{"start": 16, "end": 8}"#);
        assert!(stored.unwrap_err().to_string().contains("ends at 0x00008, before its start 0x00010"));
        assert_eq!(serde_json::from_str::<Span>(r#"{"start": 8, "end": 16}"#).unwrap(), span(8, 16));
    }

    #[test]
    fn overlap_and_encloses_agree_at_the_edges() {
        assert_eq!(span(0, 8).overlap(span(8, 9)), None);
        assert_eq!(span(0, 9).overlap(span(8, 9)), Some(span(8, 9)));
        assert!(span(0, 8).encloses(span(0, 8)) && span(0, 8).encloses(span(50, 50)) && !span(0, 8).encloses(span(7, 9)));
    }

    #[test]
    fn people_read_the_last_address() {
        assert_eq!(span(0, 0x8000).to_string(), "0x00000 to 0x07FFF");
        assert_eq!(span(16, 16).to_string(), "nothing at 0x00010");
    }
}
