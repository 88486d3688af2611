//! Parts, boards, and a hand that sends raw instructions.

use farrier::board::{
    Board, Chip, ClockSetting, ClockSource, ConfigurationByte, Field, FieldValue, HeaderPins, MemoryShape, Role, Timings, Way,
};
use farrier::bus::{Bus, Drive, Line, Operation, Reply};
use farrier::sim::{DirectBus, Sim};
use farrier::units::{Hertz, Millivolts};
use std::time::Duration;

/// The seed of these tests, unless one says otherwise.
pub const SEED: u64 = 20;

fn value(bits: u8, name: &str, clock: Option<ClockSource>, shuts: bool) -> FieldValue {
    let shuts = if shuts { vec![Way::Spi] } else { Vec::new() };
    FieldValue {
        bits,
        name: name.into(),
        words: String::new(),
        clock,
        rc: false,
        unknown: false,
        resets_below: None,
        shuts,
        locks_eeprom: None,
        forbids_reading: false,
        forbids_writing: false,
    }
}

fn field(symbol: &str, role: Option<Role>, byte: usize, mask: u8, values: Vec<FieldValue>) -> Field {
    Field { name: symbol.to_lowercase(), symbol: symbol.into(), words: String::new(), role, byte, mask, values, incomplete: false }
}

/// The fields of the sim's interest, in the places where ATmega1284P and ATmega2560 have them.
fn fields() -> Vec<Field> {
    let internal = ClockSource::Internal { hz: Hertz(8_000_000) };
    let slow = ClockSource::Internal { hz: Hertz(128_000) };
    let crystal = ClockSource::Crystal { from_hz: Hertz(8_000_000), to_hz: Hertz(16_000_000) };
    let clocks = vec![
        value(0b0010, "internal-8-mhz", Some(internal), false),
        value(0b0011, "internal-128-khz", Some(slow), false),
        value(0b1111, "crystal-8-to-16-mhz", Some(crystal), false),
        value(0b0000, "external", Some(ClockSource::External), false),
    ];
    vec![
        field("CKSEL3..0", Some(Role::Clock), 0, 0x0F, clocks),
        field("CKDIV8", Some(Role::ClockDivider), 0, 0x80, vec![value(0, "on", None, false), value(1, "off", None, false)]),
        field("EESAVE", Some(Role::KeepEeprom), 1, 0x08, vec![value(0, "on", None, false), value(1, "off", None, false)]),
        field("SPIEN", None, 1, 0x20, vec![value(0, "on", None, false), value(1, "off", None, true)]),
        field("DWEN", None, 1, 0x40, vec![value(0, "on", None, true), value(1, "off", None, false)]),
    ]
}

fn part(name: &str, id: [u8; 3], flash: (u32, u32), eeprom: (u32, u32), high: u8) -> Chip {
    let shape = |(bytes, page)| MemoryShape { bytes, page, blank: 0xFF };
    let byte = |name: &str, factory, used| ConfigurationByte { name: name.into(), factory, used };
    let ms = Duration::from_millis;
    Chip {
        part: name.into(),
        family: String::new(),
        supply: None,
        id,
        flash: shape(flash),
        eeprom: shape(eeprom),
        timings: Timings { flash_write_max: ms(5), eeprom_write_max: ms(4), erase_max: ms(9), configuration_write_max: ms(5) },
        configuration: vec![byte("low", 0x62, 0xFF), byte("high", high, 0xFF), byte("extended", 0xFF, 0x07)],
        fields: fields(),
        lock: byte("lock", 0xFF, 0x3F),
        lock_fields: Vec::new(),
        boot_sections: Vec::new(),
        own_clock: None,
        fastest: None,
        from_memory: Vec::new(),
        jmp: true,
        programming_clock: Vec::new(),
        ways_in: Vec::new(),
    }
}

/// A part of 32 KiB, pages of 128 and 4 bytes.
pub fn small() -> Chip {
    part("ATmega328P", [0x1E, 0x95, 0x0F], (32 << 10, 128), (1024, 4), 0xD9)
}

/// A part of 256 KiB, pages of 256 and 8 bytes.
pub fn large() -> Chip {
    part("ATmega2560", [0x1E, 0x98, 0x01], (256 << 10, 256), (4096, 8), 0xD9)
}

/// A board with a crystal of 16 MHz at 5 V.
pub fn board() -> Board {
    let source = ClockSource::Crystal { from_hz: Hertz(8_000_000), to_hz: Hertz(16_000_000) };
    Board {
        name: "vent".into(),
        summary: String::new(),
        chip: String::new(),
        generic: false,
        supply: (Millivolts(4_500), Millivolts(5_500)),
        clock_pin_wired: false,
        levels: Millivolts(5_000),
        level_follows_supply: false,
        bears_5v: true,
        levels_shifted: false,
        clock: ClockSetting { source, hz: Hertz(16_000_000) },
        header: HeaderPins { kind: "2x3".into(), pins: Vec::new() },
        reservation: None,
        regions: Vec::new(),
        expected_configuration: Vec::new(),
        expected_lock: Vec::new(),
        console: None,
        settings: None,
        serial_number: None,
        cautions: Vec::new(),
    }
}

/// The same board without a crystal, on the chip's own oscillator.
pub fn board_without_crystal() -> Board {
    let source = ClockSource::Internal { hz: Hertz(8_000_000) };
    Board { clock: ClockSetting { source, hz: Hertz(8_000_000) }, ..board() }
}

/// A hand at the bus of one simulated board.
pub struct Bench {
    pub sim: Sim,
    pub bus: DirectBus,
}

impl Bench {
    pub fn new(board: &Board, chip: &Chip) -> Bench {
        let sim = Sim::new(board, chip, SEED);
        Bench { bus: sim.direct_bus(), sim }
    }

    /// A fresh small part, not entered.
    pub fn small() -> Bench {
        Bench::new(&board(), &small())
    }

    /// A fresh part in programming mode, with a SCK that suits its 1 MHz.
    pub fn entered(chip: &Chip) -> Bench {
        let mut bench = Bench::new(&board(), chip);
        assert!(bench.enter(200_000));
        bench
    }

    pub fn run(&mut self, operation: Operation) -> Reply {
        self.bus.run(&[operation]).expect("the operation is carried out").remove(0)
    }

    pub fn reset(&mut self, drive: Drive) {
        self.run(Operation::Line { line: Line::Reset, drive });
    }

    pub fn wait(&mut self, time: Duration) {
        self.run(Operation::Delay(time));
    }

    pub fn ms(&mut self, ms: u64) {
        self.wait(Duration::from_millis(ms));
    }

    pub fn sck(&mut self, hz: u32) {
        self.run(Operation::SpiClock(Hertz(hz)));
    }

    /// What comes back while these bytes are sent.
    pub fn send(&mut self, bytes: &[u8]) -> Vec<u8> {
        match self.run(Operation::Transfer(bytes.to_vec())) {
            Reply::Bytes(back) => back,
            other => panic!("a transfer replied {other:?}"),
        }
    }

    /// What the bus's clock shows.
    pub fn bus_time(&self) -> farrier::time::Moment {
        self.bus.clock().now()
    }

    /// The fourth byte of an instruction's answer.
    pub fn ask(&mut self, bytes: [u8; 4]) -> u8 {
        self.send(&bytes)[3]
    }

    /// Sends an instruction that writes, and waits as long as the longest of them takes.
    pub fn write(&mut self, bytes: [u8; 4]) {
        self.send(&bytes);
        self.ms(9);
    }

    /// RESET low (after a pulse, if it was low already), 20 ms, Programming Enable. Whether `53` came back in step.
    pub fn enter(&mut self, hz: u32) -> bool {
        self.sck(hz);
        self.reset(Drive::High);
        self.ms(1);
        self.reset(Drive::Low);
        self.ms(20);
        self.send(&[0xAC, 0x53, 0, 0])[2] == 0x53
    }

    pub fn load_word(&mut self, word: u8, value: u16) {
        let [low, high] = value.to_le_bytes();
        self.send(&[0x40, 0, word, low]);
        self.send(&[0x48, 0, word, high]);
    }

    pub fn read_word(&mut self, word: u16) -> u16 {
        let [high, low] = word.to_be_bytes();
        u16::from_le_bytes([self.ask([0x20, high, low, 0]), self.ask([0x28, high, low, 0])])
    }

    pub fn id(&mut self) -> [u8; 3] {
        [0, 1, 2].map(|index| self.ask([0x30, 0, index, 0]))
    }

    /// Fails the test if anything forbidden was done.
    pub fn assert_clean(&self) {
        let violations = self.sim.violations();
        assert_eq!(violations.count, 0, "seed {SEED}: {:#?}", violations.list);
    }

    /// Fails the test unless exactly one forbidden thing was done, with these words in its text.
    pub fn assert_only(&self, words: &str) {
        let violations = self.sim.violations();
        assert_eq!(violations.count, 1, "seed {SEED}: {:#?}", violations.list);
        assert!(violations.list[0].text.contains(words), "seed {SEED}: {:#?}", violations.list);
    }
}
