//! A first board file, from what was read of the chip and what its owner told; the rest is assumed, and says so.

use super::chip::{Chip, ClockSource, Fact, Field, FieldValue, Role};
use super::layout::ClockSetting;
use crate::image::Span;
use crate::units::{Hertz, Hex, Millivolts};

/// How a value is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Basis {
    /// From the chip, or measured by the bridge.
    Read,
    /// By whoever answered.
    Told,
    /// By nobody: it is common, and must be looked at.
    Assumed,
}

impl Basis {
    fn word(self) -> &'static str {
        match self {
            Basis::Read => "read",
            Basis::Told => "told",
            Basis::Assumed => "assumed",
        }
    }
}

/// A value, and how it is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stated<T> {
    pub value: T,
    pub basis: Basis,
}

impl<T> Stated<T> {
    pub fn read(value: T) -> Stated<T> {
        Stated { value, basis: Basis::Read }
    }

    pub fn told(value: T) -> Stated<T> {
        Stated { value, basis: Basis::Told }
    }

    pub fn assumed(value: T) -> Stated<T> {
        Stated { value, basis: Basis::Assumed }
    }
}

/// Flash for a loader.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DraftReservation {
    /// A boot section of the chip.
    pub span: Span,
    /// Name of a built-in loader that fits it.
    pub loader: Option<String>,
    /// The loader's line speed, where it is not the console's.
    pub baud: Option<Stated<u32>>,
    pub start_delay_ms: u32,
}

/// The board's own serial port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DraftConsole {
    pub baud: Stated<u32>,
    /// The text that shows that the firmware is alive.
    pub alive: String,
}

/// What is known of a board that has no file yet.
#[derive(Clone, Debug)]
pub struct Draft<'c> {
    pub name: String,
    pub summary: Stated<String>,
    pub chip: Stated<&'c Chip>,
    /// The configuration bytes, as the chip has them now.
    pub configuration: Option<Vec<u8>>,
    pub supply: Stated<Millivolts>,
    /// What runs the chip. Assumed, where the chip file has nothing else.
    pub source: Stated<ClockSource>,
    /// The clock that the firmware sees. Assumed, where it is what the chip file says of that source: no chip tells how fast it runs.
    pub hz: Stated<Hertz>,
    /// How the clock is known, in the owner's words.
    pub clock_known: Option<String>,
    pub reservation: Stated<Option<DraftReservation>>,
    /// What its outputs drive, in the owner's words.
    pub drives: Vec<String>,
    /// Where the firmware keeps its settings.
    pub settings: Stated<Option<Span>>,
    pub console: Option<DraftConsole>,
}

/// A board file, and how many of its values are read, told and assumed.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Drafted {
    pub text: String,
    pub read: usize,
    pub told: usize,
    pub assumed: usize,
}

/// What a clock has to give, for this chip and these configuration bytes: the clock's own source where the configuration names it.
pub fn clock_of(chip: &Chip, configuration: &[u8]) -> Option<ClockSetting> {
    let source = chip.clock_source(configuration)?;
    match source {
        ClockSource::Internal { hz } => {
            let divided = chip.value_for(Role::ClockDivider, configuration).is_some_and(|value| value.name == "on");
            Some(ClockSetting { source, hz: if divided { Hertz(hz.0 / 8) } else { hz } })
        }
        _ => None,
    }
}

/// Whether the chip can be set to this clock at all.
pub fn can_run(chip: &Chip, clock: ClockSetting) -> bool {
    chip.clock_sources().any(|source| gives(source, clock.source)) && (!is_divided(clock) || chip.field_for(Role::ClockDivider).is_some())
}

/// Whether a source that the chip can have gives the one that is wanted.
fn gives(source: ClockSource, wanted: ClockSource) -> bool {
    match (source, wanted) {
        (ClockSource::Internal { hz }, ClockSource::Internal { hz: wanted }) => hz == wanted,
        (ClockSource::Crystal { from_hz, to_hz }, ClockSource::Crystal { from_hz: fitted, .. }) => (from_hz..=to_hz).contains(&fitted),
        (ClockSource::External, ClockSource::External) => true,
        _ => false,
    }
}

fn is_divided(clock: ClockSetting) -> bool {
    match clock.source {
        ClockSource::Internal { hz } | ClockSource::Crystal { from_hz: hz, .. } => hz != clock.hz,
        ClockSource::External => false,
    }
}

impl Draft<'_> {
    /// What runs the chip, and how fast.
    pub fn clock(&self) -> ClockSetting {
        ClockSetting { source: self.source.value, hz: self.hz.value }
    }

    /// The board file.
    pub fn write(&self) -> Drafted {
        let mut page = Page::default();
        self.head(&mut page);
        self.power_and_clock(&mut page);
        self.header(&mut page);
        self.flash(&mut page);
        self.expected(&mut page);
        self.rest(&mut page);
        page.0
    }

    fn head(&self, page: &mut Page) {
        page.line(&format!("# The board {}, as far as it is known. Behind each value stands how:", self.name));
        page.line("#   read      from the chip, or measured by the bridge");
        page.line("#   told      by whoever answered");
        page.line("#   assumed   by nobody: look at it, correct it, and take the word away");
        page.gap();
        page.value("name", &quoted(&self.name), Basis::Told);
        page.value("summary", &quoted(&self.summary.value), self.summary.basis);
        let Stated { value: chip, basis } = self.chip;
        let was_read = if basis != Basis::Read && self.configuration.is_some() { " was read" } else { "" };
        page.explained("chip", &quoted(&chip.part), basis, &format!("ID {}{was_read}", Hex(&chip.id)));
        let drives = self.drives.iter().map(|what| quoted(&format!("It drives {what}, which can start with the firmware.")));
        let cautions: Vec<String> = drives.collect();
        match cautions.is_empty() {
            true => page.explained("cautions", "[]", Basis::Assumed, "what switches when the firmware starts, or floats in reset?"),
            false => page.value("cautions", &format!("[{}]", cautions.join(", ")), Basis::Told),
        }
    }

    fn power_and_clock(&self, page: &mut Page) {
        let Stated { value: Millivolts(mv), basis } = self.supply;
        let tenth = mv / 10;
        let (needs, bears) = self.chip.value.supply.map_or((0, u16::MAX), |(needs, bears)| (needs.0, bears.0));
        page.table("supply");
        let (least, words) = match mv - tenth {
            least if least < needs => (needs, "what the chip needs".to_owned()),
            least => (least, format!("a tenth below {}", self.supply.value)),
        };
        page.explained("least_mv", &least.to_string(), Basis::Assumed, &words);
        let (most, words) = match mv + tenth {
            most if most > bears => (bears, "what the chip bears".to_owned()),
            most => (most, format!("a tenth above {}", self.supply.value)),
        };
        page.explained("most_mv", &most.to_string(), Basis::Assumed, &words);
        page.table("levels");
        page.explained("signal_mv", &mv.to_string(), basis, "the chip's pins are at its supply");
        page.table("clock");
        let of_file = match self.chip.value.own_clock {
            Some(_) => "from the chip file, and no fuse chooses it",
            None => "from the chip file",
        };
        let of_file = format!("{of_file}{}", self.chip.value.mark(Fact::Clock));
        let words = |basis| if basis == Basis::Assumed { of_file.as_str() } else { "" };
        let (Stated { value: source, basis: chosen }, Stated { value: hz, basis }) = (self.source, self.hz);
        let (source, own, own_basis) = match source {
            ClockSource::Internal { hz } => ("internal", Some(hz), Basis::Assumed),
            ClockSource::Crystal { from_hz, .. } => ("crystal", Some(from_hz), chosen),
            ClockSource::External => ("external", None, chosen),
        };
        page.explained("source", &quoted(source), chosen, words(chosen));
        if let Some(own) = own.filter(|own| *own != hz) {
            page.explained("source_hz", &own.0.to_string(), own_basis, words(own_basis));
        }
        page.explained("hz", &hz.0.to_string(), basis, self.clock_known.as_deref().unwrap_or(words(basis)));
    }

    fn header(&self, page: &mut Page) {
        page.table("programming_header");
        let signals = ["MISO", "VCC", "SCK", "MOSI", "RESET", "GND"].map(quoted).join(", ");
        page.explained("kind", &quoted("2x3"), Basis::Assumed, "rows and pins a row; or words, where its pins have no numbers");
        page.explained("signals", &format!("[{signals}]"), Basis::Assumed, "in the order of the pin numbers: hold it against the board");
    }

    fn flash(&self, page: &mut Page) {
        let Stated { value: Some(reservation), basis } = &self.reservation else { return };
        page.table("reservation");
        page.value("start", &reservation.span.start().to_string(), *basis);
        page.value("size", &reservation.span.len().to_string(), *basis);
        if let Some(loader) = &reservation.loader {
            page.value("loader", &quoted(loader), *basis);
        }
        if let Some(baud) = reservation.baud {
            page.value("baud", &baud.value.to_string(), baud.basis);
        }
        page.value("start_delay_ms", &reservation.start_delay_ms.to_string(), Basis::Assumed);
    }

    fn expected(&self, page: &mut Page) {
        page.table("expected_configuration");
        let chip = self.chip.value;
        let mut bytes = self.configuration.clone().unwrap_or_else(|| chip.factory_configuration());
        let was_read = self.configuration.is_some();
        for field in &chip.fields {
            let now = field.read(&bytes).and_then(|setting| setting.value);
            let (value, basis) = match self.wanted(field, &bytes) {
                Some((value, basis)) => (value, if was_read && now == Some(value) { Basis::Read } else { basis }),
                None => match now.filter(|value| was_read && self.may_stay(field, value, &bytes)) {
                    Some(value) => (value, Basis::Read),
                    None => continue,
                },
            };
            field.set(&mut bytes, value.bits);
            let words =
                if field.role == Some(Role::OldPartMode) && value.name == "off" { "the chip is what it is called" } else { &value.words };
            page.explained(&field.name, &quoted(&value.name), basis, words);
        }
    }

    /// Whether what was read may be what is expected: not what shuts a way in, nor what keeps firmware from running, as a board has it
    /// that somebody set so by mistake.
    fn may_stay(&self, field: &Field, value: &FieldValue, bytes: &[u8]) -> bool {
        let starves = self.chip.value.watchdog_always_on(bytes).is_some_and(|watchdog| watchdog.name == field.name);
        value.shuts.is_empty() && !starves && value.resets_below.is_none_or(|level| level <= self.supply.value)
    }

    /// Whether the chip is new, as far as is known.
    fn is_as_shipped(&self) -> bool {
        self.configuration.as_ref().is_none_or(|now| *now == self.chip.value.factory_configuration())
    }

    /// What the draft says of a field itself; `None` where it stays as it is.
    fn wanted<'f>(&self, field: &'f Field, bytes: &[u8]) -> Option<(&'f FieldValue, Basis)> {
        let chip = self.chip.value;
        let reservation = self.reservation.value.as_ref();
        let named = |name: &str| field.value(name);
        // The loader is made for the chip itself, and one that is as shipped has no firmware for the older part.
        let loader = reservation.is_some_and(|reservation| reservation.loader.is_some());
        match field.role? {
            Role::OldPartMode => Some((named("off").filter(|_| loader || self.is_as_shipped())?, Basis::Assumed)),
            Role::Clock => Some((self.clock_value(field, bytes)?, self.source.basis)),
            Role::StartUp => Some((self.start_up(field).filter(|value| !value.unknown)?, Basis::Assumed)),
            Role::ClockDivider => Some((named(if is_divided(self.clock()) { "on" } else { "off" })?, self.hz.basis)),
            Role::KeepEeprom => Some((named("on")?, Basis::Assumed)),
            Role::CrystalSwing => Some((named(self.swing(bytes)?)?, self.source.basis)),
            Role::ResetStart => Some((reservation.and_then(|_| named("loader"))?, self.reservation.basis)),
            Role::BootSection => {
                let section = chip.boot_sections.iter().find(|section| Some(section.span) == reservation.map(|of| of.span))?;
                Some((field.values.iter().find(|value| Some(value.bits) == section.bits)?, self.reservation.basis))
            }
            Role::Watchdog | Role::ProgrammingLock | Role::BootLock => None,
        }
    }

    /// The swing that the clock needs; slow crystals are left with what they have.
    fn swing(&self, bytes: &[u8]) -> Option<&'static str> {
        match self.source.value {
            source @ ClockSource::Crystal { .. } => self.chip.value.needs_full_swing(source, bytes).then_some("full"),
            ClockSource::Internal { .. } | ClockSource::External => Some("small"),
        }
    }

    /// The value that gives this clock: the one that is set, where it does. But some chips are shipped with the quick start of a resonator,
    /// which a crystal need not bear (7593, section "Low Power Crystal Oscillator", from memory).
    fn clock_value<'f>(&self, field: &'f Field, bytes: &[u8]) -> Option<&'f FieldValue> {
        let gives = |value: &&FieldValue| value.clock.is_some_and(|source| gives(source, self.source.value));
        let for_resonators = self.is_as_shipped() && matches!(self.source.value, ClockSource::Crystal { .. });
        let now = field.read(bytes).and_then(|setting| setting.value).filter(gives).filter(|_| !for_resonators);
        now.or_else(|| field.values.iter().find(gives))
    }

    /// The start-up time that is set, where the clock stays; else the chip's own of the factory, or the longest for a crystal.
    fn start_up<'f>(&self, field: &'f Field) -> Option<&'f FieldValue> {
        let chip = self.chip.value;
        let stays =
            |bytes: &[u8]| chip.value_for(Role::Clock, bytes) == chip.field_for(Role::Clock).and_then(|of| self.clock_value(of, bytes));
        let factory = chip.factory_configuration();
        let of = |bytes: &[u8]| field.read(bytes).and_then(|setting| setting.value);
        let longest = || field.values.iter().max_by_key(|value| value.bits);
        let before = self.configuration.as_deref().unwrap_or(&factory);
        match (stays(before), self.source.value) {
            (true, _) => of(before),
            (false, ClockSource::Crystal { .. }) => longest(),
            (false, _) => of(&factory),
        }
    }

    fn rest(&self, page: &mut Page) {
        let loader = self.reservation.value.as_ref().and_then(|reservation| reservation.loader.as_ref());
        let lock = self.chip.value.lock_fields.iter().find(|field| field.role == Some(Role::BootLock));
        if let (Some(_), Some(value)) = (loader, lock.and_then(|field| field.value("no-writing"))) {
            page.table("expected_lock");
            let name = lock.map_or("", |field| field.name.as_str());
            page.explained(name, &quoted(&value.name), Basis::Assumed, &value.words);
        }
        if let Some(DraftConsole { baud, alive }) = &self.console {
            page.table("console");
            page.value("baud", &baud.value.to_string(), baud.basis);
            page.value("alive", &quoted(alive), Basis::Told);
        }
        if let Stated { value: Some(span), basis } = self.settings {
            page.table("settings_store");
            page.value("start", &span.start().to_string(), basis);
            page.value("size", &span.len().to_string(), basis);
        }
    }
}

/// The file in the making.
#[derive(Default)]
struct Page(Drafted);

impl Page {
    fn line(&mut self, line: &str) {
        self.0.text += &format!("{line}\n");
    }

    fn gap(&mut self) {
        self.line("");
    }

    fn table(&mut self, name: &str) {
        self.gap();
        self.line(&format!("[{name}]"));
    }

    fn value(&mut self, key: &str, value: &str, basis: Basis) {
        self.explained(key, value, basis, "");
    }

    fn explained(&mut self, key: &str, value: &str, basis: Basis, words: &str) {
        match basis {
            Basis::Read => self.0.read += 1,
            Basis::Told => self.0.told += 1,
            Basis::Assumed => self.0.assumed += 1,
        }
        let words = words.replace(|of: char| of.is_control(), " ");
        let words = if words.is_empty() { words } else { format!(": {words}") };
        self.line(&format!("{key} = {value} # {}{words}", basis.word()));
    }
}

fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}
