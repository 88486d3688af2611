//! A kind of bridge as its description file gives it: what somebody can build a bridge from.

use crate::units::{Millivolts, Ohms};
use std::fmt;

/// A kind of bridge.
#[derive(Clone, Debug, PartialEq)]
pub struct BridgeKind {
    /// kebab-case; what people type.
    pub kind: String,
    /// One line.
    pub summary: String,
    /// What the bridge's firmware runs on; part number or words.
    pub part: String,
    /// How fast it is, in words.
    pub speed: String,
    pub buy: Buy,
    /// Level that its pins drive.
    pub level: Millivolts,
    /// The least that its inputs surely read as high.
    pub reads_high_from: Millivolts,
    pub pins: BridgePins,
    /// The pin that gives a clock to a chip that lost its own.
    pub clock_output: Option<BridgePin>,
    pub measurement: Option<Measurement>,
    /// Pins from which a board, or parts in between, can be fed.
    pub supplies: Vec<BridgeSupply>,
    /// What feeds the bridge itself, in words.
    pub own_supply: String,
    pub reset_hold: Option<ResetHold>,
    /// Pins that the firmware uses and that nothing may be connected to: the pin, and why.
    pub left_open: Vec<(BridgePin, String)>,
    pub firmware: FirmwareWay,
    /// What the chip's own USB drive calls itself in its INFO_UF2.TXT.
    pub drive_id: Option<String>,
    /// What to know about it, a sentence or two.
    pub firmware_words: String,
    /// The first is the one to take where nothing speaks for another.
    pub images: Vec<BridgeImage>,
    pub cautions: Vec<String>,
}

/// Which pin carries which signal of the programming header.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BridgePins {
    pub sck: BridgePin,
    pub mosi: BridgePin,
    pub miso: BridgePin,
    pub reset: BridgePin,
    pub ground: BridgePin,
}

/// A pin of the bridge.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BridgePin {
    /// The part's own name for it.
    pub name: String,
}

/// How the bridge measures the board's supply.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Measurement {
    pub pin: BridgePin,
    /// Between the board's supply and the pin.
    pub series: Ohms,
    /// Between the pin and ground, where the pin does not bear the whole supply.
    pub to_ground: Option<Ohms>,
}

/// A pin from which the bridge can feed something.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BridgeSupply {
    pub pin: BridgePin,
    pub voltage: Millivolts,
    /// How much it bears, in words.
    pub words: String,
}

/// What keeps a bridge board from being reset whenever its port is opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ResetHold {
    pub ohms: Ohms,
    /// Between these two pins of the bridge board itself.
    pub from: String,
    pub to: String,
    /// When it is wanted and when not.
    pub words: String,
}

/// Why somebody would buy this kind.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Buy {
    /// Of several kinds that fit a board, the one with the lowest number is named first.
    pub order: u32,
    /// Price class, in words.
    pub price: String,
    pub why: String,
}

/// How the firmware gets onto a bridge of this kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FirmwareWay {
    /// The chip shows itself as a USB drive, and a UF2 file is copied to it.
    UsbDrive,
    /// Through the bridge board's own programming header, or its maker's own method.
    ProgrammingHeader,
    /// It needs none: this program drives the lines itself.
    None,
}

/// A firmware image of a bridge kind.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BridgeImage {
    /// Its file's name among the images of this project.
    pub file: String,
    /// Which one it is, in words.
    pub words: String,
}

impl BridgeKind {
    /// The supply pin at the level of its own signals, if it has one: what feeds parts on its side.
    pub fn signal_supply(&self) -> Option<&BridgeSupply> {
        self.supplies.iter().find(|supply| supply.voltage == self.level)
    }
}

impl fmt::Display for BridgePin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.name)
    }
}
