//! The image readers and writers, without a chip.

mod elf;
mod files;
mod fuzz;
mod hex;
mod inspect;
pub mod make;
mod model;
mod mutations;
mod start;
mod write;
