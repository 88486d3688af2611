//! The client, the wires and the rule that every request is carried out at most once.

mod bridges;
mod client;
mod faults;
mod lossy;
mod speeds;
mod wires;
