//! Wires to a bridge, wrappers over any wire, and the client that makes a bus of one.

mod bridge_end;
mod client;
mod delay;
pub mod device_file;
mod direct;
mod exchange;
mod executor;
pub mod gpio;
mod greet;
mod memory;
mod noise;
mod open;
mod pace;
mod parts;
mod serial;
mod tcp;
mod trace;
mod unplug;
mod wire;

pub use bridge_end::BridgeEnd;
pub use client::Client;
pub use delay::DelayedWire;
pub use direct::DirectBus;
pub use executor::{Broken, Executor, Hands, carry_out};
pub use greet::{SpeedWire, Waiting};
pub use memory::{FarEnd, MemoryWire};
pub use noise::{Noise, NoisyWire};
pub use open::OpenError;
pub use serial::SerialWire;
pub use tcp::TcpWire;
pub use trace::TracedWire;
pub use unplug::UnpluggedWire;
pub use wire::Wire;
