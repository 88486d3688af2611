//! How long steps take: arithmetic from the chip's timings, the programming clock and what the link carries.

use super::{Desired, Pace, StepKind};
use crate::board::{Chip, MemoryShape};
use crate::image::{Memory, Span};
use std::time::Duration;

/// From RESET low to the first instruction: at least 20 ms (2549, serial programming algorithm), plus the pulse on RESET.
const ENTRY: Duration = Duration::from_millis(25);
/// Entry from the slowest rung up: a few tries more, at clocks of some kilohertz.
const SLOW_ENTRY: Duration = Duration::from_millis(200);
/// Bytes of one instruction on the SPI bus.
const INSTRUCTION: u64 = 4;

/// How long a step should take at this pace.
pub(super) fn estimate(kind: &StepKind, desired: &Desired, chip: &Chip, pace: Pace) -> Duration {
    match kind {
        StepKind::Enter { slowest_first: true } => SLOW_ENTRY,
        StepKind::Enter { slowest_first: false } => ENTRY,
        StepKind::Erase => chip.timings.erase_max + ENTRY,
        StepKind::WriteFlash { pages, .. } => {
            let page = written_page(chip.flash.page, chip.timings.flash_write_max, pace);
            page * pages.len() as u32
        }
        StepKind::WriteEeprom { pages, .. } => pages
            .iter()
            .filter_map(|at| Span::sized(*at, chip.eeprom.page))
            .map(|page| desired.eeprom.within(page).map(|(_, run)| run.len() as u32).sum())
            .map(|bytes| written_page(bytes, chip.timings.eeprom_write_max, pace))
            .sum(),
        StepKind::WriteConfiguration { .. } | StepKind::WriteLock { .. } => chip.timings.configuration_write_max + instructions(1, pace),
        StepKind::Verify { spans, configuration, lock } => {
            let memory: Duration = spans.iter().map(|(memory, span)| checked(*memory, *span, chip, pace)).sum();
            let configuration = if *configuration { chip.configuration.len() as u64 } else { 0 };
            memory + instructions(configuration + u64::from(*lock), pace)
        }
        StepKind::Release => Duration::ZERO,
    }
}

/// One page: loaded, written, while the next one travels.
fn written_page(bytes: u32, write: Duration, pace: Pace) -> Duration {
    (instructions(u64::from(bytes) + 1, pace) + write).max(link(u64::from(bytes), pace))
}

/// A span read by the bridge, a checksum a page going to the host.
fn checked(memory: Memory, span: Span, chip: &Chip, pace: Pace) -> Duration {
    let MemoryShape { page, .. } = if memory == Memory::Eeprom { chip.eeprom } else { chip.flash };
    let checksums = u64::from(span.len().div_ceil(page.max(1))) * 4;
    instructions(u64::from(span.len()), pace).max(link(checksums, pace))
}

fn instructions(count: u64, pace: Pace) -> Duration {
    share(count * INSTRUCTION * 8, pace.programming_clock.0)
}

fn link(bytes: u64, pace: Pace) -> Duration {
    share(bytes, pace.bytes_per_second)
}

/// `amount` at `rate` a second; a rate of 0 is taken for 1.
fn share(amount: u64, rate: u32) -> Duration {
    Duration::from_nanos(amount.saturating_mul(1_000_000_000) / u64::from(rate.max(1)))
}
