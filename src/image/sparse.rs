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
            let digits = run.hex.as_bytes();
            let bytes: Option<Vec<u8>> = digits
                .chunks(2)
                .map(|pair| std::str::from_utf8(pair).ok().filter(|p| p.len() == 2).and_then(|p| u8::from_str_radix(p, 16).ok()))
                .collect();
            let bytes = bytes.ok_or_else(|| D::Error::custom("image bytes that are not pairs of hexadecimal digits"))?;
            image.add(ByteAddress(run.start), &bytes).map_err(|_| D::Error::custom("image runs that overlap"))?;
        }
        Ok(image)
    }
}
