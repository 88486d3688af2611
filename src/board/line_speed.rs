//! Line speeds that a USART can make of the chip's clock. A LIN controller that works as a UART makes the same ones: 16 or 8 clocks a bit.

use crate::units::Hertz;

/// A line speed as a USART makes it: UBRR and U2X of the datasheets (8271, section "USART0", table "Equations for Calculating Baud Rate
/// Register Setting": from memory; avr-libc's util/setbaud.h divides in the same way, `tests/outside/line_speeds.rs`).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LineSpeed {
    pub clock: Hertz,
    /// What is wanted, in bits a second.
    pub baud: u32,
    /// For UBRR.
    pub divisor: u16,
    /// With U2X: the clock is divided by 8 (divisor + 1), not by 16 (divisor + 1).
    pub double: bool,
}

/// UBRR has 12 bits.
const MOST: u32 = 4095;

/// How far off a line may be, in percent: common practice, for a character of ten bits with as much left for the other end.
const FITS: i64 = 2;

/// Speeds that terminal programs offer.
const USUAL: [u32; 14] = [300, 1_200, 2_400, 4_800, 9_600, 14_400, 19_200, 28_800, 38_400, 57_600, 76_800, 115_200, 230_400, 250_000];

impl LineSpeed {
    /// The nearest to `baud` that this clock gives; at the normal speed where both are as near. `baud` is not 0.
    pub fn nearest(clock: Hertz, baud: u32) -> LineSpeed {
        let (normal, double) = (LineSpeed::at(clock, baud, false), LineSpeed::at(clock, baud, true));
        if double.percent_off().abs() < normal.percent_off().abs() { double } else { normal }
    }

    /// The nearest at the normal or the double speed.
    pub fn at(clock: Hertz, baud: u32, double: bool) -> LineSpeed {
        let step = u64::from(baud.max(1)) * if double { 8 } else { 16 };
        let periods = (u64::from(clock.0) + step / 2) / step;
        LineSpeed { clock, baud, divisor: periods.saturating_sub(1).min(MOST.into()) as u16, double }
    }

    /// The clock that would give the wanted speed exactly with this divisor.
    fn exact(self) -> i64 {
        (i64::from(self.divisor) + 1) * i64::from(self.baud.max(1)) * if self.double { 8 } else { 16 }
    }

    /// How much faster the line is than wanted, in percent; below 0 where it is slower.
    pub fn percent_off(self) -> f64 {
        100.0 * (i64::from(self.clock.0) - self.exact()) as f64 / self.exact() as f64
    }

    /// Whether it is as near as a line should be.
    pub fn fits(self) -> bool {
        (i64::from(self.clock.0) - self.exact()).abs() * 100 <= self.exact() * FITS
    }

    /// The usual speeds that this clock gives.
    pub fn fitting(clock: Hertz) -> Vec<u32> {
        USUAL.into_iter().filter(|baud| LineSpeed::nearest(clock, *baud).fits()).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// UBRR, and how far off it is in percent.
    type Cell = (u16, f64);

    /// Cells of the datasheets' tables "Examples of UBRRn Settings" (8271, 2549), from memory: clock, baud, normal speed, double speed.
    const TABLE: [(u32, u32, Cell, Cell); 12] = [
        (1_000_000, 4_800, (12, 0.2), (25, 0.2)),
        (1_000_000, 9_600, (6, -7.0), (12, 0.2)),
        (3_686_400, 115_200, (1, 0.0), (3, 0.0)),
        (8_000_000, 38_400, (12, 0.2), (25, 0.2)),
        (8_000_000, 57_600, (8, -3.5), (16, 2.1)),
        (8_000_000, 115_200, (3, 8.5), (8, -3.5)),
        (16_000_000, 38_400, (25, 0.2), (51, 0.2)),
        (16_000_000, 57_600, (16, 2.1), (34, -0.8)),
        (16_000_000, 115_200, (8, -3.5), (16, 2.1)),
        (18_432_000, 115_200, (9, 0.0), (19, 0.0)),
        (20_000_000, 57_600, (21, -1.4), (42, 0.9)),
        (20_000_000, 115_200, (10, -1.4), (21, -1.4)),
    ];

    #[test]
    fn divisors_and_errors_are_those_of_the_datasheets() {
        for (clock, baud, normal, double) in TABLE {
            for (double, (divisor, percent)) in [(false, normal), (true, double)] {
                let speed = LineSpeed::at(Hertz(clock), baud, double);
                assert_eq!(speed.divisor, divisor, "{speed:?}");
                assert!((speed.percent_off() - percent).abs() < 0.051, "{speed:?}: {}", speed.percent_off());
            }
        }
    }

    #[test]
    fn the_nearer_is_taken_and_two_percent_is_the_limit() {
        let nearest = |clock, baud| LineSpeed::nearest(Hertz(clock), baud);
        assert!(nearest(20_000_000, 57_600).double && !nearest(16_000_000, 38_400).double);
        assert!(!nearest(16_000_000, 115_200).fits() && nearest(20_000_000, 115_200).fits());
        let fitting = LineSpeed::fitting(Hertz(1_000_000));
        assert_eq!(fitting, [300, 1_200, 2_400, 4_800, 9_600]);
    }

    #[test]
    fn no_clock_and_no_speed_is_too_odd() {
        for (clock, baud) in [(0, 9_600), (1, 1), (u32::MAX, 1), (1, u32::MAX), (u32::MAX, u32::MAX)] {
            let speed = LineSpeed::nearest(Hertz(clock), baud);
            assert!(speed.divisor <= 4095 && speed.percent_off().is_finite(), "{speed:?}");
        }
    }
}
