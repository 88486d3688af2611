//! Farrier fits firmware loaders to bare microcontroller boards and looks after what is on them.
//!
//! # Layers
//!
//! Who may use whom; `tests/tidy` reads the `use` lines and fails on any other arrow. Every module may use `units`.
//!
//! ```text
//! units, finding, time   nothing
//! reader                 nothing; TOML that people write
//! image                  finding
//! board                  image, finding, reader
//! bus                    time, finding
//! frame                  bus
//! link                   bus, frame, time, finding, reader
//! algorithm              bus, board, image, time, finding
//! plan                   board, image, finding
//! record                 board, image, plan, finding
//! job                    plan, record, algorithm, bus, board, image, time, finding
//! sim                    frame, bus, board, image, time, finding, link (wires and executors)
//! cli                    everything; it opens the link and hands job a bus
//! ```

pub mod algorithm;
pub mod board;
pub mod bus;
pub mod cli;
pub mod finding;
pub mod frame;
pub mod image;
pub mod job;
pub mod link;
pub mod plan;
pub mod reader;
pub mod record;
pub mod sim;
pub mod time;
pub mod units;
