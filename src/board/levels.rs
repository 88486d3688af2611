//! Whether the pins of a bridge and of a board go together. The one place that decides it.

use super::layout::Board;
use crate::units::Millivolts;

/// The highest level that inputs which bear 5 V bear, in millivolts.
const BORNE_MV: u16 = 5_500;

/// How a bridge's pin level stands to a board's.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LevelFit {
    /// At most a tenth apart.
    Near,
    /// The bridge's is higher, and the board's inputs bear it.
    Borne,
    /// The bridge's is higher than the board's inputs bear.
    TooHigh,
    /// The bridge's is lower than what the board's inputs take for high.
    TooLow,
}

impl LevelFit {
    /// Whether wires alone do, without parts that shift the levels.
    pub fn fits(self) -> bool {
        matches!(self, LevelFit::Near | LevelFit::Borne)
    }
}

/// Whether two levels are at most a tenth of the second apart.
pub fn near(one: Millivolts, other: Millivolts) -> bool {
    u32::from(one.0).abs_diff(u32::from(other.0)) * 10 <= u32::from(other.0)
}

impl Board {
    /// How pins that are driven at `pins` stand to this board's inputs. What is fitted in between does not count.
    pub fn level_fit(&self, pins: Millivolts) -> LevelFit {
        match pins > self.levels {
            _ if near(pins, self.levels) => LevelFit::Near,
            true if self.bears_5v && pins.0 <= BORNE_MV => LevelFit::Borne,
            true => LevelFit::TooHigh,
            false => LevelFit::TooLow,
        }
    }
}
