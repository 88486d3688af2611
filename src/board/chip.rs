//! A chip as its description file gives it. Every number's source (document and section) stands in that file.

use crate::image::{Memory, Span};
use crate::units::{Hertz, Millivolts};
use serde::{Deserialize, Serialize};
use std::time::Duration;

/// A microcontroller.
#[derive(Clone, Debug, PartialEq)]
pub struct Chip {
    /// Part number, as its maker writes it: `ATmega1284P`.
    pub part: String,
    pub family: String,
    /// What a board with this chip may run on at most: least and most. `None` where the file does not say.
    pub supply: Option<(Millivolts, Millivolts)>,
    /// Whether it has the instructions JMP and CALL.
    pub jmp: bool,
    /// The fastest clock that it bears; `None` where the file does not say.
    pub fastest: Option<Hertz>,
    /// The three signature bytes.
    pub id: [u8; 3],
    pub flash: MemoryShape,
    pub eeprom: MemoryShape,
    pub timings: Timings,
    /// Fuse bytes in the order low, high, extended.
    pub configuration: Vec<ConfigurationByte>,
    /// Fields of the configuration, in the order in which people read them.
    pub fields: Vec<Field>,
    /// The lock byte: factory value and the mask of bits that have a meaning.
    pub lock: ConfigurationByte,
    pub lock_fields: Vec<Field>,
    /// Boot sections; empty where the part has none.
    pub boot_sections: Vec<BootSection>,
    /// What runs the chip after reset where no fuse chooses it; a chip has either this or a field whose role is [`Role::Clock`].
    pub own_clock: Option<Hertz>,
    /// `(system clock from, divisor)`: the programming clock may be at most the system clock divided by the divisor of
    /// the last row whose bound is not above it.
    pub programming_clock: Vec<(Hertz, u32)>,
    pub ways_in: Vec<WayIn>,
    /// What of this is from memory.
    pub from_memory: Vec<Fact>,
}

/// What a chip file may have from memory, and what refusals and screens rest on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fact {
    /// What can run the chip, and how fast that is.
    Clock,
    /// The fastest clock that it bears.
    Fastest,
    /// What the chip may run on.
    Supply,
    BootSections,
}

/// Stands behind what nobody has held against a document.
pub const FROM_MEMORY: &str = " (from memory, not checked against the datasheet)";

impl Chip {
    /// What to say behind a statement that rests on this: nothing, or that it is from memory.
    pub fn mark(&self, fact: Fact) -> &'static str {
        if self.from_memory.contains(&fact) { FROM_MEMORY } else { "" }
    }
}

/// Size of a memory. All begin at address 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MemoryShape {
    pub bytes: u32,
    /// Bytes a page; a power of two.
    pub page: u32,
    /// What an erased byte reads as.
    pub blank: u8,
}

/// The longest that the chip's self-timed writes may take.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Timings {
    pub flash_write_max: Duration,
    pub eeprom_write_max: Duration,
    pub erase_max: Duration,
    pub configuration_write_max: Duration,
}

/// A fuse or lock byte.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ConfigurationByte {
    /// `low`, `high`, `extended` or `lock`.
    pub name: String,
    /// As the part is shipped: shown, never a cause for refusal.
    pub factory: u8,
    /// Bits that have a meaning. The others are written as 1 and left out of comparisons.
    pub used: u8,
}

/// A field of the configuration or of the lock byte.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Field {
    /// Plain English, kebab-case: `boot-section`.
    pub name: String,
    /// The datasheet's symbol: `BOOTSZ1..0`.
    pub symbol: String,
    /// What the field decides, in words.
    pub words: String,
    pub role: Option<Role>,
    /// Index into [`Chip::configuration`]; 0 for lock fields.
    pub byte: usize,
    /// The field's bits in that byte; adjacent.
    pub mask: u8,
    /// Every value that has a name. Others are reserved, or not known.
    pub values: Vec<FieldValue>,
    /// Whether there are values that the chip file does not know: they are kept where they stand, and nothing is set to one.
    pub incomplete: bool,
}

/// A value of a field.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FieldValue {
    /// The bits, shifted down to bit 0.
    pub bits: u8,
    /// kebab-case: `crystal-8-to-16-mhz`.
    pub name: String,
    /// In words, as `inspect` prints it.
    pub words: String,
    /// For the clock field: what runs the chip.
    pub clock: Option<ClockSource>,
    /// For the clock field: a resistor and a capacitor set the frequency, so there is no crystal that could be driven too weakly.
    pub rc: bool,
    /// What it does stands in no source that the chip file was made from: nothing is set to it unasked.
    pub unknown: bool,
    /// The chip is held in reset while its supply is below this.
    pub resets_below: Option<Millivolts>,
    /// Ways in that this value shuts for good.
    pub shuts: Vec<Way>,
    /// The part of the EEPROM that this value keeps from being written.
    pub locks_eeprom: Option<Span>,
    /// For lock fields: this value forbids reading flash and EEPROM through a way in.
    pub forbids_reading: bool,
    /// For lock fields: this value forbids writing flash, EEPROM and configuration through a way in.
    pub forbids_writing: bool,
}

/// What the planner must know a field as.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Clock source.
    Clock,
    /// Start-up time of the clock; goes with the clock.
    StartUp,
    /// Divides the clock by 8 after reset; value name `on` or `off`.
    ClockDivider,
    /// How strongly a crystal is driven; value name `small` or `full`. Crystals above 8 MHz need `full`.
    CrystalSwing,
    /// Where reset starts; value name `loader` or `application`.
    ResetStart,
    /// Size of the boot section.
    BootSection,
    /// EEPROM survives a chip erase; value name `on` or `off`.
    KeepEeprom,
    /// Who switches the watchdog on; value name `always-on` or `by-firmware`.
    Watchdog,
    /// Has the chip behave like the older part that it followed; value name `on` or `off`.
    OldPartMode,
    /// Lock bits for the programming interface.
    ProgrammingLock,
    /// Lock bits that keep code from writing the boot section.
    BootLock,
}

impl Role {
    /// What decides together what runs the chip.
    pub const OF_CLOCK: [Role; 4] = [Role::Clock, Role::StartUp, Role::ClockDivider, Role::CrystalSwing];
}

/// What a chip runs on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "source", rename_all = "kebab-case", deny_unknown_fields)]
pub enum ClockSource {
    /// An oscillator of the chip's own.
    Internal { hz: Hertz },
    /// A crystal or resonator between these frequencies.
    Crystal { from_hz: Hertz, to_hz: Hertz },
    /// A signal on the clock pin.
    External,
}

/// A boot section that the chip can be set to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BootSection {
    /// What the field whose role is [`Role::BootSection`] then has; `None` for the only one of a chip without such a field.
    pub bits: Option<u8>,
    pub span: Span,
}

/// An interface through which a chip is programmed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Way {
    Spi,
}

/// What a way in can do with this chip. The planner knows abilities only from here.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WayIn {
    pub way: Way,
    pub reads: Vec<Memory>,
    /// What can be erased in the flash at once.
    pub flash_erase: EraseUnit,
    /// An EEPROM write erases for itself, so single pages can be changed.
    pub eeprom_writes_erase: bool,
    /// How the end of a self-timed write is known.
    pub ready: Ready,
    /// How much of the EEPROM one write takes.
    pub eeprom_writes: EepromWrites,
    /// What an erase of the chip takes with it besides the flash. EEPROM is spared where the field with
    /// [`Role::KeepEeprom`] is `on`.
    pub chip_erase_takes: Vec<Memory>,
    /// `(signal, chip pin)`: which pin of the chip stands behind each signal of a programming header.
    pub pins: Vec<(String, String)>,
}

/// How a chip tells that a self-timed write is over.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum Ready {
    /// It is asked, and answers with a bit.
    #[default]
    Bit,
    /// The place that is written reads as blank until then; where nothing shows, the longest time must pass.
    DataPolling,
}

/// What one write of the EEPROM takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum EepromWrites {
    #[default]
    Pages,
    /// Bytes only; the page of the memory's shape is then how farrier counts, and nothing to the chip.
    Bytes,
}

/// The least that can be erased.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum EraseUnit {
    Chip,
}
