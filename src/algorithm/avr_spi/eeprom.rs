//! Writing EEPROM. A write erases for itself, byte or page (2549, 8271: checked), and a page write changes only the bytes that
//! were loaded (8197, serial programming algorithm step 5B: checked), so only what differs is written. Older parts have no page
//! write (from memory: their instruction tables).

use super::flash::page_spans;
use super::instruction::{load_eeprom_page, read_eeprom_byte, write_eeprom_byte, write_eeprom_page};
use super::lists::transfer;
use super::pace::Pace;
use super::{AlgorithmError, AvrSpi, Task};
use crate::algorithm::{Ending, Progress};
use crate::board::{EepromWrites, Way};
use crate::bus::Operation;
use crate::image::{ByteAddress, Image, Memory, Span};
use std::ops::ControlFlow;

impl AvrSpi<'_> {
    /// Writes what `image` holds in `pages` (their first addresses); what it does not hold stays. The present bytes are read
    /// first: a page without a difference is not written, one with a single differing byte is written by byte, as is every
    /// page where the chip has no page write.
    /// Counts bytes of pages.
    ///
    /// # Errors
    /// [`AlgorithmError::Locked`], [`AlgorithmError::StillBusy`], callers' mistakes; the bus's.
    pub fn write_eeprom(&mut self, image: &Image, pages: &[ByteAddress], progress: Progress) -> Result<Ending<()>, AlgorithmError> {
        let shape = self.chip.eeprom;
        let spans = page_spans(Memory::Eeprom, shape, pages)?;
        let (Some(first), Some(last)) = (spans.iter().min(), spans.iter().max()) else { return Ok(Ending::Complete(())) };
        let touched = Span::new(first.start(), last.end()).unwrap_or(*first);
        let task = Task::Writing(Memory::Eeprom, touched);
        self.check_lock(task, |forbids| forbids.writing)?;
        let pace = self.pace(task, self.chip.timings.eeprom_write_max)?;
        let by = self.chip.way_in(Way::Spi).map(|way_in| way_in.eeprom_writes).unwrap_or_default();
        let held = self.read(Memory::Eeprom, touched, &mut |_| ControlFlow::Continue(()))?.so_far();

        let total = spans.len() as u32 * shape.page;
        let counted = spans.iter().zip((shape.page..).step_by(shape.page as usize));
        let lists = counted.filter_map(|(page, upto)| Some(((*page, upto), write_page(image, &held, *page, by, pace)?)));
        let mut done = 0;
        let ended = self.run_all(
            |(page, _)| Task::Writing(Memory::Eeprom, *page),
            lists,
            |(_, upto), _| {
                done = upto;
                Ok(progress(done))
            },
        )?;
        Ok(match ended.is_break() && done < total {
            true => Ending::Stopped { so_far: (), bytes: done },
            false => Ending::Complete(()),
        })
    }
}

/// The operations for one page; `None` where it holds already what it should.
fn write_page(image: &Image, held: &Image, page: Span, by: EepromWrites, pace: Pace) -> Option<Vec<Operation>> {
    let wanted = || image.within(page).flat_map(|(start, run)| run.iter().zip(start.0..).map(|(byte, at)| (ByteAddress(at), *byte)));
    let differing: Vec<(ByteAddress, u8)> = wanted().filter(|(at, byte)| held.byte(*at) != Some(*byte)).collect();
    let (at, byte) = *differing.last()?;
    if by == EepromWrites::Bytes || differing.len() == 1 {
        let write = |(at, byte)| [transfer(write_eeprom_byte(at, byte)), pace.wait_at(read_eeprom_byte(at), byte)];
        return Some(differing.into_iter().flat_map(write).collect());
    }
    let loads = image.within(page).map(|(at, run)| {
        let place = (at.0 - page.start().0) as u8;
        Operation::Pattern(load_eeprom_page(place, run.to_vec()))
    });
    Some(loads.chain([transfer(write_eeprom_page(page.start())), pace.wait_at(read_eeprom_byte(at), byte)]).collect())
}
