//! What a bridge sees of a board's supply and lines without an answer of the chip: the one place that measures them.
//!
//! The sequence is an entry's (see `entry.rs`): nothing else is ever sent to a chip that is not in programming mode. It takes about
//! 25 ms, and the next entry begins with a RESET pulse of its own.

use super::entry::{BEFORE_ENABLE, PULSE};
use super::evidence::Evidence;
use super::instruction::PROGRAMMING_ENABLE;
use super::lists::{bytes_of, transfer};
use super::{AlgorithmError, AvrSpi, Task};
use crate::bus::{BusError, Drive, Line, LineLevels, Operation, Reply, Why};
use crate::units::{Hertz, Millivolts};
use std::fmt;

/// The programming clock of this look: slow enough for long wires and nearly every chip, and four bytes take 3 ms.
const CLOCK: Hertz = Hertz(10_000);

/// What was measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Wiring {
    /// The supply; `None` where the bridge cannot measure it.
    pub supply: Option<Millivolts>,
    /// `None` where no line was driven, because the board has no supply.
    pub lines: Option<Lines>,
}

/// The lines as the bridge reads them at its own pins while it drives RESET one way and the other, SCK and MOSI low.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lines {
    pub with_reset_high: LineLevels,
    pub with_reset_low: LineLevels,
    /// What came back while Programming Enable was sent.
    pub back: [u8; 4],
}

/// What MISO did while four bytes were sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Miso {
    StaysLow,
    StaysHigh,
    /// Each bit that was sent came back at once.
    FollowsMosi,
    Moves,
}

impl Miso {
    pub fn words(self) -> &'static str {
        match self {
            Miso::StaysLow => "stays low",
            Miso::StaysHigh => "stays high",
            Miso::FollowsMosi => "follows MOSI",
            Miso::Moves => "moves and does not follow MOSI",
        }
    }
}

impl AvrSpi<'_> {
    /// Measures the supply and, where there is one, the lines. The bridge drives them afterwards, RESET low, until an entry or a release.
    ///
    /// # Errors
    /// The bus's.
    pub fn wiring(&mut self) -> Result<Wiring, AlgorithmError> {
        let supply = self.supply()?;
        if supply.is_some_and(Wiring::is_no_supply) {
            return Ok(Wiring { supply, lines: None });
        }
        match self.lines() {
            Ok(lines) => Ok(Wiring { supply, lines: Some(lines) }),
            Err(AlgorithmError::Bus { source: BusError::Failed { why: Why::NoPower, .. }, .. }) => Ok(Wiring { supply, lines: None }),
            Err(error) => Err(error),
        }
    }

    /// The board's supply, where the bridge measures it. Drives nothing.
    ///
    /// # Errors
    /// The bus's.
    pub fn supply(&mut self) -> Result<Option<Millivolts>, AlgorithmError> {
        if !self.bus.abilities().measures_supply {
            return Ok(None);
        }
        let replies = self.run(Task::Measuring, &[Operation::MeasureSupply])?;
        Ok(replies.iter().find_map(|reply| if let Reply::Supply(supply) = reply { *supply } else { None }))
    }

    fn lines(&mut self) -> Result<Lines, AlgorithmError> {
        let abilities = self.bus.abilities();
        let clock = CLOCK.max(abilities.spi_clock_min).min(abilities.spi_clock_max);
        let reset = |drive| Operation::Line { line: Line::Reset, drive };
        let list = [
            Operation::SpiClock(clock),
            reset(Drive::High),
            Operation::Delay(PULSE),
            Operation::ReadLines,
            reset(Drive::Low),
            Operation::Delay(BEFORE_ENABLE),
            Operation::ReadLines,
            transfer(PROGRAMMING_ENABLE),
        ];
        (self.driving, self.entered) = (true, None);
        let replies = self.run(Task::Measuring, &list)?;
        let back = bytes_of(&replies, list.len() - 1, 4).map_err(|source| self.failed(Task::Measuring, source))?;
        let back = [back[0], back[1], back[2], back[3]];
        let mut levels = replies.iter().filter_map(|reply| if let Reply::Lines(levels) = reply { Some(*levels) } else { None });
        match (levels.next(), levels.next()) {
            (Some(with_reset_high), Some(with_reset_low)) => Ok(Lines { with_reset_high, with_reset_low, back }),
            _ => Err(self.failed(Task::Measuring, BusError::Nonsense { what: "it did not say how the lines are".into() })),
        }
    }
}

impl Wiring {
    /// No part of this family works below 1.8 V (8271, 'Electrical Characteristics', operating voltage: from memory).
    const LEAST: Millivolts = Millivolts(1_800);

    /// Whether what was measured is no supply: below half of the least that any chip works at it is leakage through the signal lines.
    #[must_use]
    pub fn is_no_supply(supply: Millivolts) -> bool {
        supply < Millivolts(Wiring::LEAST.0 / 2)
    }

    /// What it shows by itself; `None` where nothing looks wrong.
    #[must_use]
    pub fn evidence(&self) -> Option<Evidence> {
        let lines = match self {
            Wiring { lines: None, .. } => return Some(Evidence::NoPower),
            Wiring { supply: Some(supply), .. } if *supply < Wiring::LEAST => return Some(Evidence::LowSupply),
            Wiring { lines: Some(lines), .. } => lines,
        };
        let (high, low) = (lines.with_reset_high, lines.with_reset_low);
        match lines.miso() {
            _ if low.reset => Some(Evidence::ResetHeldHigh),
            _ if !high.reset => Some(Evidence::ResetHeldLow),
            _ if high.mosi && low.mosi => Some(Evidence::MosiHeldHigh),
            _ if high.sck && low.sck => Some(Evidence::SckHeldHigh),
            Miso::FollowsMosi => Some(Evidence::SentComesBack),
            Miso::StaysLow => Some(Evidence::AllZeros),
            Miso::StaysHigh => Some(Evidence::AllOnes),
            Miso::Moves => None,
        }
    }
}

impl Lines {
    #[must_use]
    pub fn miso(&self) -> Miso {
        match self.back {
            PROGRAMMING_ENABLE => Miso::FollowsMosi,
            [0x00, 0x00, 0x00, 0x00] => Miso::StaysLow,
            [0xFF, 0xFF, 0xFF, 0xFF] => Miso::StaysHigh,
            _ => Miso::Moves,
        }
    }
}

impl fmt::Display for Lines {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (high, low) = (self.with_reset_high, self.with_reset_low);
        let reset = match (high.reset, low.reset) {
            (true, false) => "moves",
            (false, false) => "stays low",
            (true, true) => "stays high",
            (false, true) => "is the wrong way round",
        };
        let sck = if high.sck && low.sck { "stays high" } else { "goes low" };
        let mosi = if high.mosi && low.mosi { "stays high" } else { "goes low" };
        write!(f, "RESET {reset}, SCK {sck}, MOSI {mosi}, MISO {}", self.miso().words())
    }
}
