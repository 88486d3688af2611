//! The simulated board at its pins, byte by byte: for a bridge that has SPI hardware and is somewhere else, such as the bridge's own
//! firmware in a CPU emulator.

use super::clocking::Sck;
use super::handle::Sim;
use crate::time::Moment;
use crate::units::Hertz;

/// What the bridge's SPI unit and clock output meet. RESET, and SCK edge by edge, are [`super::BoardPins`].
#[derive(Clone)]
pub struct BytePins(Sim);

impl Sim {
    /// The board at the pins of a bridge's SPI unit.
    pub fn byte_pins(&self) -> BytePins {
        BytePins(self.clone())
    }
}

impl BytePins {
    /// A byte on the SPI bus, which begins at this moment: what comes back. `sck` is rounded down to what the sim's own bridge could make.
    /// A board without supply leaves MISO alone.
    pub fn exchange(&self, sent: u8, sck: Hertz, at: Moment) -> u8 {
        let sck = Sck::at_most(sck).unwrap_or(Sck::SLOWEST);
        let mut engine = self.0.engine_mut();
        engine.now = engine.now.max(at);
        engine.mind_reset();
        let back = engine.board.exchange(sent, at, sck).unwrap_or(u8::MAX);
        engine.now = engine.now.max(at.plus(sck.time(1)));
        engine.keep_changes();
        back
    }

    /// The bridge feeds the chip's clock pin, or stops.
    pub fn clock(&self, hz: Option<Hertz>) {
        self.0.engine_mut().board.clock_output(hz);
    }
}
