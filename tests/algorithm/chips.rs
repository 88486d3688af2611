//! Two chips as the datasheets give them, typed here by hand: the scripted tests must not lean on the chip files.

use farrier::board::{
    Chip, ClockSource, ConfigurationByte, EepromWrites, EraseUnit, Field, FieldValue, MemoryShape, Ready, Role, Timings, Way, WayIn,
};
use farrier::image::Memory;
use farrier::units::Hertz;
use std::time::Duration;

fn value(bits: u8, name: &str, clock: Option<ClockSource>) -> FieldValue {
    FieldValue {
        bits,
        name: name.to_owned(),
        words: String::new(),
        clock,
        rc: false,
        unknown: false,
        resets_below: None,
        shuts: Vec::new(),
        locks_eeprom: None,
        forbids_reading: false,
        forbids_writing: false,
    }
}

fn field(name: &str, role: Role, mask: u8, values: Vec<FieldValue>) -> Field {
    Field { name: name.to_owned(), symbol: String::new(), words: String::new(), role: Some(role), byte: 0, mask, values, incomplete: false }
}

fn byte(name: &str, factory: u8, used: u8) -> ConfigurationByte {
    ConfigurationByte { name: name.to_owned(), factory, used }
}

fn internal(hz: u32) -> Option<ClockSource> {
    Some(ClockSource::Internal { hz: Hertz(hz) })
}

/// ATmega328P: 32 KiB in pages of 128, 1 KiB of EEPROM in pages of 4.
pub fn atmega328p() -> Chip {
    let lock = |bits, name, forbids_writing, forbids_reading| FieldValue { forbids_writing, forbids_reading, ..value(bits, name, None) };
    Chip {
        part: "ATmega328P".to_owned(),
        family: "AVR".to_owned(),
        supply: None,
        id: [0x1E, 0x95, 0x0F],
        flash: MemoryShape { bytes: 32 * 1024, page: 128, blank: 0xFF },
        eeprom: MemoryShape { bytes: 1024, page: 4, blank: 0xFF },
        timings: Timings {
            flash_write_max: Duration::from_micros(4500),
            eeprom_write_max: Duration::from_micros(3600),
            erase_max: Duration::from_micros(9000),
            configuration_write_max: Duration::from_micros(4500),
        },
        configuration: vec![byte("low", 0x62, 0xFF), byte("high", 0xD9, 0xFF), byte("extended", 0xFF, 0x07)],
        fields: vec![
            field(
                "clock",
                Role::Clock,
                0x0F,
                vec![value(2, "internal-8-mhz", internal(8_000_000)), value(3, "internal-128-khz", internal(128_000))],
            ),
            field("clock-divider", Role::ClockDivider, 0x80, vec![value(0, "on", None), value(1, "off", None)]),
        ],
        lock: byte("lock", 0xFF, 0x3F),
        lock_fields: vec![field(
            "programming-lock",
            Role::ProgrammingLock,
            0x03,
            vec![lock(3, "off", false, false), lock(2, "no-writing", true, false), lock(0, "no-reading", true, true)],
        )],
        boot_sections: Vec::new(),
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

/// ATmega2560: 256 KiB in pages of 256, 4 KiB of EEPROM in pages of 8; needs Load Extended Address.
pub fn atmega2560() -> Chip {
    Chip {
        part: "ATmega2560".to_owned(),
        id: [0x1E, 0x98, 0x01],
        flash: MemoryShape { bytes: 256 * 1024, page: 256, blank: 0xFF },
        eeprom: MemoryShape { bytes: 4096, page: 8, blank: 0xFF },
        ..atmega328p()
    }
}
