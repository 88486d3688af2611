//! Wires to a bridge, wrappers over any wire, and the client that makes a bus of one.

mod bridge_end;
mod client;
mod delay;
mod direct;
mod exchange;
mod executor;
mod greet;
mod memory;
mod noise;
mod pace;
mod parts;
mod trace;
mod unplug;
mod wire;

pub use bridge_end::BridgeEnd;
pub use client::Client;
pub use delay::DelayedWire;
pub use direct::DirectBus;
pub use executor::{Broken, Executor, Hands, carry_out};
pub use memory::{FarEnd, MemoryWire};
pub use noise::{Noise, NoisyWire};
pub use trace::TracedWire;
pub use unplug::UnpluggedWire;
pub use wire::Wire;
