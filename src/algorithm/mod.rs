//! Programming algorithms: one module each, written from the datasheets it names.
//!
//! An algorithm holds a bus and a chip description. It does one thing at a time as it is told, decides nothing about
//! what a board should hold, and lets the chip go when it is dropped.

pub mod avr_spi;
mod ending;
mod error;

pub use ending::{Ending, Progress};
pub use error::{AlgorithmError, Task};
