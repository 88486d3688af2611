//! Getting the chip into programming mode.
//!
//! Source: 2549 and 8271, 'Serial Programming Algorithm' steps 1 to 3 (checked): SCK low, a positive RESET pulse of at least two
//! CPU clocks, RESET low, at least 20 ms, Programming Enable, `53` back with the third byte; all four bytes are sent in any
//! case; no echo: a positive pulse on RESET, and again. SCK idles low on every bus, as SPI mode 0 has it.

use super::configuration::Identity;
use super::evidence::{Attempt, Evidence, Feed, NoAnswer};
use super::instruction::PROGRAMMING_ENABLE;
use super::lists::{bytes_of, transfer};
use super::rung::{Rung, slowest_first};
use super::wiring::Wiring;
use super::{AlgorithmError, AvrSpi, Session, Task};
use crate::bus::{BusError, Drive, Line, Operation, Reply, Why};
use crate::units::{Hertz, Millivolts};
use std::time::Duration;

/// From RESET going low to Programming Enable: at least 20 ms.
pub(super) const BEFORE_ENABLE: Duration = Duration::from_millis(20);
/// The shortest RESET pulse given: boards hang capacitors on RESET, and two clocks of the slowest oscillator (16 kHz) fit
/// in it many times. Between two pulses the firmware runs for so long, so it is not made longer than need be.
pub(super) const PULSE: Duration = Duration::from_millis(1);
/// Entries tried on each rung: a single disturbed echo must not lead to a slower clock.
const TRIES_A_RUNG: u32 = 2;
/// ID, calibration, configuration and lock are read this often and must stay the same: a clock slightly too fast for the
/// chip shows there first.
const STEADY_READS: usize = 4;
/// For the proof at a slow clock that is followed by a faster one.
const PROOF_READS: usize = 2;

/// How the chip was entered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Entered {
    /// The rung that held.
    pub rung: Rung,
    /// The programming clock that the bridge makes.
    pub programming_clock: Hertz,
    /// The clock that the bridge feeds to the chip, where it does.
    pub clock_output: Option<Hertz>,
    /// How many entries were tried until one was in step.
    pub tries: u32,
    /// The ID bytes, read several times with the same result.
    pub id: [u8; 3],
    /// The supply; `None` where the bridge cannot measure it.
    pub supply: Option<Millivolts>,
}

/// An entry in the making: what was tried so far.
#[derive(Default)]
struct Ladder {
    attempts: Vec<Attempt>,
    tries: u32,
    pulse: Duration,
    supply: Option<Millivolts>,
}

impl AvrSpi<'_> {
    /// Enters programming mode on the first of `rungs` that holds: the echo is right and ID, calibration byte, configuration and
    /// lock read the same several times. ID bytes of another chip may be a misread at a clock too fast, so slower
    /// rungs are tried as well before they are believed.
    ///
    /// # Errors
    /// [`AlgorithmError::NoAnswer`] with the evidence when no rung holds; the bus's. The chip is let go then.
    pub fn enter(&mut self, rungs: &[Rung]) -> Result<Entered, AlgorithmError> {
        let mut ladder = self.begin(rungs)?;
        let held = self.climb(&mut ladder, rungs, STEADY_READS);
        self.conclude(ladder, held)
    }

    /// For a chip that does not answer, or after a change of its clock: tries `rungs` slowest first, which shows whether
    /// the chip answers at all. Then enters again on the first of `rungs` in their own order that holds and reads the same as was
    /// read before, so that the work is done at a proper pace.
    ///
    /// # Errors
    /// As [`AvrSpi::enter`].
    pub fn enter_slowest_first(&mut self, rungs: &[Rung]) -> Result<Entered, AlgorithmError> {
        let mut ladder = self.begin(rungs)?;
        let held = self.climb_from_the_slowest(&mut ladder, rungs);
        self.conclude(ladder, held)
    }

    fn climb_from_the_slowest(&mut self, ladder: &mut Ladder, rungs: &[Rung]) -> Result<Option<(Rung, Identity)>, AlgorithmError> {
        let order = slowest_first(rungs);
        // What was read at the clock before is as good a proof, and at a slow clock an instruction takes 10 ms.
        let proof = match self.known.clone() {
            Some(known) => self.first_echo(ladder, &order)?.map(|rung| (rung, known)),
            None => self.climb(ladder, &order, PROOF_READS)?,
        };
        let Some((slow, proof)) = proof else { return Ok(None) };
        let faster = |rung: &&Rung| rung.clock_output == slow.clock_output && rung.programming_clock > slow.programming_clock;
        for rung in rungs.iter().filter(faster) {
            let Some(identity) = self.attempt(ladder, *rung, STEADY_READS)? else { continue };
            if identity.masked(self.chip) == proof.masked(self.chip) {
                return Ok(Some((*rung, identity)));
            }
        }
        self.climb(ladder, &[slow], STEADY_READS)
    }

    /// The first of `rungs` that echoes.
    fn first_echo(&mut self, ladder: &mut Ladder, rungs: &[Rung]) -> Result<Option<Rung>, AlgorithmError> {
        for rung in rungs {
            for _ in 0..TRIES_A_RUNG {
                if self.echo(ladder, *rung)?.is_some() {
                    return Ok(Some(*rung));
                }
            }
        }
        Ok(None)
    }

    /// Enters again as before, after a chip erase: the positive RESET pulse ends the erase (interface note: checked).
    pub(super) fn enter_again(&mut self, rung: Rung) -> Result<(), AlgorithmError> {
        let mut ladder = self.begin(&[rung])?;
        let held = self.climb(&mut ladder, &[rung], PROOF_READS);
        self.conclude(ladder, held).map(|_| ())
    }

    fn begin(&mut self, rungs: &[Rung]) -> Result<Ladder, AlgorithmError> {
        let abilities = self.bus.abilities();
        let Some(slowest) = rungs.iter().map(|rung| rung.programming_clock).min() else {
            return Err(AlgorithmError::NoClockInRange { slowest: abilities.spi_clock_min, fastest: abilities.spi_clock_max });
        };
        let feed = Feed::of(self.chip, abilities);
        let supply = self.supply()?;
        // Lines that are driven into a board without a supply would feed it.
        let unpowered = supply.filter(|supply| Wiring::is_no_supply(*supply)).map(|_| Wiring { supply, lines: None });
        if let Some(no_answer) = unpowered.and_then(|wiring| NoAnswer::untried(wiring, feed)) {
            return Err(AlgorithmError::NoAnswer(Box::new(no_answer)));
        }
        // The system clock is at least four times the programming clock, so this is four of the chip's clocks or more.
        let pulse = PULSE.max(Duration::from_secs(1) / slowest.0.max(1));
        Ok(Ladder { pulse, supply, ..Ladder::default() })
    }

    /// Tries rungs in their order; the first that holds with this chip's own ID bytes, else the last that held at all.
    fn climb(&mut self, ladder: &mut Ladder, rungs: &[Rung], reads: usize) -> Result<Option<(Rung, Identity)>, AlgorithmError> {
        let mut other_chip = None;
        for rung in rungs {
            let Some(identity) = self.attempt(ladder, *rung, reads)? else { continue };
            if identity.id == self.chip.id {
                return Ok(Some((*rung, identity)));
            }
            other_chip = Some(*rung);
        }
        let Some(rung) = other_chip else { return Ok(None) };
        Ok(self.attempt(ladder, rung, reads)?.map(|identity| (rung, identity)))
    }

    /// One rung, up to [`TRIES_A_RUNG`] times; `None` when it does not hold.
    fn attempt(&mut self, ladder: &mut Ladder, rung: Rung, reads: usize) -> Result<Option<Identity>, AlgorithmError> {
        for _ in 0..TRIES_A_RUNG {
            let Some(answer) = self.echo(ladder, rung)? else { continue };
            match self.steady(reads)? {
                Ok(identity) => return Ok(Some(identity)),
                Err(evidence) => ladder.attempts.push(Attempt { rung, answer, evidence }),
            }
        }
        self.entered = None;
        Ok(None)
    }

    /// One try: the answer to Programming Enable, where it has the echo.
    fn echo(&mut self, ladder: &mut Ladder, rung: Rung) -> Result<Option<[u8; 4]>, AlgorithmError> {
        ladder.tries += 1;
        let answer = self.enable(rung, ladder.pulse)?;
        let evidence = Evidence::of_answer(answer);
        ladder.attempts.extend(evidence.map(|evidence| Attempt { rung, answer, evidence }));
        Ok(evidence.is_none().then_some(answer))
    }

    /// RESET pulse, wait, Programming Enable. What came back with it.
    fn enable(&mut self, rung: Rung, pulse: Duration) -> Result<[u8; 4], AlgorithmError> {
        let reset = |drive| Operation::Line { line: Line::Reset, drive };
        let mut list = vec![Operation::SpiClock(rung.programming_clock)];
        if rung.clock_output != self.clock_output {
            list.push(Operation::ClockOutput(rung.clock_output));
        }
        // Where the firmware runs, RESET is high already: it is not started anew just to be stopped.
        list.extend([reset(Drive::High), Operation::Delay(pulse)]);
        list.extend([reset(Drive::Low), Operation::Delay(BEFORE_ENABLE), transfer(PROGRAMMING_ENABLE)]);
        (self.driving, self.entered) = (true, None);
        self.clock_output = rung.clock_output;
        let replies = self.run(Task::Entering, &list)?;
        let answer = bytes_of(&replies, list.len() - 1, 4).map_err(|source| self.failed(Task::Entering, source))?;
        let answer = [answer[0], answer[1], answer[2], answer[3]];
        let programming_clock = match replies.first() {
            Some(Reply::Clock(made)) => *made,
            _ => rung.programming_clock,
        };
        self.entered = Some(Session { rung, programming_clock });
        Ok(answer)
    }

    /// Reads what identifies the chip several times.
    fn steady(&mut self, reads: usize) -> Result<Result<Identity, Evidence>, AlgorithmError> {
        let reads = self.read_identity(Task::Entering, reads)?;
        let Some(first) = reads.first() else { return Ok(Err(Evidence::Unsteady)) };
        if reads.iter().any(|read| read.masked(self.chip) != first.masked(self.chip)) {
            return Ok(Err(Evidence::Unsteady));
        }
        match first.id {
            [0x00, 0x00, 0x00] | [0xFF, 0xFF, 0xFF] => Ok(Err(Evidence::BlankId)),
            _ => Ok(Ok(first.clone())),
        }
    }

    /// The evidence of a ladder that failed, with a look at supply and lines; or why that cannot be had any more.
    fn no_answer(&mut self, ladder: Ladder) -> Result<NoAnswer, AlgorithmError> {
        let wiring = self.wiring()?;
        Ok(NoAnswer::of(ladder.attempts, wiring, Feed::of(self.chip, self.bus.abilities())))
    }

    /// The result of a ladder; without one, or after an error, the chip is let go.
    fn conclude(&mut self, ladder: Ladder, held: Result<Option<(Rung, Identity)>, AlgorithmError>) -> Result<Entered, AlgorithmError> {
        let error = match (held, self.entered) {
            (Ok(Some((rung, identity))), Some(session)) => {
                return Ok(Entered {
                    rung,
                    programming_clock: session.programming_clock,
                    clock_output: rung.clock_output,
                    tries: ladder.tries,
                    id: identity.id,
                    supply: ladder.supply,
                });
            }
            (Err(AlgorithmError::Bus { source: BusError::Failed { why: Why::NoPower, .. }, .. }), _) => {
                let no_power = |found| NoAnswer { evidence: Evidence::NoPower, ..found };
                self.no_answer(ladder).map_or_else(|error| error, |found| AlgorithmError::NoAnswer(Box::new(no_power(found))))
            }
            (Err(error), _) => error,
            (Ok(_), _) => self.no_answer(ladder).map_or_else(|error| error, |found| AlgorithmError::NoAnswer(Box::new(found))),
        };
        // The first error is the one to tell.
        let _ = self.release();
        Err(error)
    }
}
