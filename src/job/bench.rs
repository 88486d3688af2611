//! A board on the bench: the chip behind its bus, the description it should fit, and who listens.

use super::{Event, JobError};
use crate::algorithm::AlgorithmError;
use crate::algorithm::avr_spi::{AvrSpi, Entered, Feed, NoAnswer, Rung, Wiring, rungs};
use crate::board::{Board, Chip, Way};
use crate::bus::Bus;
use crate::image::{ByteAddress, Memory};
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
    board: &'a Board,
    pub(super) chip: &'a Chip,
    pub(super) clock: SharedClock,
    pub(super) listener: &'a mut dyn FnMut(&Event),
    pub(super) stop: &'a AtomicBool,
    /// Entries to try, in their own order.
    rungs: Vec<Rung>,
    /// The one that worked last.
    preferred: Option<Rung>,
    pin_level: Millivolts,
    /// Pages that the plan in hand has written, by their first addresses.
    pub(super) written: Vec<(Memory, ByteAddress)>,
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
        Bench { spi: AvrSpi::new(bus, chip), board, chip, clock, listener, stop, rungs, preferred: None, pin_level, written: Vec::new() }
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

    /// Measures supply and lines before the chip is tried.
    ///
    /// # Errors
    /// [`AlgorithmError::NoAnswer`] where the board has no supply or a line is held, so that trying the chip makes no sense;
    /// [`JobError::Refused`] where no line may be driven.
    pub fn measure(&mut self) -> Result<Wiring, JobError> {
        self.look(|bench| {
            bench.may_be_driven()?;
            let wiring = bench.spi.wiring()?;
            match NoAnswer::untried(wiring, Feed::of(bench.chip, bench.spi.abilities())) {
                Some(no_answer) => Err(AlgorithmError::NoAnswer(Box::new(no_answer)).into()),
                None => Ok(wiring),
            }
        })
    }

    /// A board whose inputs do not bear the bridge's level, by its description or by the supply that it has just now, is not touched.
    /// Without a supply nobody drives a line anyway.
    fn may_be_driven(&mut self) -> Result<(), JobError> {
        let supply = self.spi.supply()?;
        let refused = overdriven(self.pin_level, supply, self.board).filter(|_| !supply.is_some_and(Wiring::is_no_supply));
        refused.map_or(Ok(()), |finding| Err(JobError::Refused(finding)))
    }

    /// Brings the chip into programming mode, afresh. What worked last is tried first, so that no entry searches again; after a
    /// change of the clock (`slowest_first`) it says nothing.
    pub(super) fn enter(&mut self, slowest_first: bool) -> Result<Access, JobError> {
        let entered = match self.try_to_enter(slowest_first) {
            // While nobody spoke to it (somebody thought about a question), the bridge has let go and forgotten the session.
            Err(JobError::Algorithm(error)) if error.restarted() => self.try_to_enter(slowest_first)?,
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

    fn try_to_enter(&mut self, slowest_first: bool) -> Result<Entered, JobError> {
        self.may_be_driven()?;
        if slowest_first {
            return Ok(self.spi.enter_slowest_first(&self.rungs)?);
        }
        let rest = self.rungs.iter().filter(|rung| Some(**rung) != self.preferred);
        let rungs: Vec<Rung> = self.preferred.iter().chain(rest).copied().collect();
        Ok(self.spi.enter(&rungs)?)
    }
}

/// Whether work goes on after the page, the block or the wait in hand.
pub fn go_on(stop: &AtomicBool) -> ControlFlow<()> {
    match stop.load(Ordering::Relaxed) {
        true => ControlFlow::Break(()),
        false => ControlFlow::Continue(()),
    }
}
