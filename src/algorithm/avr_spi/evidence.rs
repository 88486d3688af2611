//! What the lines showed when no entry succeeded.
//!
//! What an answer suggests is trade knowledge, from memory; the vendor's application note on the serial interface
//! describes the faults of wiring behind it.

use super::instruction::{ECHO, PROGRAMMING_ENABLE};
use super::rung::Rung;
use super::wiring::Wiring;
use crate::board::Chip;
use crate::bus::Abilities;
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
    /// The supply is below what any chip of this family needs.
    LowSupply,
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

    /// What was seen, as a sentence.
    pub fn seen(self) -> &'static str {
        match self {
            Evidence::AllZeros => "MISO stayed low for the whole time.",
            Evidence::AllOnes => "MISO stayed high for the whole time.",
            Evidence::OtherBytes => "Bytes came back, and the echo of Programming Enable was not among them.",
            Evidence::ShiftedByABit => "The echo of Programming Enable came back shifted by one bit.",
            Evidence::BlankId => "The echo was right, and the ID bytes read as all 00 or all FF.",
            Evidence::Unsteady => "The echo was right, and what was read then changed from one read to the next.",
            Evidence::SentComesBack => "Every byte that was sent came back at once.",
            Evidence::SckHeldHigh => "SCK stayed high although the bridge drove it low.",
            Evidence::MosiHeldHigh => "MOSI stayed high although the bridge drove it low.",
            Evidence::ResetHeldLow => "RESET stayed low although the bridge drove it high.",
            Evidence::ResetHeldHigh => "RESET stayed high although the bridge drove it low.",
            Evidence::LowSupply => "The supply is below the 1.8 V that any chip of this family needs.",
            Evidence::NoPower => "The bridge sees no supply on the board.",
        }
    }

    /// What to look at first, the likeliest wire in front. The clock of a chip that only its own oscillator runs is no wire's doing.
    fn look_at(self, takes_a_clock: bool) -> String {
        let wires = match self {
            Evidence::AllZeros => "MISO and MOSI (is one shorted to ground?), then RESET",
            Evidence::AllOnes => "MISO (open, or swapped with MOSI?), then SCK (held low?), RESET",
            Evidence::OtherBytes => "RESET (does it reach the chip?), other parts on MISO, long wires",
            Evidence::ShiftedByABit => "SCK (noise, an edge too many, long wires, a missing ground)",
            Evidence::BlankId if takes_a_clock => "the chip's clock (slower than any that was tried?), MISO, and the supply",
            Evidence::BlankId => "MISO, and the supply",
            Evidence::Unsteady => "long wires, ground, the supply under load",
            Evidence::SentComesBack => "MOSI and MISO, which seem to be joined",
            Evidence::SckHeldHigh => "SCK, which is shorted to the supply or driven by another part",
            Evidence::MosiHeldHigh => "MOSI, which is shorted to the supply or driven by another part",
            Evidence::ResetHeldLow => "RESET, which is shorted to ground or held by a button or a supervisor",
            Evidence::ResetHeldHigh => "RESET, which is shorted to the supply or driven by another part",
            Evidence::LowSupply => "the board's supply, its cable, and what may pull it down",
            Evidence::NoPower => "the board's supply, ground, and the wire to VCC by which the bridge measures it",
        };
        let clock = match self {
            Evidence::AllZeros | Evidence::AllOnes | Evidence::OtherBytes | Evidence::Unsteady if takes_a_clock => ", the chip's clock",
            _ => "",
        };
        format!("{wires}{clock}.")
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
    /// Every try, in order. None at all where the board has no supply.
    pub attempts: Vec<Attempt>,
    /// What supply and lines show, looked at after the last try.
    pub wiring: Wiring,
    /// What all of it shows together.
    pub evidence: Evidence,
    /// Whether a clock from the bridge could make the chip answer.
    pub feed: Feed,
}

/// Whether a clock from the bridge can run a chip.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Feed {
    Possible,
    /// The bridge has no clock output.
    NoOutput,
    /// No setting of the chip that is known chooses a clock from outside: it runs on its own, and never lost one.
    NotTaken,
}

impl Feed {
    /// Of this chip, by a bridge with these abilities.
    pub fn of(chip: &Chip, abilities: &Abilities) -> Feed {
        match (chip.takes_a_clock(), abilities.clock_output) {
            (false, _) => Feed::NotTaken,
            (true, false) => Feed::NoOutput,
            (true, true) => Feed::Possible,
        }
    }
}

impl NoAnswer {
    pub(super) fn of(attempts: Vec<Attempt>, wiring: Wiring, feed: Feed) -> NoAnswer {
        // At a clock too fast for it a chip sends bytes of any kind; without an echo, what was looked at slowly says more.
        let slow = wiring.evidence();
        let tries = attempts.iter().map(|attempt| attempt.evidence).filter(|seen| *seen >= Evidence::BlankId || slow.is_none());
        let seen = tries.max().max(slow);
        NoAnswer { attempts, wiring, evidence: seen.unwrap_or(Evidence::NoPower), feed }
    }

    /// Why the chip is not tried at all: the board has no supply, or a line is held. `None` where it should be tried.
    #[must_use]
    pub fn untried(wiring: Wiring, feed: Feed) -> Option<NoAnswer> {
        let certain = wiring.evidence().filter(|evidence| *evidence >= Evidence::SckHeldHigh);
        certain.map(|evidence| NoAnswer { attempts: Vec::new(), wiring, evidence, feed })
    }

    /// The bridge has a clock output that can run the chip, no rung used it, and the board has a supply: a chip that lost its clock may
    /// answer with it.
    pub fn clock_output_untried(&self) -> bool {
        let untried = self.attempts.iter().all(|attempt| attempt.rung.clock_output.is_none());
        self.feed == Feed::Possible && untried && self.evidence < Evidence::LowSupply
    }

    /// What to look at first, the likeliest wire in front.
    pub fn look_at(&self) -> String {
        self.evidence.look_at(self.feed != Feed::NotTaken)
    }

    /// What was tried, as the first line of the message has it.
    fn tried(&self) -> String {
        let clocks = || self.attempts.iter().map(|attempt| attempt.rung.programming_clock);
        let (Some(fastest), Some(slowest)) = (clocks().max(), clocks().min()) else {
            let driven = if self.wiring.lines.is_none() { ", and no line was driven" } else { "" };
            return format!("the chip was not tried{driven}");
        };
        let tries = if self.attempts.len() == 1 { "1 try".into() } else { format!("{} tries", self.attempts.len()) };
        match fastest == slowest {
            true => format!("the chip did not answer ({tries}, programming clock {fastest})"),
            false => format!("the chip did not answer ({tries}, programming clocks from {fastest} down to {slowest})"),
        }
    }
}

impl fmt::Display for NoAnswer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Wiring { supply, lines } = &self.wiring;
        write!(f, "{}.\n{} ", self.tried(), self.evidence.seen())?;
        match supply {
            // It went away while the entry was tried, and is back.
            Some(supply) if self.evidence == Evidence::NoPower && !Wiring::is_no_supply(*supply) => write!(f, "It measures {supply} now.")?,
            Some(supply) => write!(f, "The supply measures {supply}.")?,
            None => write!(f, "The supply was not measured: this bridge cannot.")?,
        }
        if let Some(lines) = lines {
            write!(f, "\nLines: {lines}.")?;
        }
        if let Some(last) = self.attempts.last() {
            write!(f, "\nSent {PROGRAMMING_ENABLE:02X?}, last answer {:02X?}.", last.answer)?;
        }
        // A chip without a supply is silent, too.
        let silent = matches!(self.evidence, Evidence::AllZeros | Evidence::AllOnes);
        let supply_first = if silent && supply.is_none() { "the board's supply, then " } else { "" };
        write!(f, "\nLook first at: {supply_first}{}", self.look_at())?;
        match self.clock_output_untried() {
            true => write!(f, "\nA chip that lost its clock answers with the bridge's clock output wired to its clock pin."),
            false => Ok(()),
        }
    }
}

impl std::error::Error for NoAnswer {}
