//! How the end of a self-timed write is known.
//!
//! Sources: RDY/BSY: only that instruction may be sent while the chip is busy (2549, 8271: checked). Data polling, for parts without
//! it: the place that is written reads 0xFF until it is done, so it tells nothing of a byte that is to be 0xFF (2490, 2512, 1228: checked).

use super::instruction::{ANSWER, BUSY, Instruction, POLL_BUSY};
use super::{AlgorithmError, AvrSpi, Task};
use crate::board::{Ready, Way};
use crate::bus::Operation;
use crate::units::Hertz;
use std::time::Duration;

/// A chip that can be asked is waited for this many times longer than the datasheet's maximum: the self-timing follows an
/// oscillator that slows down with voltage and temperature, and editions do not agree on the figure.
const GENEROUS: u32 = 4;

/// What the writes of one kind take, and how their end shows.
#[derive(Clone, Copy)]
pub(super) struct Pace {
    ready: Ready,
    /// The datasheet's maximum.
    longest: Duration,
    programming_clock: Hertz,
}

impl AvrSpi<'_> {
    /// For writes that take at most `longest` by the datasheet.
    pub(super) fn pace(&self, task: Task, longest: Duration) -> Result<Pace, AlgorithmError> {
        let ready = self.chip.way_in(Way::Spi).map(|way_in| way_in.ready).unwrap_or_default();
        Ok(Pace { ready, longest, programming_clock: self.session(task)?.programming_clock })
    }
}

impl Pace {
    /// Waits for the end of a write that shows in no memory, such as that of a fuse byte. Where the chip cannot be asked, the longest
    /// time printed and a fifth more has to pass.
    pub(super) fn wait(self) -> Operation {
        match self.ready {
            Ready::Bit => self.poll(POLL_BUSY, BUSY),
            Ready::DataPolling => Operation::Delay(self.longest * 6 / 5),
        }
    }

    /// Waits for the end of a write that makes a place of a memory read as `value`; `read` reads that place.
    pub(super) fn wait_at(self, read: Instruction, value: u8) -> Operation {
        match (self.ready, value) {
            (Ready::Bit, _) | (Ready::DataPolling, 0xFF) => self.wait(),
            (Ready::DataPolling, value) => self.poll(read, !value),
        }
    }

    /// Repeats an instruction until the bits of `mask` are 0 in its answer. At a slow programming clock a single one may take longer
    /// than the write.
    fn poll(self, instruction: Instruction, mask: u8) -> Operation {
        let one = Duration::from_secs(32) / self.programming_clock.0.max(1);
        let limit = self.longest * GENEROUS + one * GENEROUS;
        Operation::Poll { send: instruction.to_vec(), byte: ANSWER as u8, mask, value: 0, limit }
    }
}
