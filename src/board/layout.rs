//! A board as its description file gives it.

use super::chip::ClockSource;
use crate::image::{Memory, Span};
use crate::units::{ControlLine, Hertz, Millivolts};

/// A controller board.
#[derive(Clone, Debug, PartialEq)]
pub struct Board {
    /// kebab-case; what people type.
    pub name: String,
    /// One line.
    pub summary: String,
    /// Part number of its chip, as in the chip file.
    pub chip: String,
    /// A board that stands for any board with this chip.
    pub generic: bool,
    /// Least and most supply that the board bears.
    pub supply: (Millivolts, Millivolts),
    /// Level of the signals at the programming header. Where it follows the supply, what drawings and simulated boards take for it.
    pub levels: Millivolts,
    /// The signals are at whatever the board's supply is.
    pub level_follows_supply: bool,
    /// Whether its inputs bear 5 V although its own level is lower.
    pub bears_5v: bool,
    /// Parts that shift the levels are fitted between the bridge and this board.
    pub levels_shifted: bool,
    pub clock: ClockSetting,
    /// The bridge's clock output reaches the chip's clock pin: a chip that lost its own clock can be entered with it.
    pub clock_pin_wired: bool,
    pub header: HeaderPins,
    pub reservation: Option<Reservation>,
    /// Named spans of flash, each with one owner; the reservation and the rest of the flash are regions of their own.
    pub regions: Vec<Region>,
    /// `(field name, value name)` of the configuration that the board should have with its loader fitted.
    pub expected_configuration: Vec<(String, String)>,
    /// `(lock field name, value name)` that the board should have with its loader fitted.
    pub expected_lock: Vec<(String, String)>,
    pub console: Option<Console>,
    pub settings: Option<SettingsStore>,
    pub serial_number: Option<SerialNumber>,
    pub cautions: Vec<Caution>,
}

/// What runs the board.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClockSetting {
    pub source: ClockSource,
    /// The clock that the firmware sees.
    pub hz: Hertz,
}

/// The programming header: its kind and which chip pin stands behind each of its signals.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HeaderPins {
    /// The kind: `2x3` or `2x5`, or words.
    pub kind: String,
    /// `(signal, chip pin)`.
    pub pins: Vec<(String, String)>,
}

impl HeaderPins {
    /// Rows and pins in a row, where the kind says so: `2x3` has two rows of three. Where it is words, its pins have no numbers.
    pub fn shape(&self) -> Option<(usize, usize)> {
        shape(&self.kind)
    }
}

/// The shape of a header of this kind, where the kind says it.
pub(super) fn shape(kind: &str) -> Option<(usize, usize)> {
    let (rows, columns) = kind.split_once('x')?;
    Some((rows.parse().ok()?, columns.parse().ok()?))
}

/// The flash that a board gives to its loader.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reservation {
    pub span: Span,
    /// Name of the built-in loader that fits it.
    pub loader: Option<String>,
    /// How much later the application starts because of the loader, in milliseconds.
    pub start_delay_ms: u32,
    pub line: LoaderLine,
}

/// Where the built-in loader listens.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LoaderLine {
    /// Number of the USART; without it the chip's first.
    pub usart: Option<u8>,
    /// Without it that of the console.
    pub baud: Option<u32>,
    pub hold: Option<HoldPin>,
}

/// A pin that keeps the loader from starting the application.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HoldPin {
    /// As the datasheet calls it, such as PD2.
    pub pin: String,
    /// A low level holds the loader, and the chip's pull-up makes it high otherwise; else a high one, and the board makes it low.
    pub low: bool,
}

/// A named span of flash.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Region {
    pub name: String,
    pub span: Span,
    pub owner: RegionOwner,
}

/// Who writes a region.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RegionOwner {
    Loader,
    Application,
}

/// The serial port on which the firmware talks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Console {
    pub baud: u32,
    /// Text that shows that the firmware is alive.
    pub alive: String,
    /// The control line of the port whose change resets the board.
    pub reset_line: Option<ControlLine>,
}

/// Where the settings live.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SettingsStore {
    /// Span of the EEPROM.
    pub span: Span,
}

/// Where a board keeps what tells it from all others of its kind. It never comes to another board with a snapshot.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SerialNumber {
    /// Flash or EEPROM.
    pub memory: Memory,
    pub span: Span,
}

/// What to mind with this board.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Caution {
    pub text: String,
}
