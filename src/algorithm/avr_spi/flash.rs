//! Writing flash. Reading has code and addressing of its own in `reading`: a mistake here must not hide itself there.
//!
//! Source: 2549 and 8271, 'Serial Programming Algorithm' step 4, and their instruction table (checked). Flash writing only clears
//! bits (from memory): a page that is not blank needs a chip erase first.

use super::instruction::{load_extended_address, load_flash_page, read_flash_byte, write_flash_page};
use super::lists::transfer;
use super::pace::Pace;
use super::{AlgorithmError, AvrSpi, Task};
use crate::algorithm::{Ending, Progress};
use crate::board::MemoryShape;
use crate::bus::Operation;
use crate::image::{ByteAddress, Image, Memory, Span};

/// Parts with more flash than this (128 KiB, 64 Ki words) need Load Extended Address (2549 steps 4 and 6: checked).
const EXTENDED_ABOVE: u32 = 128 * 1024;

impl AvrSpi<'_> {
    /// Writes whole pages, whose first addresses are `pages`, with the bytes of `image`; the blank value where it holds none,
    /// as what an unloaded place of the buffer holds is not to be relied on. The next pages travel to the bridge
    /// while the chip still writes one. Counts bytes of pages.
    ///
    /// # Errors
    /// [`AlgorithmError::Locked`], [`AlgorithmError::StillBusy`], callers' mistakes; the bus's.
    pub fn write_flash(&mut self, image: &Image, pages: &[ByteAddress], progress: Progress) -> Result<Ending<()>, AlgorithmError> {
        let shape = self.chip.flash;
        let spans = page_spans(Memory::Flash, shape, pages)?;
        let (Some(first), Some(last)) = (spans.first(), spans.last()) else { return Ok(Ending::Complete(())) };
        let task = Task::Writing(Memory::Flash, Span::new(first.start(), last.end()).unwrap_or(*first));
        self.check_lock(task, |forbids| forbids.writing)?;
        let pace = self.pace(task, self.chip.timings.flash_write_max)?;

        let mut extended = None;
        let lists = spans.iter().map(|page| {
            let word = page.start().word();
            let mut list = Vec::with_capacity(4);
            let high = (word.0 >> 16) as u8;
            if shape.bytes > EXTENDED_ABOVE && extended != Some(high) {
                extended = Some(high);
                list.push(transfer(load_extended_address(high)));
            }
            let bytes = image.filled(*page, shape.blank);
            let done = written(pace, *page, &bytes);
            list.push(Operation::Pattern(load_flash_page(bytes)));
            list.extend([transfer(write_flash_page(word)), done]);
            (*page, list)
        });
        let mut done = 0;
        let ended = self.run_all(
            |page| Task::Writing(Memory::Flash, *page),
            lists,
            |page, _| {
                done += page.len();
                Ok(progress(done))
            },
        )?;
        Ok(match ended.is_break() && done < spans.len() as u32 * shape.page {
            true => Ending::Stopped { so_far: (), bytes: done },
            false => Ending::Complete(()),
        })
    }
}

/// Waits until a page is written that holds `bytes` then: at its last byte that differs from what the page reads as meanwhile.
fn written(pace: Pace, page: Span, bytes: &[u8]) -> Operation {
    match bytes.iter().enumerate().rfind(|(_, byte)| **byte != 0xFF) {
        Some((place, byte)) => pace.wait_at(read_flash_byte(ByteAddress(page.start().0 + place as u32)), *byte),
        None => pace.wait(),
    }
}

/// The spans of whole pages.
pub(super) fn page_spans(memory: Memory, shape: MemoryShape, pages: &[ByteAddress]) -> Result<Vec<Span>, AlgorithmError> {
    let whole = Span::first(shape.bytes);
    let spans = pages.iter().map(|at| match Span::sized(*at, shape.page) {
        _ if shape.page == 0 || at.0 % shape.page != 0 => Err(AlgorithmError::NotAPage { memory, at: *at, page: shape.page }),
        Some(span) if whole.encloses(span) => Ok(span),
        _ => {
            let task = Task::Writing(memory, Span::sized(*at, 1).unwrap_or(whole));
            Err(AlgorithmError::OutsideMemory { task, size: shape.bytes })
        }
    });
    spans.collect()
}
