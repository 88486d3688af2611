//! The description of GPIO lines that a person writes. `hardware-notes/gpio-bridge.md` says what each key means.

use super::Pin;
use crate::reader::{FileError, Mistake, Table, read, read_file};
use crate::units::Millivolts;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// The levels that a file may give, in millivolts.
const LEVEL: std::ops::RangeInclusive<u32> = 1_000..=6_000;
/// Numbers of lines on a chip.
const LINE: std::ops::RangeInclusive<u32> = 0..=65_535;
/// Half periods that a file may ask for, in microseconds.
const HALF: std::ops::RangeInclusive<u32> = 1..=5_000;

/// Four GPIO lines that are wired to a programming header.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GpioFile {
    /// What the author says of them.
    pub summary: String,
    /// The device of the GPIO chip.
    pub chip: PathBuf,
    pub lines: LineNumbers,
    /// The level of the lines.
    pub pin_level: Millivolts,
    /// The least that a half period of SCK may last; zero where nothing is said.
    pub shortest_half: Duration,
}

/// The numbers that the lines have on their chip.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LineNumbers {
    pub sck: u32,
    pub mosi: u32,
    pub miso: u32,
    pub reset: u32,
}

impl LineNumbers {
    pub fn of(self, pin: Pin) -> u32 {
        match pin {
            Pin::Sck => self.sck,
            Pin::Mosi => self.mosi,
            Pin::Miso => self.miso,
            Pin::Reset => self.reset,
        }
    }
}

/// Reads the description at this path.
///
/// # Errors
/// When it cannot be read, or holds mistakes.
pub fn read_gpio_file(path: &Path) -> Result<GpioFile, FileError> {
    parse_gpio_file(&read_file(path)?).map_err(|mistakes| FileError::Mistakes { file: path.display().to_string(), mistakes })
}

/// Reads a description; every mistake in it at once.
///
/// # Errors
/// The mistakes.
pub fn parse_gpio_file(text: &str) -> Result<GpioFile, Vec<Mistake>> {
    read(text, build)
}

fn build(file: &Table) -> Option<GpioFile> {
    let summary = file.text("summary");
    let chip = chip(file);
    let pin_level = file.number("pin_level_mv", LEVEL);
    let half = file.has("shortest_half_period_us").then(|| file.number("shortest_half_period_us", HALF));
    let lines = file.table("lines").and_then(|table| lines(&table));
    Some(GpioFile {
        summary: summary?.value,
        chip: chip?,
        lines: lines?,
        pin_level: Millivolts(u16::try_from(pin_level?.value).ok()?),
        shortest_half: half.map_or(Some(Duration::ZERO), |half| Some(Duration::from_micros(half?.value.into())))?,
    })
}

fn chip(file: &Table) -> Option<PathBuf> {
    let chip = file.text("chip")?;
    if !chip.value.starts_with('/') {
        file.wrong(chip.at, format!("`chip` must be the whole path of a device, such as /dev/gpiochip0; found \"{}\"", chip.value));
        return None;
    }
    Some(PathBuf::from(chip.value))
}

fn lines(table: &Table) -> Option<LineNumbers> {
    let [sck, mosi, miso, reset] = ["sck", "mosi", "miso", "reset"].map(|name| Some((name, table.number(name, LINE)?)));
    let all = [sck?, mosi?, miso?, reset?];
    let mut taken: Vec<(&str, u32)> = Vec::new();
    for (name, line) in &all {
        if let Some((before, _)) = taken.iter().find(|(_, number)| *number == line.value) {
            table.wrong(line.at, format!("`{name}` is line {}, which `{before}` is already", line.value));
            return None;
        }
        taken.push((name, line.value));
    }
    let [sck, mosi, miso, reset] = all.map(|(_, line)| line.value);
    Some(LineNumbers { sck, mosi, miso, reset })
}
