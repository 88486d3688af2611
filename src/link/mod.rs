//! Wires to a bridge, wrappers over any wire, and the client that makes a bus of one.

mod wire;

pub use wire::Wire;
