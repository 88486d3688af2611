//! What the lines showed when no entry succeeded.
//!
//! What an answer suggests is trade knowledge, from memory; the vendor's application note on the serial interface
//! describes the faults of wiring behind it.

use super::instruction::{ECHO, PROGRAMMING_ENABLE};
use super::rung::Rung;
use crate::bus::LineLevels;
use crate::units::Millivolts;
use std::fmt;

/// What one try, or all of them, showed. Later ones say more and win over earlier ones.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Evidence {
    /// Every bit that came back was 0.
    AllZeros,
    /// Every bit that came back was 1.
    AllOnes,
    /// Something came back, and not the echo.
    OtherBytes,
    /// The echo came back, one bit early or late.
    ShiftedByABit,
    /// The echo was right, and the ID bytes read all 00 or all FF.
    BlankId,
    /// The echo was right, and what was read then changed from read to read.
    Unsteady,
    /// What was sent came back in the same byte.
    SentComesBack,
    /// SCK was high while the bridge held it low.
    SckHeldHigh,
    /// MOSI was high while the bridge held it low.
    MosiHeldHigh,
    /// RESET was low while the bridge drove it high.
    ResetHeldLow,
    /// RESET was high while the bridge drove it low.
    ResetHeldHigh,
    /// The bridge sees no supply on the board.
    NoPower,
}

impl Evidence {
    /// What the answer to Programming Enable shows; `None` where the chip is in step.
    pub(super) fn of_answer(answer: [u8; 4]) -> Option<Evidence> {
        if answer == PROGRAMMING_ENABLE {
            return Some(Evidence::SentComesBack);
        }
        match answer[2] {
            ECHO => None,
            _ if answer == [0x00; 4] => Some(Evidence::AllZeros),
            _ if answer == [0xFF; 4] => Some(Evidence::AllOnes),
            third if third & 0xFE == ECHO << 1 || third & 0x7F == ECHO >> 1 => Some(Evidence::ShiftedByABit),
            _ => Some(Evidence::OtherBytes),
        }
    }

    /// The line that something else holds, from the levels with RESET driven high and with RESET driven low.
    pub(super) fn of_lines(high: LineLevels, low: LineLevels) -> Option<Evidence> {
        match () {
            () if low.reset => Some(Evidence::ResetHeldHigh),
            () if !high.reset => Some(Evidence::ResetHeldLow),
            () if high.mosi && low.mosi => Some(Evidence::MosiHeldHigh),
            () if high.sck && low.sck => Some(Evidence::SckHeldHigh),
            () => None,
        }
    }

    /// What was seen, and what to look at first; a sentence each, a line each.
    pub fn sentences(self) -> [&'static str; 2] {
        match self {
            Evidence::AllZeros => [
                "MISO stayed low for the whole time.",
                "Look first at: the board's supply, then MISO (open, shorted to ground) and RESET, then the clock.",
            ],
            Evidence::AllOnes => [
                "MISO stayed high for the whole time.",
                "Look first at: MISO (open, or held high by another part), then RESET and the chip's clock.",
            ],
            Evidence::OtherBytes => [
                "Bytes came back, and the echo of Programming Enable was not among them.",
                "Look first at: RESET (does it go low?), other parts on MISO, a chip without a clock, long wires.",
            ],
            Evidence::ShiftedByABit => [
                "The echo of Programming Enable came back shifted by one bit.",
                "Look first at: SCK (noise, an edge too many, long wires, a missing ground).",
            ],
            Evidence::BlankId => [
                "The echo was right, and the ID bytes read as all 00 or all FF.",
                "Look first at: the chip's clock (slower than any that was tried?), MISO, and the supply.",
            ],
            Evidence::Unsteady => [
                "The echo was right, and what was read then changed from one read to the next.",
                "Look first at: long wires, ground, the supply under load, and the chip's clock.",
            ],
            Evidence::SentComesBack => {
                ["Every byte that was sent came back at once.", "Look first at: MOSI and MISO, which seem to be joined."]
            }
            Evidence::SckHeldHigh => [
                "SCK stayed high although the bridge drove it low.",
                "Look first at: SCK, which is shorted to the supply or driven by another part.",
            ],
            Evidence::MosiHeldHigh => [
                "MOSI stayed high although the bridge drove it low.",
                "Look first at: MOSI, which is shorted to the supply or driven by another part.",
            ],
            Evidence::ResetHeldLow => [
                "RESET stayed low although the bridge drove it high.",
                "Look first at: RESET, which is shorted to ground or held by a button or a supervisor.",
            ],
            Evidence::ResetHeldHigh => [
                "RESET stayed high although the bridge drove it low.",
                "Look first at: RESET, which is shorted to the supply or driven by another part.",
            ],
            Evidence::NoPower => [
                "The bridge sees no supply on the board.",
                "Look first at: the board's supply, ground, and the supply pin of the programming header.",
            ],
        }
    }
}

/// One try of an entry that failed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Attempt {
    pub rung: Rung,
    /// What came back with Programming Enable.
    pub answer: [u8; 4],
    pub evidence: Evidence,
}

/// No rung gave an entry.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NoAnswer {
    /// Every try, in order.
    pub attempts: Vec<Attempt>,
    /// What they show together.
    pub evidence: Evidence,
    /// The supply, where the bridge can measure it.
    pub supply: Option<Millivolts>,
    /// Whether the bridge has a clock output.
    pub has_clock_output: bool,
}

impl NoAnswer {
    pub(super) fn of(attempts: Vec<Attempt>, supply: Option<Millivolts>, has_clock_output: bool) -> NoAnswer {
        let unpowered = supply.is_some_and(|supply| supply < Evidence::UNPOWERED_BELOW);
        let seen = attempts.iter().map(|attempt| attempt.evidence).max();
        let evidence = if unpowered { Evidence::NoPower } else { seen.unwrap_or(Evidence::NoPower) };
        NoAnswer { attempts, evidence, supply, has_clock_output }
    }

    /// The bridge has a clock output, no rung used it, and the board has a supply: a chip that lost its clock may answer with it.
    pub fn clock_output_untried(&self) -> bool {
        let untried = self.attempts.iter().all(|attempt| attempt.rung.clock_output.is_none());
        self.has_clock_output && untried && self.evidence != Evidence::NoPower
    }
}

impl Evidence {
    /// No part of this family works below 1.8 V (8271, 'Electrical Characteristics', operating voltage: from memory); what is
    /// measured below half of that is leakage through the signal lines.
    const UNPOWERED_BELOW: Millivolts = Millivolts(900);
}

impl fmt::Display for NoAnswer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [seen, first] = self.evidence.sentences();
        let tries = if self.attempts.len() == 1 { "try" } else { "tries" };
        write!(f, "the chip did not answer ({} {tries}", self.attempts.len())?;
        let clocks = || self.attempts.iter().map(|attempt| attempt.rung.programming_clock);
        match (clocks().max(), clocks().min()) {
            (Some(fastest), Some(slowest)) if fastest != slowest => write!(f, ", programming clocks from {fastest} down to {slowest}")?,
            (Some(only), _) => write!(f, ", programming clock {only}")?,
            (None, _) => {}
        }
        write!(f, ").\n{seen}")?;
        match self.supply {
            // It went away while the entry was tried.
            Some(supply) if self.evidence == Evidence::NoPower && supply >= Evidence::UNPOWERED_BELOW => {
                write!(f, " It measured {supply} just before.")?;
            }
            Some(supply) => write!(f, " The supply measures {supply}.")?,
            None => {}
        }
        if let Some(last) = self.attempts.last() {
            write!(f, "\nSent {PROGRAMMING_ENABLE:02X?}, last answer {:02X?}.", last.answer)?;
        }
        write!(f, "\n{first}")?;
        match self.clock_output_untried() {
            true => write!(f, "\nA chip that lost its clock answers with the bridge's clock output wired to its clock pin."),
            false => Ok(()),
        }
    }
}

impl std::error::Error for NoAnswer {}
