//! A bridge's hands made of four pins: SPI mode 0 bit by bit.

use super::{GpioFile, Pin, Pins};
use crate::bus::{Abilities, Drive, Line, LineLevels, Operation, Reply, Why};
use crate::link::{Broken, Executor, Hands, carry_out};
use crate::time::{Moment, SharedClock};
use crate::units::{Hertz, Millivolts};
use std::io;
use std::time::Duration;

/// The slowest SPI clock; slower than any chip needs.
const SLOWEST: Hertz = Hertz(100);

/// The shortest half period however fast the pins are: the clock itself is not read faster.
const SHORTEST_HALF: Duration = Duration::from_nanos(100);

/// The largest data block or reply of one operation. A longer one would only keep Ctrl-C waiting: nothing is gained as on a wire.
const BLOCK_BYTES: u32 = 1024;

/// Tries of this many readings each tell how long a call for a pin takes; the best counts, because others were interrupted.
const TRIES: u32 = 8;
const READINGS: u32 = 16;

/// Hands that move pins.
///
/// Neither half of an SPI period is ever shorter than half a period of the clock asked for: it is counted from the return of the call that
/// made its first edge to the beginning of the call that makes its second. Halves may be longer, as the system pleases.
pub struct BitBang<P: Pins> {
    pins: P,
    clock: SharedClock,
    abilities: Abilities,
    /// What one call for a pin takes, as measured when the pins were taken.
    call: Duration,
    /// The least that a half period may last.
    half: Duration,
    /// RESET, SCK and MOSI are outputs.
    driving: bool,
}

impl<P: Pins> BitBang<P> {
    /// Takes pins, all of them inputs, and measures how fast they are, by reading one.
    ///
    /// # Errors
    /// The system's.
    pub fn new(mut pins: P, file: &GpioFile, clock: SharedClock) -> io::Result<BitBang<P>> {
        let call = time_of_a_call(&mut pins, &clock)?;
        let half = call.max(file.shortest_half).max(SHORTEST_HALF);
        let fastest = Hertz(frequency(half * 2));
        let abilities = Abilities {
            name: format!("GPIO lines of {}", file.chip.display()),
            spi_clock_min: fastest.min(SLOWEST),
            spi_clock_max: fastest,
            block_bytes: BLOCK_BYTES,
            pin_level: file.pin_level,
            measures_supply: false,
            clock_output: false,
            switches_power: false,
            simulated: false,
        };
        let slowest = half_of(abilities.spi_clock_min);
        Ok(BitBang { pins, clock, abilities, call, half: slowest, driving: false })
    }

    /// The clock that is really made: the two halves, of which the second holds the reading, and the calls that make the edges.
    fn made(&self) -> Hertz {
        Hertz(frequency(self.half + self.half.max(self.call) + 2 * self.call))
    }

    fn byte(&mut self, sent: u8) -> io::Result<u8> {
        let mut back = 0;
        for bit in (0..8).rev() {
            let high = sent >> bit & 1 == 1;
            self.pins.put(false, high)?;
            self.clock.wait_until(self.clock.now().plus(self.half));
            self.pins.put(true, high)?;
            let risen = self.clock.now();
            back = back << 1 | u8::from(self.pins.read(Pin::Miso)?);
            self.clock.wait_until(risen.plus(self.half));
        }
        Ok(back)
    }

    /// SCK and MOSI are low before RESET changes, and driven while it is.
    fn drive_reset(&mut self, high: bool) -> io::Result<()> {
        match self.driving {
            true => self.pins.put(false, false)?,
            false => {
                self.pins.drive(Pin::Sck, false)?;
                self.pins.drive(Pin::Mosi, false)?;
                self.driving = true;
            }
        }
        self.pins.drive(Pin::Reset, high)
    }

    /// Makes every pin an input, RESET first. One that cannot be does not keep the others.
    fn let_go(&mut self) -> io::Result<()> {
        let results = [Pin::Reset, Pin::Sck, Pin::Mosi].map(|pin| self.pins.release(pin));
        self.driving = false;
        results.into_iter().collect()
    }
}

impl<P: Pins> Hands for BitBang<P> {
    type Error = Broken;

    fn abilities(&self) -> &Abilities {
        &self.abilities
    }

    fn now(&self) -> Moment {
        self.clock.now()
    }

    fn wait(&mut self, time: Duration) {
        self.clock.wait_until(self.clock.now().plus(time));
    }

    fn drive(&mut self, line: Line, drive: Drive) -> Result<(), Broken> {
        match (line, drive) {
            (Line::Power, _) => return Err(Why::NotSupported.into()),
            (Line::Reset, Drive::Low) => self.drive_reset(false)?,
            (Line::Reset, Drive::High) => self.drive_reset(true)?,
            (Line::Reset, Drive::Release) => self.let_go()?,
        }
        Ok(())
    }

    fn choose_clock(&mut self, limit: Hertz) -> Result<Hertz, Broken> {
        if limit < self.abilities.spi_clock_min {
            return Err(Why::NotSupported.into());
        }
        self.half = half_of(limit.min(self.abilities.spi_clock_max));
        Ok(self.made())
    }

    fn exchange(&mut self, bytes: &[u8]) -> Result<Vec<u8>, Broken> {
        if !self.driving {
            return Err(Why::BadOperation.into());
        }
        let back = bytes.iter().map(|byte| self.byte(*byte)).collect::<io::Result<Vec<u8>>>()?;
        self.pins.put(false, false)?;
        Ok(back)
    }

    fn clock_output(&mut self, clock: Option<Hertz>) -> Result<(), Broken> {
        clock.map_or(Ok(()), |_| Err(Why::NotSupported.into()))
    }

    fn supply(&mut self) -> Option<Millivolts> {
        None
    }

    fn lines(&mut self) -> Result<LineLevels, Broken> {
        let mut read = |pin| self.pins.read(pin);
        Ok(LineLevels { reset: read(Pin::Reset)?, sck: read(Pin::Sck)?, mosi: read(Pin::Mosi)?, miso: read(Pin::Miso)? })
    }
}

impl<P: Pins> Executor for BitBang<P> {
    type Error = Broken;

    fn carry_out(&mut self, at: Moment, operation: &Operation) -> (Result<Reply, Broken>, Moment) {
        self.clock.wait_until(at);
        let given = carry_out(self, operation);
        (given, self.clock.now())
    }

    /// Where the pins cannot be reached any more, nothing is left to do about them.
    fn release(&mut self, at: Moment) {
        self.clock.wait_until(at);
        let _ = self.let_go();
    }
}

impl<P: Pins> Drop for BitBang<P> {
    fn drop(&mut self) {
        let _ = self.let_go();
    }
}

fn time_of_a_call(pins: &mut impl Pins, clock: &SharedClock) -> io::Result<Duration> {
    let mut best = Duration::MAX;
    for _ in 0..TRIES {
        let start = clock.now();
        for _ in 0..READINGS {
            pins.read(Pin::Miso)?;
        }
        best = best.min(clock.now().since(start) / READINGS);
    }
    Ok(best)
}

/// In whole hertz, rounded down, at least 1.
fn frequency(period: Duration) -> u32 {
    let hertz = 1_000_000_000 / period.as_nanos().max(1);
    u32::try_from(hertz).unwrap_or(u32::MAX).max(1)
}

/// Half a period, rounded up.
fn half_of(clock: Hertz) -> Duration {
    Duration::from_nanos(500_000_000u64.div_ceil(u64::from(clock.0.max(1))))
}
