//! Reading flash and EEPROM, to the host or as checksums made in the bridge. Its addressing is its own, so that a mistake of the
//! code that writes shows here.
//!
//! Source: 2549 and 8271, 'Serial Programming Algorithm' step 6, and their instruction table (checked).

use super::instruction::{load_extended_address, read_eeprom, read_flash};
use super::lists::{bytes_of, checksums_of, transfer};
use super::{AlgorithmError, AvrSpi, Task};
use crate::algorithm::{Ending, Progress};
use crate::bus::{Operation, Outcome, Pattern};
use crate::image::{ByteAddress, Image, Memory, Span};
use std::ops::ControlFlow;

/// What a flash read instruction reaches without Load Extended Address: 64 Ki words. On parts with more, the upper bits are
/// kept by the chip until they are loaded again, and they count for reads, too (2549 step 6: checked). Whether an entry
/// clears them is printed nowhere, so they are loaded before every span.
const REACH: u32 = 0x2_0000;

/// The CRC-32/ISO-HDLC of a page as the chip sent it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PageChecksum {
    pub page: Span,
    pub crc32: u32,
}

impl AvrSpi<'_> {
    /// Reads a span of flash or EEPROM to the host.
    ///
    /// # Errors
    /// [`AlgorithmError::Locked`] where the lock byte forbids it (the chip would give other bytes), callers' mistakes; the bus's.
    pub fn read(&mut self, memory: Memory, span: Span, progress: Progress) -> Result<Ending<Image>, AlgorithmError> {
        self.begin_reading(memory, span)?;
        // Flash is read by words; a byte too many at either end is dropped below.
        let whole = if memory == Memory::Flash { span.to_pages(2) } else { span };
        let piece = self.bus.abilities().block_bytes.min(self.units_an_operation(1)).max(2) / 2 * 2;
        let pieces = cut(whole, memory, piece);
        let extended = self.needs_extended_address(memory);
        let lists = pieces.map(|(part, opens)| (part, read_list(memory, part, Outcome::Return, opens && extended)));

        let mut image = Image::default();
        let ended = self.run_all(
            |part| Task::Reading(memory, *part),
            lists,
            |part, replies| {
                let bytes = bytes_of(&replies, replies.len().saturating_sub(1), part.len() as usize)?;
                image.overwrite(part.start(), bytes);
                Ok(progress(part.end().0.min(span.end().0) - span.start().0))
            },
        )?;
        let image = image.crop(span);
        let bytes = image.len() as u32;
        Ok(match ended {
            ControlFlow::Break(()) if bytes < span.len() => Ending::Stopped { so_far: image, bytes },
            _ => Ending::Complete(image),
        })
    }

    /// The checksum of every page that `span` touches, in address order. Counts bytes of pages.
    ///
    /// # Errors
    /// As [`AvrSpi::read`].
    pub fn checksums(&mut self, memory: Memory, span: Span, progress: Progress) -> Result<Ending<Vec<PageChecksum>>, AlgorithmError> {
        let page = self.begin_reading(memory, span)?;
        let whole = span.to_pages(page);
        // A checksum is 4 bytes of the reply.
        let pages = (self.bus.abilities().block_bytes / 4).min(self.units_an_operation(page)).max(1);
        let pieces = cut(whole, memory, pages * page);
        let extended = self.needs_extended_address(memory);
        let lists = pieces.map(|(part, opens)| (part, read_list(memory, part, Outcome::Crc32 { every: page }, opens && extended)));

        let mut sums = Vec::new();
        let ended = self.run_all(
            |part| Task::Reading(memory, *part),
            lists,
            |part, replies| {
                let found = checksums_of(&replies, replies.len().saturating_sub(1), (part.len() / page) as usize)?;
                sums.extend(part.pages(page).zip(found).map(|(page, crc32)| PageChecksum { page, crc32: *crc32 }));
                Ok(progress(part.end().0 - whole.start().0))
            },
        )?;
        let bytes = sums.len() as u32 * page;
        Ok(match ended {
            ControlFlow::Break(()) if bytes < whole.len() => Ending::Stopped { so_far: sums, bytes },
            _ => Ending::Complete(sums),
        })
    }

    /// Checks that the span can be read; gives the memory's page size.
    fn begin_reading(&mut self, memory: Memory, span: Span) -> Result<u32, AlgorithmError> {
        let task = Task::Reading(memory, span);
        let (size, page) = match memory {
            Memory::Flash => (self.chip.flash.bytes, self.chip.flash.page),
            Memory::Eeprom => (self.chip.eeprom.bytes, self.chip.eeprom.page),
            Memory::Configuration | Memory::Lock => (0, 1),
        };
        if !Span::first(size).encloses(span) {
            return Err(AlgorithmError::OutsideMemory { task, size });
        }
        self.check_lock(task, |forbids| forbids.reading)?;
        Ok(page.max(1))
    }

    fn needs_extended_address(&self, memory: Memory) -> bool {
        memory == Memory::Flash && self.chip.flash.bytes > REACH
    }
}

/// Cuts a span into pieces of at most `longest` bytes, none across a border of what the address bytes reach. With each, whether
/// it is the first behind such a border or of the span.
fn cut(span: Span, memory: Memory, longest: u32) -> impl Iterator<Item = (Span, bool)> {
    let border = if memory == Memory::Flash { REACH } else { u32::MAX };
    span.pages(border).flat_map(move |reach| {
        let starts = (reach.start().0..reach.end().0).step_by(longest as usize);
        starts.filter_map(move |start| {
            let end = start.saturating_add(longest).min(reach.end().0);
            Some((Span::new(ByteAddress(start), ByteAddress(end))?, start == reach.start().0))
        })
    })
}

fn read_list(memory: Memory, part: Span, outcome: Outcome, load_extended: bool) -> Vec<Operation> {
    let pattern: Pattern = match memory {
        Memory::Flash => read_flash(part.start().word(), part.len() / 2, outcome),
        _ => read_eeprom(part.start(), part.len(), outcome),
    };
    let load = load_extended.then(|| transfer(load_extended_address((part.start().0 / REACH) as u8)));
    load.into_iter().chain([Operation::Pattern(pattern)]).collect()
}
