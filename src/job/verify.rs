//! Compares what the chip sends with what is desired.

use super::bench::go_on;
use super::{Bench, JobError};
use crate::algorithm::Ending;
use crate::image::{ByteAddress, Image, Memory, Span};
use crate::plan::{NamedImage, Observed, Origin, outside_memory, wrong_chip};
use std::fmt;
use std::ops::AddAssign;

/// How a result was proved, in bytes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Proof {
    /// Compared by a checksum that the bridge made over what the chip sent.
    pub checksummed: u64,
    /// Read to the host and compared there.
    pub read: u64,
}

impl fmt::Display for Proof {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (self.checksummed, self.read) {
            (0, 0) => write!(f, "configuration and lock read back; of flash and EEPROM nothing could be compared"),
            (0, 1) => write!(f, "1 byte read to the host"),
            (sum, 0) => write!(f, "{sum} bytes by a checksum of every page, made in the bridge from what the chip sent"),
            (0, read) => write!(f, "{read} bytes read to the host"),
            (sum, read) => write!(f, "{sum} bytes by a checksum of every page, made in the bridge, and {read} bytes read to the host"),
        }
    }
}

impl AddAssign for Proof {
    fn add_assign(&mut self, other: Proof) {
        self.checksummed += other.checksummed;
        self.read += other.read;
    }
}

/// Bytes of one page that are not as desired.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Difference {
    pub memory: Memory,
    /// The page, or the byte's place for configuration and lock.
    pub span: Span,
    /// How many of its bytes differ.
    pub count: u32,
    /// The first that does.
    pub first: ByteAddress,
    pub wanted: u8,
    pub found: u8,
    /// Where the wanted byte comes from, where that is recorded.
    pub wanted_from: Option<Origin>,
    /// This job wrote the page a second time, and it still differs.
    pub written_twice: bool,
}

impl fmt::Display for Difference {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Difference { memory, count, first, wanted, wanted_from, found, written_twice, .. } = self;
        let bytes = if *count == 1 { "byte differs" } else { "bytes differ" };
        let wrong: Vec<String> = (0..8).filter(|bit| (wanted ^ found) >> bit & 1 == 1).map(|bit| bit.to_string()).collect();
        let bits = if wrong.len() == 1 { "bit" } else { "bits" };
        let from = wanted_from.as_ref().map(|from| format!(" ({from})")).unwrap_or_default();
        write!(f, "{} {first}: wanted 0x{wanted:02X}{from}, found 0x{found:02X}, ", memory.name())?;
        let twice = if *written_twice { ", written twice" } else { "" };
        write!(f, "wrong in {bits} {} ({count} {bytes} in this page{twice})", wrong.join(", "))
    }
}

impl Bench<'_> {
    /// Enters, compares an image with the flash, and lets the chip go.
    ///
    /// # Errors
    /// A chip that is not the board's, or an image that its flash cannot hold; the chip's and the bus's; interruption.
    pub fn verify_image(&mut self, named: &NamedImage) -> Result<(Vec<Difference>, Proof), JobError> {
        if let Some(finding) = outside_memory(self.chip, Memory::Flash, named) {
            return Err(JobError::Refused(finding));
        }
        let compared = self.look(|bench| {
            bench.enter(false)?;
            if let Some(finding) = wrong_chip(bench.spi.identify()?.id, bench.chip) {
                return Err(JobError::Refused(finding));
            }
            let wanted = &named.image;
            let (mut differences, proof) = bench.compare_all(wanted.spans().map(|span| (Memory::Flash, span, wanted)))?;
            differences.iter_mut().for_each(|of| of.wanted_from = Some(Origin::Image(named.name.clone())));
            Ok((differences, proof))
        })?;
        self.release()?;
        Ok(compared)
    }

    /// [`Bench::compare`] for one span after the other.
    pub(super) fn compare_all<'w>(
        &mut self,
        spans: impl Iterator<Item = (Memory, Span, &'w Image)>,
    ) -> Result<(Vec<Difference>, Proof), JobError> {
        let (mut differences, mut proof) = (Vec::new(), Proof::default());
        for (memory, span, wanted) in spans {
            let (wrong, part) = self.compare(memory, span, wanted)?;
            differences.extend(wrong);
            proof += part;
        }
        Ok((differences, proof))
    }

    /// Enters and makes sure that it is the board that was observed, with the same settings: it was let go while somebody thought. The
    /// flash is not read again.
    ///
    /// # Errors
    /// [`JobError::BoardMoved`] where it is not.
    pub fn expect_unchanged(&mut self, observed: &Observed) -> Result<(), JobError> {
        let whole = Span::first(self.chip.eeprom.bytes);
        let same = self.look(|bench| {
            bench.enter(false)?;
            let identity = bench.spi.identify()?;
            let same_chip = (Some(identity.id), Some(identity.calibration)) == (observed.id, observed.calibration);
            let moved = bench.compare_identity(observed.configuration.as_deref(), observed.lock)?;
            let settings = match observed.eeprom.bytes.is_empty() {
                true => Vec::new(),
                false => bench.compare(Memory::Eeprom, whole, &observed.eeprom.bytes)?.0,
            };
            Ok(same_chip && moved.is_empty() && settings.is_empty())
        })?;
        if same { Ok(()) } else { Err(JobError::BoardMoved) }
    }

    /// Compares a span with `wanted`; addresses that it does not hold are left out. The chip must be in programming mode.
    ///
    /// # Errors
    /// The chip's and the bus's, and interruption; never a difference.
    pub fn compare(&mut self, memory: Memory, span: Span, wanted: &Image) -> Result<(Vec<Difference>, Proof), JobError> {
        let stop = self.stop;
        let mut progress = |_| go_on(stop);
        let checksums = match self.spi.checksums(memory, span, &mut progress)? {
            Ending::Complete(checksums) => checksums,
            Ending::Stopped { .. } => return Err(JobError::Interrupted),
        };
        let (mut differences, mut proof) = (Vec::new(), Proof::default());
        for checksum in checksums {
            let part = wanted.crop(checksum.page);
            if part.is_empty() {
                continue;
            }
            if part.covers(checksum.page) && part.crc32() == checksum.crc32 {
                proof.checksummed += u64::from(checksum.page.len());
                continue;
            }
            proof.read += part.len() as u64;
            let found = self.read(memory, checksum.page)?;
            differences.extend(difference(memory, checksum.page, &part, &found));
        }
        Ok((differences, proof))
    }

    /// Compares configuration and lock, under the mask of the bits that have a meaning.
    pub(super) fn compare_identity(&mut self, configuration: Option<&[u8]>, lock: Option<u8>) -> Result<Vec<Difference>, JobError> {
        let found = self.spi.identify()?;
        let mut differences = Vec::new();
        for (n, wanted) in configuration.unwrap_or_default().iter().enumerate() {
            let (Some(byte), Some(found)) = (self.chip.configuration.get(n), found.configuration.get(n)) else { continue };
            differences.extend(masked(Memory::Configuration, n as u32, *wanted, *found, byte.used));
        }
        if let Some(lock) = lock {
            differences.extend(masked(Memory::Lock, 0, lock, found.lock, self.chip.lock.used));
        }
        Ok(differences)
    }
}

fn masked(memory: Memory, at: u32, wanted: u8, found: u8, used: u8) -> Option<Difference> {
    let span = Span::sized(ByteAddress(at), 1)?;
    ((wanted ^ found) & used != 0).then_some(Difference {
        memory,
        span,
        count: 1,
        first: span.start(),
        wanted,
        found,
        wanted_from: None,
        written_twice: false,
    })
}

fn difference(memory: Memory, page: Span, wanted: &Image, found: &Image) -> Option<Difference> {
    let bytes = wanted.runs().flat_map(|(at, run)| run.iter().enumerate().map(move |(n, byte)| (ByteAddress(at.0 + n as u32), *byte)));
    let mut wrong = bytes.filter_map(|(at, wanted)| found.byte(at).filter(|found| *found != wanted).map(|found| (at, wanted, found)));
    let (first, wanted, found) = wrong.next()?;
    Some(Difference { memory, span: page, count: 1 + wrong.count() as u32, first, wanted, found, wanted_from: None, written_twice: false })
}
