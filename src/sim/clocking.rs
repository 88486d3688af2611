//! The two clocks that must fit each other: the one that runs the chip, and SCK as the bridge makes it.

use crate::board::{Board, Chip, ClockSource, FieldValue, Role};
use crate::units::Hertz;
use std::time::Duration;

/// What could run the chip from outside.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct OutsideClock {
    /// The crystal or resonator that the board has.
    pub(super) crystal: Option<Hertz>,
    /// A signal on the clock pin: the board's own oscillator, or the bridge's clock output.
    pub(super) signal: Option<Hertz>,
}

impl OutsideClock {
    /// What the board itself has. A crystal in the board file counts as fitted.
    pub(super) fn fitted(board: &Board) -> OutsideClock {
        match board.clock.source {
            ClockSource::Internal { .. } => OutsideClock { crystal: None, signal: None },
            ClockSource::Crystal { to_hz: own, .. } => OutsideClock { crystal: Some(own), signal: None },
            ClockSource::External => OutsideClock { crystal: None, signal: Some(board.clock.hz) },
        }
    }
}

/// The value that a field with this role has in these fuses; `None` for a reserved value or a part without the field.
pub(super) fn field_value<'a>(chip: &'a Chip, role: Role, fuses: &[u8]) -> Option<&'a FieldValue> {
    chip.field_for(role)?.read(fuses)?.value
}

/// The clock that runs the chip with these fuses; `None` where what they select is not there. A signal on the clock pin drives a
/// chip that is set to a crystal, too (datasheet 8271, section 'Low Power Crystal Oscillator', from memory).
pub(super) fn system_clock(chip: &Chip, fuses: &[u8], outside: OutsideClock) -> Option<Hertz> {
    let source = match chip.own_clock {
        Some(hz) => ClockSource::Internal { hz },
        None => field_value(chip, Role::Clock, fuses)?.clock?,
    };
    let undivided = match source {
        ClockSource::Internal { hz } => hz,
        ClockSource::External => outside.signal?,
        ClockSource::Crystal { from_hz, to_hz } => {
            let crystal = outside.crystal.filter(|hz| (from_hz..=to_hz).contains(hz));
            outside.signal.or(crystal)?
        }
    };
    let divided = field_value(chip, Role::ClockDivider, fuses).is_some_and(|value| value.name == "on");
    Some(Hertz(undivided.0 / if divided { 8 } else { 1 }))
}

/// The bridge's own clock, of which SCK is a whole part.
const BRIDGE_CLOCK: u64 = 120_000_000;
const DIVIDER_MIN: u32 = 15;
const DIVIDER_MAX: u32 = 480_000;

/// SCK as the bridge makes it: 120 MHz / n.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Sck {
    divider: u32,
}

/// How SCK suits the chip's present system clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Fit {
    Fine,
    /// Up to a quarter too fast: some of the edges are missed.
    Marginal,
    TooFast,
}

impl Sck {
    pub(super) const SLOWEST: Sck = Sck { divider: DIVIDER_MAX };
    pub(super) const FASTEST: Sck = Sck { divider: DIVIDER_MIN };

    /// The fastest that is, in whole hertz, not above `limit`; `None` where even the slowest is.
    pub(super) fn at_most(limit: Hertz) -> Option<Sck> {
        let divider = BRIDGE_CLOCK / (u64::from(limit.0) + 1) + 1;
        let divider = u32::try_from(divider).ok()?.max(DIVIDER_MIN);
        (divider <= DIVIDER_MAX).then_some(Sck { divider })
    }

    /// The fastest whose halves are not longer than this; what a bridge that is seen bit by bit makes.
    pub(super) fn of_half(half: Duration) -> Sck {
        let divider = half.as_nanos() * u128::from(2 * BRIDGE_CLOCK) / 1_000_000_000;
        Sck { divider: u32::try_from(divider).unwrap_or(u32::MAX).max(1) }
    }

    /// Rounded down to whole hertz.
    pub(super) fn hertz(self) -> Hertz {
        Hertz((BRIDGE_CLOCK / u64::from(self.divider)) as u32)
    }

    /// How long `bytes` bytes take, back to back.
    pub(super) fn time(self, bytes: u64) -> Duration {
        Duration::from_nanos((bytes * 8 * u64::from(self.divider) * 25).div_ceil(3))
    }

    /// SCK low and SCK high must each last more than 2 CPU clocks below 12 MHz, at least 3 from 12 MHz up (datasheets 8271 and 2549,
    /// section 'Serial Downloading').
    pub(super) fn fit(self, system: Hertz) -> Fit {
        let (clocks_a_half, or_equal) = if system.0 < 12_000_000 { (2, false) } else { (3, true) };
        let product = u64::from(self.divider) * u64::from(system.0);
        let least = BRIDGE_CLOCK * 2 * clocks_a_half;
        match () {
            () if product > least || (or_equal && product == least) => Fit::Fine,
            () if product * 5 >= least * 4 => Fit::Marginal,
            () => Fit::TooFast,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sck_is_the_fastest_whole_part_not_above_the_wish() {
        assert_eq!(Sck::at_most(Hertz(2_666_666)), Some(Sck { divider: 45 }));
        assert_eq!(Sck::at_most(Hertz(2_666_665)), Some(Sck { divider: 46 }));
        assert_eq!(Sck::at_most(Hertz(u32::MAX)), Some(Sck::FASTEST));
        // 120 MHz / 478087 is still 251 Hz.
        assert_eq!(Sck::at_most(Hertz(250)), Some(Sck { divider: 478_088 }));
        assert_eq!(Sck::at_most(Hertz(249)), None);
        assert_eq!(Sck::at_most(Hertz(0)), None);
    }

    #[test]
    fn a_byte_at_two_and_two_thirds_megahertz_takes_three_microseconds() {
        let sck = Sck { divider: 45 };
        assert_eq!(sck.time(4), Duration::from_micros(12));
    }

    #[test]
    fn below_12_megahertz_each_half_must_be_longer_than_two_clocks() {
        assert_eq!(Sck { divider: 480 }.fit(Hertz(1_000_000)), Fit::Marginal);
        assert_eq!(Sck { divider: 481 }.fit(Hertz(1_000_000)), Fit::Fine);
        assert_eq!(Sck { divider: 240 }.fit(Hertz(1_000_000)), Fit::TooFast);
    }

    #[test]
    fn from_12_megahertz_three_clocks_are_enough() {
        assert_eq!(Sck { divider: 45 }.fit(Hertz(16_000_000)), Fit::Fine);
        assert_eq!(Sck { divider: 44 }.fit(Hertz(16_000_000)), Fit::Marginal);
    }
}
