//! The sim against the datasheet: raw bytes on the bus, and what the silicon holds afterwards.

mod bench;
mod entry;
mod memories;
