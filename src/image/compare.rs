//! What differs between two images, for verify and for people.

use super::{ByteAddress, Image, Span};

/// The difference between an image that is expected and one that was found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Comparison {
    /// Bytes that both hold alike.
    pub same: u32,
    /// Where both hold bytes and they differ.
    pub differing: Vec<Span>,
    /// Where only the expected image holds bytes.
    pub only_expected: Vec<Span>,
    /// Where only the found one does.
    pub only_found: Vec<Span>,
    /// The first differing byte: where, expected, found.
    pub first: Option<(ByteAddress, u8, u8)>,
    /// Of the differing bytes, those found as 0xFF: not written, or erased since.
    pub found_blank: u32,
    /// Of the differing bytes, those found with 0 bits in excess only: written without an erase before, or written twice.
    pub found_extra_zeros: u32,
}

impl Comparison {
    /// Whether both hold the same bytes at the same addresses.
    pub fn alike(&self) -> bool {
        self.differing.is_empty() && self.only_expected.is_empty() && self.only_found.is_empty()
    }

    /// How many bytes differ where both hold some.
    pub fn different_bytes(&self) -> u32 {
        self.differing.iter().map(|span| span.len()).sum()
    }

    /// What the kind of difference says, where it says something; half a sentence.
    pub fn hint(&self) -> Option<&'static str> {
        match self.different_bytes() {
            0 => None,
            all if self.found_blank == all => Some("every differing byte reads blank, so it was not written or was erased since"),
            all if self.found_extra_zeros == all => {
                Some("the differing bytes only have more 0 bits than they should, as after writing without an erase")
            }
            _ => None,
        }
    }

    fn byte(&mut self, at: ByteAddress, expected: u8, found: u8) {
        if expected == found {
            self.same += 1;
            return;
        }
        grow(&mut self.differing, Span::sized(at, 1));
        self.first = self.first.or(Some((at, expected, found)));
        self.found_blank += u32::from(found == 0xFF);
        self.found_extra_zeros += u32::from(found & !expected == 0);
    }
}

/// Compares what is expected with what was found.
pub fn compare(expected: &Image, found: &Image) -> Comparison {
    let mut result = Comparison {
        only_expected: expected.spans().flat_map(|span| found.gaps(span)).collect(),
        only_found: found.spans().flat_map(|span| expected.gaps(span)).collect(),
        ..Comparison::default()
    };
    for (start, run) in expected.runs() {
        let Some(span) = Span::sized(start, run.len() as u32) else { continue };
        for (at, bytes) in found.within(span) {
            let wanted = &run[(at.0 - start.0) as usize..][..bytes.len()];
            for (n, (wanted, byte)) in wanted.iter().zip(bytes).enumerate() {
                result.byte(ByteAddress(at.0 + n as u32), *wanted, *byte);
            }
        }
    }
    result
}

/// Appends a span, joined with the last one where they touch.
fn grow(spans: &mut Vec<Span>, more: Option<Span>) {
    let Some(more) = more else { return };
    match spans.last_mut() {
        Some(last) if last.end() == more.start() => {
            if let Some(joined) = Span::new(last.start(), more.end()) {
                *last = joined;
            }
        }
        _ => spans.push(more),
    }
}
