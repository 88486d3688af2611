//! How long operations should take in a bridge: what waiting for their answers goes by.

use crate::bus::{Abilities, Operation, Pattern};
use crate::units::Hertz;
use std::time::Duration;

/// What a bridge may need around each byte, besides the SPI clock.
const BYTE_GAP: Duration = Duration::from_micros(20);

/// The SPI clock as it will be once everything submitted so far has been carried out.
pub(super) struct Pace {
    clock: Hertz,
    slowest: Hertz,
    fastest: Hertz,
}

impl Pace {
    /// Before a clock is chosen the slowest one is supposed.
    pub fn of(abilities: &Abilities) -> Pace {
        let &Abilities { spi_clock_min: slowest, spi_clock_max: fastest, .. } = abilities;
        Pace { clock: slowest, slowest, fastest }
    }

    /// How long an operation should take at most, taking in a clock that it chooses.
    pub fn work(&mut self, operation: &Operation) -> Duration {
        match operation {
            Operation::SpiClock(clock) => {
                self.clock = (*clock).clamp(self.slowest, self.fastest);
                BYTE_GAP
            }
            Operation::Transfer(send) => self.bytes(send.len() as u64),
            Operation::Poll { send, limit, .. } => *limit + self.bytes(send.len() as u64),
            Operation::Pattern(Pattern { template, repeat, .. }) => self.bytes(template.len() as u64 * u64::from(*repeat)),
            Operation::Delay(time) => *time,
            Operation::Line { .. } | Operation::ClockOutput(_) | Operation::MeasureSupply | Operation::ReadLines => BYTE_GAP,
        }
    }

    fn bytes(&self, count: u64) -> Duration {
        let each = Duration::from_secs(8) / self.clock.0.max(1) + BYTE_GAP;
        Duration::from_secs_f64(each.as_secs_f64() * count as f64)
    }
}
