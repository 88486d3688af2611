//! The simulated bridge at the far end of a wire. The session, its times and the at-most-once rule are `link`'s and `frame`'s; here is
//! what it says of itself and what carries its operations out.

use super::handle::Sim;
use crate::bus::{Operation, Reply, Why};
use crate::frame::Hello;
use crate::link::{self, BridgeEnd, Executor, MemoryWire, Wire};
use crate::time::Moment;

/// Bytes a second each way: a USB full-speed link (from memory: about 1 MB/s of bulk data).
pub const BYTES_PER_SECOND: u32 = 1_000_000;

/// Requests in flight.
const WINDOW: u8 = 8;

/// The largest frame: a block with room for the operations around it.
const FRAME_BYTES: u32 = 2048;

/// Carries out operations on the one board that all handles of a sim share.
pub struct SimBridge(Sim);

/// A bus straight to a simulated board, without frames and wire: what tests of algorithms use.
pub type DirectBus = link::DirectBus<SimBridge>;

impl Executor for SimBridge {
    type Error = Why;

    fn carry_out(&mut self, at: Moment, operation: &Operation) -> (Result<Reply, Why>, Moment) {
        let mut engine = self.0.engine_mut();
        let given = engine.run_at(at, operation);
        (given, engine.now)
    }

    fn release(&mut self, at: Moment) {
        self.0.engine_mut().release(at);
    }
}

impl Sim {
    /// A bus straight to the board, without frames and wire.
    pub fn direct_bus(&self) -> DirectBus {
        DirectBus::new(SimBridge(self.clone()), self.engine().abilities.clone(), self.clock())
    }

    /// A wire to the bridge of this board. Only one at a time makes sense.
    pub fn wire(&self) -> Box<dyn Wire> {
        Box::new(MemoryWire::new(Box::new(self.bridge_end()), self.virtual_clock(), BYTES_PER_SECOND))
    }

    /// What carries operations out on this board, for a bridge of another kind.
    pub fn hands(&self) -> SimBridge {
        SimBridge(self.clone())
    }

    /// The bridge of this board, as it is after power-up.
    pub(super) fn bridge_end(&self) -> BridgeEnd<SimBridge> {
        BridgeEnd::new(self.hello(), self.hands())
    }

    /// What the bridge of this board says of itself.
    pub fn hello(&self) -> Hello {
        let engine = self.engine();
        Hello {
            mark: 0,
            // Another number each time that the bridge is connected after some work.
            start: engine.board.operations as u32,
            window: WINDOW,
            frame_bytes: FRAME_BYTES,
            abilities: engine.abilities.clone(),
        }
    }
}
