//! Wires to a bridge, wrappers over any wire, and the client that makes a bus of one.

mod bridge_end;
mod memory;
mod wire;

pub use bridge_end::{BridgeEnd, Executor};
pub use memory::{FarEnd, MemoryWire};
pub use wire::Wire;
