//! A bridge without a bridge: SPI made bit by bit on GPIO lines of this computer, through the GPIO character device of Linux.
//!
//! ```text
//! file        the description that a person writes: chip, line numbers, level
//! pins        the four pins, as little as bit-banging needs
//! bit_bang    a bridge's hands made of them
//! lines       the pins of a real GPIO chip
//! ```

mod bit_bang;
mod file;
#[cfg(target_os = "linux")]
mod lines;
mod pins;

pub use bit_bang::BitBang;
pub use file::{GpioFile, LineNumbers, parse_gpio_file, read_gpio_file};
#[cfg(target_os = "linux")]
pub use lines::GpioLines;
pub use pins::{Pin, Pins};

use crate::bus::Bus;
use crate::time::SharedClock;
use std::path::PathBuf;

/// Why GPIO lines cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum GpioError {
    #[error("GPIO lines can be reached on Linux only, through its GPIO character device")]
    NotLinux,
    #[error("the GPIO chip {} cannot be opened: {why}", chip.display())]
    Chip { chip: PathBuf, why: String },
    #[error("{} has {lines} lines, counted from 0; there is no line {line} for {pin}", chip.display())]
    NoSuchLine { chip: PathBuf, pin: Pin, line: u32, lines: u32 },
    #[error("line {line} of {}, for {pin}, is in use by \"{consumer}\"", chip.display())]
    InUse { chip: PathBuf, pin: Pin, line: u32, consumer: String },
    #[error("the lines of {} cannot be had: {why}", chip.display())]
    Lines { chip: PathBuf, why: String },
}

/// Takes the lines that a file describes; nothing is driven yet.
///
/// # Errors
/// When there is no such chip or line, a line is in use, or this is not Linux.
#[cfg(target_os = "linux")]
pub fn open_gpio(file: &GpioFile, clock: SharedClock) -> Result<Box<dyn Bus>, GpioError> {
    let broken = |why: std::io::Error| GpioError::Lines { chip: file.chip.clone(), why: why.to_string() };
    let hands = BitBang::new(GpioLines::open(file)?, file, clock.clone()).map_err(broken)?;
    let abilities = super::Hands::abilities(&hands).clone();
    Ok(Box::new(super::DirectBus::new(hands, abilities, clock)))
}

/// There are no such lines here.
///
/// # Errors
/// Always.
#[cfg(not(target_os = "linux"))]
pub fn open_gpio(_file: &GpioFile, _clock: SharedClock) -> Result<Box<dyn Bus>, GpioError> {
    Err(GpioError::NotLinux)
}
