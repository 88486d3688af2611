//! The other end of the wire: a simulated bridge and the simulated board behind it.
//!
//! # Fault model
//!
//! What can go wrong, and where:
//! - Lines: MISO open; MOSI and MISO joined or crossed; RESET, SCK or MOSI held high or low; the bridge's pins at another
//!   level than the board.
//! - Supply: none; another voltage; weak, so that no write is done in full; lost once, after a counted operation or a counted SPI
//!   instruction.
//! - Plug: turned round on its two rows of pins (`plug`).
//! - Chip: other ID bytes; no clock (its fuses select one that nothing feeds); locked; flash pages with cells that do not hold a 0.
//! - Host: SCK too fast for the chip's present clock, too early, during a self-timed write, wrong order: see [`Violations`].
//! - Wire: loss, delay and unplugging are wrappers over any wire and not here.
//!
//! What is always true:
//! - A self-timed write that is torn (supply, RESET or an instruction in the middle) leaves its own span undefined and nothing else. Flash
//!   bits only go from 1 to 0 in a page write, only from 0 to 1 in an erase; lock bits go back to 1 only by a complete erase; a fuse
//!   bit that the write would not change does not change.
//! - Faults lie over clean contents: [`Sim::contents`] tells what the silicon holds. The exceptions change contents, because that
//!   is what they are: `lost-clock` the clock fuses, `locked-chip` the lock byte, a weak supply what is written meanwhile.
//! - ID and calibration bytes never change.
//! - The same seed and the same operations at the same virtual times give the same bytes, times and violations.
//! - An entry at a SCK that is too fast fails by garbage and is no violation, so that a host may try. Once the chip is in step it is one.
//! - What a stored board's silicon holds is on disk as soon as a write has ended, so that a killed process loses nothing of it.
//!
//! Not modelled: running firmware, inaccurate oscillators, start-up times, capacitors on lines, wear; a crystal that is driven too weakly,
//! which runs here; and clocks of which a chip file says nothing, with which a chip is silent here. That one is set to such a clock is a
//! violation, so that nothing rests on it.
//!
//! # Inside
//!
//! ```text
//! contents      what the silicon holds, and self-timed writes, whole or torn
//! instruction   four bytes, decoded
//! chip          supply, RESET, SCK, step; programming: what each instruction does
//! times         how long self-timed writes take
//! clocking      what runs the chip, and whether SCK suits it
//! board         chip, supply, lines, faults
//! engine        the hands of a bridge, in virtual time
//! bridge        the engine behind a bus, or at the far end of a wire
//! pins          the board at its pins, bit by bit
//! byte_pins     the same byte by byte, for a bridge with SPI hardware
//! serve         the bridge over a stream of bytes, in real time, for other programs
//! pty           a serial port without hardware to serve it on
//! plug          what a bridge meets through a plug that is turned round
//! bricked       boards in use, and what was done to them
//! store         simulated boards on disk
//! handle        the handle of tests and of the `sim` commands
//! ```

mod board;
mod bricked;
mod bridge;
mod byte_pins;
mod chip;
mod clocking;
mod contents;
mod engine;
mod fault;
mod handle;
mod instruction;
mod pins;
mod plug;
mod programming;
#[cfg(unix)]
mod pty;
mod serve;
mod store;
mod times;
mod violations;

pub use bricked::{BRICKED, BrickError, Bricked, MendedBy, SURPRISE, Used};
pub use bridge::{BYTES_PER_SECOND, DirectBus, SimBridge};
pub use byte_pins::BytePins;
pub use contents::Contents;
pub use fault::{Fault, FaultError, HeldLine};
pub use handle::Sim;
pub use pins::BoardPins;
#[cfg(unix)]
pub use pty::Pty;
pub use serve::Served;
pub use store::{Glance, OpenSim, Store, StoreError, is_path};
pub use violations::{Violation, Violations};
