//! The sparse image itself.

use super::{ByteAddress, Span};
use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::collections::BTreeMap;

/// CRC-32/ISO-HDLC, by its name in the published CRC catalogue.
pub(crate) const CRC_32: crc::Crc<u32, crc::Table<16>> = crc::Crc::<u32, crc::Table<16>>::new(&crc::CRC_32_ISO_HDLC);

/// Bytes with addresses. Addresses that hold nothing are not in the image.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Image {
    /// Runs by first address; no two touch or overlap, none is empty.
    runs: BTreeMap<u32, Vec<u8>>,
}

/// Two different bytes were given for one address.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Conflict {
    pub at: ByteAddress,
    pub held: u8,
    pub given: u8,
}

impl Image {
    /// An image without a byte.
    pub const EMPTY: Image = Image { runs: BTreeMap::new() };

    /// `bytes` from `start` on. Bytes past the last 32-bit address are a caller's mistake and dropped.
    pub fn of(start: ByteAddress, bytes: &[u8]) -> Image {
        let mut image = Image::default();
        image.overwrite(start, bytes);
        image
    }

    /// Adds bytes; equal bytes may be there already.
    ///
    /// # Errors
    /// The first address that holds another byte; the image is then as before.
    pub fn add(&mut self, start: ByteAddress, bytes: &[u8]) -> Result<(), Conflict> {
        let Some(span) = Span::sized(start, bytes.len() as u32) else { return Ok(()) };
        for (at, held) in self.within(span) {
            let given = &bytes[(at.0 - start.0) as usize..][..held.len()];
            if let Some(n) = held.iter().zip(given).position(|(a, b)| a != b) {
                return Err(Conflict { at: ByteAddress(at.0 + n as u32), held: held[n], given: given[n] });
            }
        }
        self.overwrite(start, bytes);
        Ok(())
    }

    /// Puts bytes, whatever was there.
    pub fn overwrite(&mut self, start: ByteAddress, bytes: &[u8]) {
        let Some(span) = Span::sized(start, bytes.len() as u32).filter(|s| !s.is_empty()) else { return };
        let free = self.runs.range(start.0..=span.end().0).next().is_none();
        if let Some((first, run)) = self.runs.range_mut(..start.0).next_back()
            && free
            && first + run.len() as u32 == start.0
        {
            // A file read in order: the last run grows.
            run.extend_from_slice(bytes);
            return;
        }
        self.remove(span);
        let mut at = start.0;
        let mut joined = bytes.to_vec();
        let before = self.runs.range(..at).next_back().map(|(a, run)| (*a, a + run.len() as u32));
        if let Some((before, end)) = before
            && end == at
            && let Some(mut run) = self.runs.remove(&before)
        {
            run.append(&mut joined);
            (at, joined) = (before, run);
        }
        if let Some(mut after) = self.runs.remove(&span.end().0) {
            joined.append(&mut after);
        }
        self.runs.insert(at, joined);
    }

    /// Takes every byte of `span` out.
    pub fn remove(&mut self, span: Span) {
        let (start, end) = (span.start().0, span.end().0);
        let touched: Vec<u32> = self.within(span).map(|(at, _)| at.0).collect();
        for at in touched {
            let (first, run) = self.runs.range(..=at).next_back().map(|(a, r)| (*a, r.len() as u32)).unwrap_or_default();
            let Some(mut bytes) = self.runs.remove(&first) else { continue };
            if first + run > end {
                self.runs.insert(end, bytes.split_off((end - first) as usize));
            }
            if first < start {
                bytes.truncate((start - first) as usize);
                self.runs.insert(first, bytes);
            }
        }
    }

    /// Every run that touches `span`, cut to it, in address order.
    pub fn within(&self, span: Span) -> impl Iterator<Item = (ByteAddress, &[u8])> {
        let first = self.runs.range(..=span.start().0).next_back().map_or(span.start().0, |(at, _)| *at);
        self.runs.range(first..).take_while(move |(at, _)| **at < span.end().0).filter_map(move |(at, run)| {
            let here = Span::sized(ByteAddress(*at), run.len() as u32)?;
            let part = here.overlap(span)?;
            let from = (part.start().0 - at) as usize;
            Some((part.start(), &run[from..from + part.len() as usize]))
        })
    }

    /// All runs in address order.
    pub fn runs(&self) -> impl Iterator<Item = (ByteAddress, &[u8])> {
        self.runs.iter().map(|(at, run)| (ByteAddress(*at), run.as_slice()))
    }

    /// The spans that hold bytes, in address order; none touches the next.
    pub fn spans(&self) -> impl Iterator<Item = Span> {
        self.runs().filter_map(|(at, run)| Span::sized(at, run.len() as u32))
    }

    /// From the first byte to the last; `None` for an empty image.
    pub fn extent(&self) -> Option<Span> {
        let first = self.spans().next()?;
        let last = self.runs.iter().next_back()?;
        Span::new(first.start(), ByteAddress(last.0 + last.1.len() as u32))
    }

    /// The byte at `at`, if the image holds one.
    pub fn byte(&self, at: ByteAddress) -> Option<u8> {
        let (first, run) = self.runs.range(..=at.0).next_back()?;
        run.get((at.0 - first) as usize).copied()
    }

    /// How many bytes the image holds.
    pub fn len(&self) -> usize {
        self.runs.values().map(Vec::len).sum()
    }

    pub fn is_empty(&self) -> bool {
        self.runs.is_empty()
    }

    /// The part of the image that lies in `span`.
    pub fn crop(&self, span: Span) -> Image {
        Image { runs: self.within(span).map(|(at, run)| (at.0, run.to_vec())).collect() }
    }

    /// Whether the image holds every byte of `span`.
    pub fn covers(&self, span: Span) -> bool {
        span.is_empty() || self.within(span).next().is_some_and(|(at, run)| at == span.start() && run.len() == span.len() as usize)
    }

    /// Whether the image holds every byte of the other one, and the same.
    pub fn holds(&self, other: &Image) -> bool {
        let there = |(at, run): (ByteAddress, &[u8])| {
            Span::sized(at, run.len() as u32).is_some_and(|span| self.covers(span) && self.filled(span, 0) == run)
        };
        other.runs().all(there)
    }

    /// The parts of `span` of which the image holds nothing, in address order; none is empty.
    pub fn gaps(&self, span: Span) -> Vec<Span> {
        let mut from = span.start();
        let mut gaps = Vec::new();
        for (at, held) in self.within(span) {
            gaps.extend(Span::new(from, at));
            from = ByteAddress(at.0 + held.len() as u32);
        }
        gaps.extend(Span::new(from, span.end()));
        gaps.retain(|gap| !gap.is_empty());
        gaps
    }

    /// The bytes of `span`, `fill` where the image holds none.
    pub fn filled(&self, span: Span, fill: u8) -> Vec<u8> {
        let mut bytes = vec![fill; span.len() as usize];
        for (at, run) in self.within(span) {
            bytes[(at.0 - span.start().0) as usize..][..run.len()].copy_from_slice(run);
        }
        bytes
    }

    /// Puts every byte of `other` into this image, whatever was there.
    pub fn overlay(&mut self, other: &Image) {
        for (at, run) in other.runs() {
            self.overwrite(at, run);
        }
    }

    /// CRC-32/ISO-HDLC over the bytes in address order, gaps left out.
    pub fn crc32(&self) -> u32 {
        let mut digest = CRC_32.digest();
        for (_, run) in self.runs() {
            digest.update(run);
        }
        digest.finalize()
    }
}

/// Collects bytes in any order and makes an image of them at the end: a file whose records run backwards costs no more
/// than one in order.
#[derive(Default)]
pub(super) struct Builder {
    /// All bytes in the order in which they came.
    bytes: Vec<u8>,
    /// Where they belong. Bytes that continue the piece before them join it.
    pieces: Vec<Piece>,
}

#[derive(Clone, Copy)]
struct Piece {
    start: u32,
    len: u32,
    offset: usize,
}

impl Builder {
    /// Adds bytes whose span the caller has checked: it ends within 32-bit addresses.
    pub(super) fn add(&mut self, span: Span, bytes: &[u8]) {
        match self.pieces.last_mut() {
            _ if bytes.is_empty() => return,
            Some(last) if last.start + last.len == span.start().0 => last.len += span.len(),
            _ => self.pieces.push(Piece { start: span.start().0, len: span.len(), offset: self.bytes.len() }),
        }
        self.bytes.extend_from_slice(bytes);
    }

    /// The image of all that was added.
    ///
    /// # Errors
    /// The lowest address that was given two different bytes.
    pub(super) fn finish(mut self) -> Result<Image, Conflict> {
        if let [only] = self.pieces[..] {
            // The usual case: one run, which need not be copied.
            return Ok(Image { runs: BTreeMap::from([(only.start, self.bytes)]) });
        }
        self.pieces.sort_by_key(|piece| piece.start);
        let mut image = Image::default();
        let mut run: (u32, Vec<u8>) = Default::default();
        for piece in self.pieces {
            let bytes = &self.bytes[piece.offset..][..piece.len as usize];
            let gap = u64::from(piece.start) > u64::from(run.0) + run.1.len() as u64;
            if gap || run.1.is_empty() {
                image.put_run(std::mem::replace(&mut run, (piece.start, bytes.to_vec())));
                continue;
            }
            let held = &run.1[(piece.start - run.0) as usize..];
            if let Some(n) = held.iter().zip(bytes).position(|(held, given)| held != given) {
                return Err(Conflict { at: ByteAddress(piece.start + n as u32), held: held[n], given: bytes[n] });
            }
            run.1.extend_from_slice(bytes.get(held.len()..).unwrap_or_default());
        }
        image.put_run(run);
        Ok(image)
    }
}

impl Image {
    /// Takes over a run that touches no other.
    fn put_run(&mut self, (start, bytes): (u32, Vec<u8>)) {
        if !bytes.is_empty() {
            self.runs.insert(start, bytes);
        }
    }
}

/// A run as it is stored in JSON: its first address and its bytes as hexadecimal digits.
#[derive(Serialize, Deserialize)]
struct StoredRun {
    start: u32,
    hex: String,
}

impl Serialize for Image {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let hex = |run: &[u8]| run.iter().fold(String::with_capacity(run.len() * 2), |text, byte| text + &format!("{byte:02x}"));
        serializer.collect_seq(self.runs().map(|(at, run)| StoredRun { start: at.0, hex: hex(run) }))
    }
}

impl<'de> Deserialize<'de> for Image {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Image, D::Error> {
        let mut image = Image::default();
        for run in Vec::<StoredRun>::deserialize(deserializer)? {
            let digit = |byte: &u8| char::from(*byte).to_digit(16).map(|value| value as u8);
            let pair = |pair: &[u8]| if let [high, low] = pair { Some(digit(high)? << 4 | digit(low)?) } else { None };
            let bytes: Option<Vec<u8>> = run.hex.as_bytes().chunks(2).map(pair).collect();
            let bytes = bytes.ok_or_else(|| D::Error::custom("image bytes that are not pairs of hexadecimal digits"))?;
            if Span::sized(ByteAddress(run.start), bytes.len() as u32).is_none() {
                return Err(D::Error::custom("image bytes past the last 32-bit address"));
            }
            image.add(ByteAddress(run.start), &bytes).map_err(|_| D::Error::custom("image runs that overlap"))?;
        }
        Ok(image)
    }
}
