//! Wires to a bridge, wrappers over any wire, and the client that makes a bus of one.

mod bridge_end;
mod client;
mod delay;
mod exchange;
mod greet;
mod memory;
mod noise;
mod pace;
mod parts;
mod trace;
mod unplug;
mod wire;

pub use bridge_end::{BridgeEnd, Executor};
pub use client::Client;
pub use delay::DelayedWire;
pub use memory::{FarEnd, MemoryWire};
pub use noise::{Noise, NoisyWire};
pub use trace::TracedWire;
pub use unplug::UnpluggedWire;
pub use wire::Wire;
