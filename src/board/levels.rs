//! Whether the pins of a bridge and of a board go together. The one place that decides it.

use super::layout::Board;
use crate::units::Millivolts;

/// The highest level that inputs which bear 5 V bear, in millivolts.
const BORNE_MV: u16 = 5_500;

/// The levels in common use: boards whose supply is not known have one of them, as far as their range allows.
const COMMON: [Millivolts; 2] = [Millivolts(3_300), Millivolts(5_000)];

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
    /// How pins that are driven at `pins` stand to this board's inputs. What is fitted in between does not count. Where the board's level
    /// is not known, pins that are too high for one that it may have are too high.
    pub fn level_fit(&self, pins: Millivolts) -> LevelFit {
        let fits: Vec<LevelFit> = self.possible_levels().into_iter().map(|own| self.fit_at(own, pins)).collect();
        let order = [LevelFit::TooHigh, LevelFit::Near, LevelFit::Borne];
        order.into_iter().find(|fit| fits.contains(fit)).unwrap_or(LevelFit::TooLow)
    }

    fn fit_at(&self, own: Millivolts, pins: Millivolts) -> LevelFit {
        match pins > own {
            _ if near(pins, own) => LevelFit::Near,
            true if self.bears_5v && pins.0 <= BORNE_MV => LevelFit::Borne,
            true => LevelFit::TooHigh,
            false => LevelFit::TooLow,
        }
    }

    /// The levels that this board's signals may have: one, unless they follow a supply that is not known.
    pub fn possible_levels(&self) -> Vec<Millivolts> {
        let (least, most) = self.supply;
        let common: Vec<Millivolts> = COMMON.into_iter().filter(|level| (least..=most).contains(level)).collect();
        match (self.level_follows_supply, common.is_empty()) {
            (false, _) => vec![self.levels],
            (true, false) => common,
            (true, true) => vec![least, most],
        }
    }

    /// This board as what its supply measures shows it. A level that follows the supply is known then. And below the range of its
    /// description it is another board than the described one: its signals are no higher than its supply, and its inputs bear no more.
    #[must_use]
    pub fn at_supply(&self, supply: Option<Millivolts>) -> Board {
        let mut board = self.clone();
        match supply {
            Some(supply) if self.level_follows_supply => (board.levels, board.level_follows_supply) = (supply, false),
            Some(supply) if supply < self.supply.0 && supply < self.levels => (board.levels, board.bears_5v) = (supply, false),
            _ => {}
        }
        board
    }
}
