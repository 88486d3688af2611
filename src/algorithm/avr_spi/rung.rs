//! The programming clocks at which an entry is tried, in order. Pure.
//!
//! Sources. SCK low and high each longer than 2 CPU clocks below 12 MHz, at least 3 from 12 MHz: 2549 and 8271, section
//! 'Serial Programming Algorithm' and its timing note (checked); the divisors themselves stand in the chip file.
//! Internal 8 MHz oscillator: factory accuracy 10 % over all conditions, from the vendor's migration note (checked); how
//! far it is off at room temperature and the board's supply is less, and a rung that proves too fast is not steady and
//! the next one is tried. 128 kHz oscillator: 'not designed for high accuracy', 8271, section '128kHz Internal
//! Oscillator' (from memory).

use crate::board::{Chip, ClockSetting, ClockSource};
use crate::bus::Abilities;
use crate::units::Hertz;

/// One way to try an entry.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rung {
    /// The fastest SPI clock that the chip bears if this rung's guess of its system clock is right.
    pub programming_clock: Hertz,
    /// A clock that the bridge feeds to the chip's clock pin, on the last rungs only.
    pub clock_output: Option<Hertz>,
}

/// How far a clock may lie below its nominal value, in thousandths that are left of it.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Left {
    /// A crystal or resonator, or a clock signal: half a percent covers both ends' tolerance.
    Crystal = 995,
    /// The calibrated oscillator of 8 MHz.
    Calibrated = 920,
    /// The 128 kHz oscillator.
    Rough = 800,
}

/// Slower runs no chip by itself: a watch crystal divided by 8. It also suits a chip whose file gives its clock from memory, and gives it
/// wrong.
pub const SLOW_ENOUGH: Hertz = Hertz(4_096);
/// Oscillators at or below this one are of the rough kind.
const ROUGH_UP_TO: Hertz = Hertz(200_000);
/// From here on the datasheets say 'at least', below 'more than': no distance is needed to the limit itself.
const AT_LEAST_FROM: Hertz = Hertz(12_000_000);

/// The rungs for a chip, in the order of an ordinary entry: the board's own clock, then each oscillator inside the chip, plain and divided
/// by 8, fastest first, then one that is slow enough for any chip, then the bridge's clock output (whole and divided by 8), where
/// `clock_output` allows it and the bridge has one. What the bridge cannot make is left out; no rung comes twice. May be empty.
pub fn rungs(chip: &Chip, abilities: &Abilities, expected: Option<ClockSetting>, clock_output: Option<Hertz>) -> Vec<Rung> {
    let mut found: Vec<Rung> = Vec::new();
    let mut push = |system: Hertz, left: Left, clock_output: Option<Hertz>| {
        let Some(limit) = limit(chip, system, left) else { return };
        let programming_clock = limit.min(abilities.spi_clock_max);
        let rung = Rung { programming_clock, clock_output };
        if programming_clock >= abilities.spi_clock_min && !found.contains(&rung) {
            found.push(rung);
        }
    };
    if let Some(clock) = expected {
        let internal = matches!(clock.source, ClockSource::Internal { .. });
        push(clock.hz, if internal { accuracy(clock.hz) } else { Left::Crystal }, None);
    }
    for (system, left) in internal_clocks(chip) {
        push(system, left, None);
    }
    if let Some(fed) = clock_output.filter(|_| abilities.clock_output) {
        push(fed, Left::Crystal, Some(fed));
        push(Hertz(fed.0 / 8), Left::Crystal, Some(fed));
    }
    found
}

/// The same rungs slowest first. Those with a clock output stay last, as they need a wire of their own, and before them the one that is
/// slow enough for any chip: hardly a chip needs it, and it is four times slower than the next.
pub(super) fn slowest_first(rungs: &[Rung]) -> Vec<Rung> {
    let for_any_chip = |rung: &Rung| rung.programming_clock.0 <= SLOW_ENOUGH.0 / 4;
    let mut sorted = rungs.to_vec();
    sorted.sort_by_key(|rung| (rung.clock_output.is_some(), for_any_chip(rung), rung.programming_clock));
    sorted
}

/// What the chip can run on by itself, fastest first.
fn internal_clocks(chip: &Chip) -> Vec<(Hertz, Left)> {
    let mut clocks: Vec<_> = chip.own_clocks().map(|(oscillator, gives)| (gives, accuracy(oscillator))).collect();
    clocks.push((SLOW_ENOUGH, accuracy(SLOW_ENOUGH)));
    clocks.sort_by_key(|(hz, _)| std::cmp::Reverse(*hz));
    clocks
}

fn accuracy(oscillator: Hertz) -> Left {
    if oscillator <= ROUGH_UP_TO { Left::Rough } else { Left::Calibrated }
}

/// The fastest programming clock for a chip at `system`; `None` where the chip file gives no limit.
fn limit(chip: &Chip, system: Hertz, left: Left) -> Option<Hertz> {
    let slow = u64::from(system.0) * left as u64 / 1000;
    let exact = left == Left::Crystal && system >= AT_LEAST_FROM;
    let system = if exact { system } else { Hertz(slow as u32) };
    let (_, divisor) = chip.programming_clock.iter().rev().find(|(from, _)| *from <= system)?;
    Some(Hertz(system.0.checked_div(*divisor)?))
}
