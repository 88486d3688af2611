//! A plug turned round on its two rows of pins: what a bridge meets then.
//!
//! Pin 1 of the plug sits on the last pin of the programming header, pin 2 on the last but one. The bridge's wire for the supply ends at
//! another signal, so it measures none, and a bridge that measures drives nothing; its ground ends at a signal of the chip and carries
//! next to nothing. A board that feeds itself goes on running. A wire that ends at the board's supply, or at RESET, which a resistor pulls
//! up, reads high, and every other reads low. This is reasoned from the pins and was not measured; what a bridge that feeds the board
//! would do to it (its supply on the board's RESET, or the other way round) is not modelled: `sim` has no way to be harmed.

use crate::board::HeaderPins;
use crate::bus::LineLevels;

/// The levels at the bridge, for a board that feeds itself.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Reversed {
    reset: bool,
    sck: bool,
    mosi: bool,
    miso: bool,
}

impl Reversed {
    /// By the signals of the header in the order of their pin numbers.
    pub(super) fn of(header: &HeaderPins) -> Reversed {
        let high = |signal: &str| {
            let place = header.pins.iter().position(|(known, _)| known == signal);
            let met = place.and_then(|place| header.pins.iter().rev().nth(place));
            met.is_some_and(|(met, _)| met == "VCC" || met == "RESET")
        };
        Reversed { reset: high("RESET"), sck: high("SCK"), mosi: high("MOSI"), miso: high("MISO") }
    }

    pub(super) fn lines(self, powered: bool) -> LineLevels {
        LineLevels { reset: self.reset && powered, sck: self.sck && powered, mosi: self.mosi && powered, miso: self.miso && powered }
    }
}
