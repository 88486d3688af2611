//! The sim against the datasheet: raw bytes on the bus, and what the silicon holds afterwards.

mod bench;
mod bricked;
mod bridge;
mod entry;
mod faults;
#[path = "../bench/floor.rs"]
mod floor;
mod link;
mod memories;
mod operations;
mod power_cuts;
mod random;
mod speed;
mod store;
