//! Small made-up chips and a board, so that tests run in seconds and every odd layout can be had.

use farrier::board::*;
use farrier::image::{ByteAddress, Image, Memory, Span};
use farrier::plan::*;
use farrier::units::{Hertz, Millivolts};
use std::time::Duration;

pub const FLASH: u32 = 2048;
pub const PAGE: u32 = 64;
pub const EEPROM: u32 = 64;
/// Reservation of the board below; the boot section of size bits 2.
pub const RESERVED: (u32, u32) = (0x600, 0x800);

/// Where a made-up chip has its reset field.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Clock in the low byte, reset in the high one, as most parts have them.
    Usual,
    /// Reset and boot section beside the clock, in one byte.
    Cramped,
    /// The EEPROM has no protection against an erase.
    Unprotected,
}

pub fn span(start: u32, end: u32) -> Span {
    Span::new(ByteAddress(start), ByteAddress(end)).unwrap()
}

fn value(bits: u8, name: &str) -> FieldValue {
    FieldValue {
        bits,
        name: name.into(),
        words: format!("{name} in words"),
        clock: None,
        rc: false,
        unknown: false,
        resets_below: None,
        shuts: Vec::new(),
        locks_eeprom: None,
        forbids_reading: false,
        forbids_writing: false,
    }
}

fn level(bits: u8, name: &str, mv: u16) -> FieldValue {
    FieldValue { resets_below: Some(Millivolts(mv)), ..value(bits, name) }
}

fn field(name: &str, role: Option<Role>, byte: usize, mask: u8, values: Vec<FieldValue>) -> Field {
    Field { name: name.into(), symbol: name.to_uppercase(), words: format!("{name} in words"), role, byte, mask, values, incomplete: false }
}

fn on_off(name: &str, role: Option<Role>, byte: usize, mask: u8) -> Field {
    field(name, role, byte, mask, vec![value(0, "on"), value(1, "off")])
}

fn shutting(name: &str, byte: usize, mask: u8, shut: u8) -> Field {
    let mut values = vec![value(0, "on"), value(1, "off")];
    values[shut as usize].shuts = vec![Way::Spi];
    field(name, None, byte, mask, values)
}

fn clock_field(byte: usize) -> Field {
    let clock = |bits, name: &str, source| FieldValue { clock: Some(source), ..value(bits, name) };
    let crystal = ClockSource::Crystal { from_hz: Hertz(8_000_000), to_hz: Hertz(16_000_000) };
    let values = vec![
        clock(0, "external", ClockSource::External),
        clock(1, "internal-128-khz", ClockSource::Internal { hz: Hertz(128_000) }),
        clock(2, "internal-8-mhz", ClockSource::Internal { hz: Hertz(8_000_000) }),
        clock(3, "crystal-8-to-16-mhz", crystal),
    ];
    field("clock", Some(Role::Clock), byte, 0x0C, values)
}

fn lock_fields() -> Vec<Field> {
    let mut closed = FieldValue { forbids_writing: true, ..value(2, "no-writing") };
    let open = value(3, "open");
    let shut = FieldValue { forbids_reading: true, forbids_writing: true, ..value(0, "no-access") };
    closed.words = "nothing can be written".into();
    let modes = || vec![value(3, "free"), value(2, "no-writing"), value(1, "no-reading"), value(0, "neither")];
    vec![
        field("programming-lock", Some(Role::ProgrammingLock), 0, 0x03, vec![open, closed, shut]),
        field("application-lock", None, 0, 0x0C, modes()),
        field("boot-lock", Some(Role::BootLock), 0, 0x30, modes()),
    ]
}

/// A chip of three configuration bytes with 2 KiB of flash.
pub fn chip(kind: Kind) -> Chip {
    let (boot_byte, boot_shift) = if kind == Kind::Cramped { (0, 4) } else { (1, 0) };
    let mut fields = vec![
        clock_field(0),
        on_off("clock-divider", Some(Role::ClockDivider), 0, 0x80),
        field("start-up", Some(Role::StartUp), 0, 0x03, (0..4).map(|n| value(n, &format!("start-up-{n}"))).collect()),
        shutting("reset-pin", 1, 0x80, 0),
        shutting("serial-programming", 1, 0x20, 1),
        field("watchdog", Some(Role::Watchdog), 1, 0x10, vec![value(0, "always-on"), value(1, "by-firmware")]),
        field(
            "boot-section",
            Some(Role::BootSection),
            boot_byte,
            0x06 << boot_shift,
            (0..4).map(|n| value(n, &format!("size-{n}"))).collect(),
        ),
        field("reset-start", Some(Role::ResetStart), boot_byte, 0x01 << boot_shift, vec![value(0, "loader"), value(1, "application")]),
        field("brown-out", None, 2, 0x07, vec![value(7, "off"), level(5, "2.7-v", 2_700), level(4, "4.3-v", 4_300)]),
    ];
    if kind == Kind::Usual {
        let locked = FieldValue { locks_eeprom: Some(span(24, EEPROM)), ..value(0, "locked") };
        fields.push(field("upper-eeprom", None, 1, 0x40, vec![value(1, "free"), locked]));
    }
    if kind != Kind::Unprotected {
        fields.push(on_off("keep-eeprom", Some(Role::KeepEeprom), 1, 0x08));
    }
    let used = |byte: usize| fields.iter().filter(|field| field.byte == byte).fold(0, |mask, field| mask | field.mask);
    let byte = |name: &str, factory: u8, used: u8| ConfigurationByte { name: name.into(), factory, used };
    let ms = Duration::from_millis;
    Chip {
        part: "ATmade2".into(),
        family: "made-up".into(),
        supply: None,
        id: [0x1E, 0x91, 0x42],
        flash: MemoryShape { bytes: FLASH, page: PAGE, blank: 0xFF },
        eeprom: MemoryShape { bytes: EEPROM, page: 4, blank: 0xFF },
        timings: Timings {
            flash_write_max: Duration::from_micros(4_500),
            eeprom_write_max: Duration::from_micros(3_600),
            erase_max: ms(9),
            configuration_write_max: Duration::from_micros(4_500),
        },
        // SPIEN is programmed, the clock is the internal one divided by 8, reset starts at 0.
        configuration: vec![byte("low", 0x7A, used(0)), byte("high", 0xDF, used(1)), byte("extended", 0xFF, used(2))],
        fields,
        lock: ConfigurationByte { name: "lock".into(), factory: 0xFF, used: 0x3F },
        lock_fields: lock_fields(),
        boot_sections: [(3, 0x780), (2, 0x600), (1, 0x500), (0, 0x400)]
            .map(|(bits, at)| BootSection { bits: Some(bits), span: span(at, FLASH) })
            .into(),
        own_clock: None,
        fastest: None,
        from_memory: Vec::new(),
        jmp: true,
        programming_clock: vec![(Hertz(0), 4), (Hertz(12_000_000), 6)],
        ways_in: vec![WayIn {
            way: Way::Spi,
            reads: vec![Memory::Flash, Memory::Eeprom, Memory::Configuration, Memory::Lock],
            flash_erase: EraseUnit::Chip,
            eeprom_writes_erase: true,
            ready: Ready::Bit,
            eeprom_writes: EepromWrites::Pages,
            chip_erase_takes: vec![Memory::Eeprom, Memory::Lock],
            pins: Vec::new(),
        }],
    }
}

/// A vent controller with a crystal, 512 bytes for its loader, and settings in half of the EEPROM.
pub fn board() -> Board {
    let pair = |field: &str, value: &str| (field.to_string(), value.to_string());
    Board {
        name: "vent".into(),
        summary: "vent controller".into(),
        chip: "ATmade2".into(),
        generic: false,
        supply: (Millivolts(4_500), Millivolts(5_500)),
        clock_pin_wired: false,
        levels: Millivolts(5_000),
        level_follows_supply: false,
        bears_5v: true,
        levels_shifted: false,
        clock: ClockSetting {
            source: ClockSource::Crystal { from_hz: Hertz(16_000_000), to_hz: Hertz(16_000_000) },
            hz: Hertz(16_000_000),
        },
        header: HeaderPins { kind: "2x3".into(), pins: Vec::new() },
        reservation: Some(Reservation {
            span: span(RESERVED.0, RESERVED.1),
            loader: None,
            start_delay_ms: 500,
            line: LoaderLine::default(),
        }),
        regions: vec![Region { name: "tables".into(), span: span(0x500, 0x580), owner: RegionOwner::Application }],
        expected_configuration: vec![
            pair("clock", "crystal-8-to-16-mhz"),
            pair("clock-divider", "off"),
            pair("boot-section", "size-2"),
            pair("reset-start", "loader"),
        ],
        expected_lock: vec![pair("boot-lock", "no-writing")],
        console: None,
        settings: Some(SettingsStore { span: span(0, 32) }),
        serial_number: Some(SerialNumber { memory: Memory::Eeprom, span: span(48, 56) }),
        cautions: Vec::new(),
    }
}

pub fn pace() -> Pace {
    Pace { programming_clock: Hertz(250_000), bytes_per_second: 50_000 }
}

pub fn target<'a>(chip: &'a Chip, board: &'a Board) -> Target<'a> {
    Target { chip, way_in: &chip.ways_in[0], board, pace: pace() }
}

/// The chip as it comes from the factory, read in full.
pub fn factory(chip: &Chip) -> Observed {
    Observed {
        id: Some(chip.id),
        calibration: Some(0x9A),
        flash: Contents { bytes: Image::of(ByteAddress(0), &vec![0xFF; chip.flash.bytes as usize]), unreadable: None },
        eeprom: Contents { bytes: Image::of(ByteAddress(0), &vec![0xFF; chip.eeprom.bytes as usize]), unreadable: None },
        configuration: Some(chip.configuration.iter().map(|byte| byte.factory).collect()),
        lock: Some(chip.lock.factory),
        access: Some(access()),
    }
}

pub fn access() -> Access {
    Access {
        way: Way::Spi,
        programming_clock: Hertz(250_000),
        clock_output: None,
        tries: 1,
        supply: Some(Millivolts(5_000)),
        pin_level: Some(Millivolts(5_000)),
    }
}

/// A program of `len` bytes that starts: a jump over one word, then bytes made from `seed`.
pub fn program(at: u32, len: usize, seed: u8) -> Image {
    let mut bytes: Vec<u8> = (0..len).map(|n| (n as u8).wrapping_mul(37) ^ seed | 1).collect();
    let start = [0x01, 0xC0, 0x00, 0x00, 0xF8, 0x94];
    bytes.iter_mut().zip(start).for_each(|(byte, code)| *byte = code);
    Image::of(ByteAddress(at), &bytes)
}

pub fn named(name: &str, image: Image) -> NamedImage {
    NamedImage { name: name.into(), image }
}

pub fn loader() -> NamedImage {
    named("vent-loader", program(RESERVED.0, 300, 0x5A))
}

pub fn application(len: usize) -> NamedImage {
    named("vent.hex", program(0, len, 0x33))
}

pub fn install() -> Intent {
    Intent { loader: LoaderIntent::Install(loader()), ..Intent::default() }
}

pub fn write(image: NamedImage) -> Intent {
    Intent { application: ApplicationIntent::Write(image), ..Intent::default() }
}

pub fn configure(field: &str, value: &str) -> Intent {
    Intent { configuration: vec![(field.into(), value.into())], ..Intent::default() }
}

/// What an observer sees of a state in which everything is known: nothing of a locked chip's memories.
pub fn observe(state: &State, chip: &Chip) -> Observed {
    let cells =
        |cells: &[Option<u8>]| cells.iter().map(|cell| cell.expect("a byte that may be anything cannot be read")).collect::<Vec<u8>>();
    let contents = |bytes: &[Option<u8>]| match unreadable(chip, state.lock.value) {
        None => Contents { bytes: Image::of(ByteAddress(0), &cells(bytes)), unreadable: None },
        why => Contents { bytes: Image::default(), unreadable: why },
    };
    Observed {
        flash: contents(&state.flash),
        eeprom: contents(&state.eeprom),
        configuration: Some(state.configuration.iter().map(|bits| bits.value).collect()),
        lock: Some(state.lock.value),
        // Supply and levels have findings and tests of their own.
        access: None,
        ..factory(chip)
    }
}

/// Puts random bits wherever a state may be anything, as the next observer finds it. Observing takes an entry, which proves
/// the clock that is set.
pub fn settle(state: &mut State, mut random: impl FnMut() -> u8) {
    state.clock_unproven = false;
    for cell in state.flash.iter_mut().chain(&mut state.eeprom) {
        let byte = random();
        cell.get_or_insert(byte);
    }
    for bits in state.configuration.iter_mut().chain([&mut state.lock]) {
        *bits = Bits { value: bits.value & bits.known | random() & !bits.known, known: 0xFF };
    }
}
