//! A board on the bench: the chip behind its bus, the description it should fit, and who listens.

use super::{Event, JobError};
use crate::algorithm::AlgorithmError;
use crate::algorithm::avr_spi::{AvrSpi, Entered, Rung, rungs};
use crate::board::{Board, Chip, Way};
use crate::bus::Bus;
use crate::finding::Finding;
use crate::plan::{Access, overdriven};
use crate::time::SharedClock;
use crate::units::{Hertz, Millivolts};
use std::ops::ControlFlow;
use std::sync::atomic::{AtomicBool, Ordering};

/// What the bridge feeds to a chip that lost its clock: every part here runs at it, at any supply (8271 and 2549, 'Speed grades',
/// from memory: 4 MHz at 1.8 V).
const CLOCK_OUTPUT: Hertz = Hertz(1_000_000);

/// How often work is begun again after the bridge had restarted in the middle of it.
pub(super) const RESTARTS_MAX: u32 = 3;

/// A board that is being worked on. Dropping it lets the chip go.
pub struct Bench<'a> {
    pub(super) spi: AvrSpi<'a>,
    pub(super) chip: &'a Chip,
    pub(super) clock: SharedClock,
    pub(super) listener: &'a mut dyn FnMut(&Event),
    pub(super) stop: &'a AtomicBool,
    /// Entries to try, in their own order.
    rungs: Vec<Rung>,
    /// The one that worked last.
    preferred: Option<Rung>,
    pin_level: Millivolts,
    /// Why no line of this board may be driven.
    refused: Option<Finding>,
}

impl<'a> Bench<'a> {
    /// Touches nothing yet. Work stops between two pages once `stop` is set.
    pub fn new(
        bus: &'a mut dyn Bus,
        board: &'a Board,
        chip: &'a Chip,
        listener: &'a mut dyn FnMut(&Event),
        stop: &'a AtomicBool,
    ) -> Bench<'a> {
        let clock = bus.clock();
        let rungs = rungs(chip, bus.abilities(), Some(board.clock), board.clock_pin_wired.then_some(CLOCK_OUTPUT));
        let pin_level = bus.abilities().pin_level;
        let refused = overdriven(pin_level, board);
        Bench { spi: AvrSpi::new(bus, chip), chip, clock, listener, stop, rungs, preferred: None, pin_level, refused }
    }

    /// Lets the chip go: its firmware starts.
    ///
    /// # Errors
    /// The bus's.
    pub fn release(&mut self) -> Result<(), JobError> {
        Ok(self.spi.release()?)
    }

    /// Does work that changes nothing and begins with an entry; again where the bridge began anew in the middle.
    pub(super) fn look<T>(&mut self, work: impl Fn(&mut Self) -> Result<T, JobError>) -> Result<T, JobError> {
        let mut result = work(self);
        for _ in 0..RESTARTS_MAX {
            match &result {
                Err(JobError::Algorithm(error)) if error.restarted() => result = work(self),
                _ => break,
            }
        }
        result
    }

    /// Brings the chip into programming mode, afresh. What worked last is tried first, so that no entry searches again; after a
    /// change of the clock (`slowest_first`) it says nothing.
    /// A board whose inputs do not bear the bridge's level is not touched at all.
    pub(super) fn enter(&mut self, slowest_first: bool) -> Result<Access, JobError> {
        if let Some(finding) = &self.refused {
            return Err(JobError::Refused(finding.clone()));
        }
        let entered = match self.try_to_enter(slowest_first) {
            // While nobody spoke to it (somebody thought about a question), the bridge has let go and forgotten the session.
            Err(error) if error.restarted() => self.try_to_enter(slowest_first)?,
            result => result?,
        };
        self.preferred = Some(entered.rung);
        Ok(Access {
            way: Way::Spi,
            programming_clock: entered.programming_clock,
            clock_output: entered.clock_output,
            tries: entered.tries,
            supply: entered.supply,
            pin_level: Some(self.pin_level),
        })
    }

    fn try_to_enter(&mut self, slowest_first: bool) -> Result<Entered, AlgorithmError> {
        if slowest_first {
            return self.spi.enter_slowest_first(&self.rungs);
        }
        let rest = self.rungs.iter().filter(|rung| Some(**rung) != self.preferred);
        let rungs: Vec<Rung> = self.preferred.iter().chain(rest).copied().collect();
        self.spi.enter(&rungs)
    }
}

/// Whether work goes on after the page in hand.
pub(super) fn go_on(stop: &AtomicBool) -> ControlFlow<()> {
    match stop.load(Ordering::Relaxed) {
        true => ControlFlow::Break(()),
        false => ControlFlow::Continue(()),
    }
}
