//! What configuration and lock bytes mean. Expected bytes and addresses are worked out by hand from the datasheets' tables.

use farrier::board::{Board, Catalog, Chip, Role};
use farrier::image::{ByteAddress, Span};
use farrier::units::Hertz;

fn board(name: &str) -> (Board, Chip) {
    Catalog::built_in().board(name).unwrap()
}

fn span(start: u32, len: u32) -> Span {
    Span::sized(ByteAddress(start), len).unwrap()
}

#[test]
fn factory_bytes_in_words() {
    let (_, chip) = board("vent");
    assert_eq!(chip.factory_configuration(), [0x62, 0x99, 0xFF]);
    let decoded: Vec<(String, String)> =
        chip.decode(&[0x62, 0x99, 0xFF]).iter().map(|setting| (setting.field.name.clone(), setting.name())).collect();
    let expected = [
        ("clock", "internal-8-mhz"),
        ("start-up", "sut-10"),
        ("clock-divider", "on"),
        ("clock-output", "off"),
        ("reset-start", "application"),
        ("boot-section", "8192-bytes"),
        ("keep-eeprom", "off"),
        ("brown-out", "off"),
        ("watchdog", "by-firmware"),
        ("serial-programming", "on"),
        ("jtag", "on"),
        ("on-chip-debug", "off"),
    ];
    assert_eq!(decoded, expected.map(|(field, value)| (field.to_string(), value.to_string())));
}

#[test]
fn reserved_codes_have_no_value() {
    let (board, chip) = board("frost");
    let reserved = [0x61, 0xD9, 0xFF]; // CKSEL 0001
    let setting = chip.field("clock").unwrap().read(&reserved).unwrap();
    assert_eq!((setting.value, setting.name().as_str(), setting.words()), (None, "0b0001", "reserved"));
    assert_eq!(chip.system_clock(&board, &reserved), None);
}

#[test]
fn fields_answer_to_name_and_symbol() {
    let (_, chip) = board("frost");
    for called in ["boot-section", "BOOTSZ1..0", "BOOTSZ", "bootsz"] {
        assert_eq!(chip.field(called).unwrap().role, Some(Role::BootSection), "{called}");
    }
    assert_eq!(chip.field("RSTDISBL").unwrap().name, "reset-pin");
    assert_eq!(chip.lock_field("BLB12..11").unwrap().role, Some(Role::BootLock));
    assert_eq!(chip.lock_field("LB").unwrap().role, Some(Role::ProgrammingLock));
    assert!(chip.field("").is_none() && chip.field("BOOT").is_none() && chip.field("LB").is_none());
}

#[test]
fn setting_a_field_leaves_other_bits() {
    let (_, chip) = board("vent");
    let field = chip.field("boot-section").unwrap();
    let mut bytes = [0x62, 0x99, 0xFF];
    field.set(&mut bytes, field.value("2048-bytes").unwrap().bits);
    assert_eq!(bytes, [0x62, 0x9D, 0xFF]); // BOOTSZ 10
    field.set(&mut bytes, 0xFF);
    assert_eq!(bytes, [0x62, 0x9F, 0xFF]);
}

#[test]
fn expected_bytes_of_the_demo_boards() {
    // low: CKDIV8 CKOUT SUT1..0 CKSEL3..0, high: OCDEN JTAGEN (RSTDISBL DWEN) SPIEN WDTON EESAVE BOOTSZ1..0 BOOTRST, extended: BODLEVEL
    for (name, bytes) in [("vent", [0xFF, 0xD4, 0xFC]), ("pump", [0xF7, 0xD4, 0xFC]), ("frost", [0xE2, 0xD4, 0xFD])] {
        let (board, chip) = board(name);
        assert_eq!(board.expected_configuration(&chip, &chip.factory_configuration()), bytes, "{name}");
        assert_eq!(board.expected_lock(&chip, 0xFF), 0xEF, "{name}: BLB11 programmed, BLB12 not");
    }
}

#[test]
fn expected_fields_leave_the_others() {
    let (board, chip) = board("frost");
    assert_eq!(board.expected_lock(&chip, 0xFE), 0xEE);
    assert_eq!(board.expected_configuration(&chip, &[0x00, 0x00, 0x00]), [0xE2, 0x14, 0x05]);
}

#[test]
fn the_clock_that_a_configuration_gives() {
    let (vent, chip) = board("vent");
    assert_eq!(chip.system_clock(&vent, &[0x62, 0x99, 0xFF]), Some(Hertz(1_000_000)), "8 MHz of its own, divided by 8");
    assert_eq!(chip.system_clock(&vent, &[0xE2, 0x99, 0xFF]), Some(Hertz(8_000_000)));
    assert_eq!(chip.system_clock(&vent, &[0xFF, 0x99, 0xFF]), Some(Hertz(16_000_000)), "its crystal");
    assert_eq!(chip.system_clock(&vent, &[0x7F, 0x99, 0xFF]), Some(Hertz(2_000_000)), "its crystal, divided by 8");
    assert_eq!(chip.system_clock(&vent, &[0xFD, 0x99, 0xFF]), None, "set to 3 to 8 MHz, where 16 MHz is fitted");
    assert_eq!(chip.system_clock(&vent, &[0xE0, 0x99, 0xFF]), None, "nothing drives XTAL1");
    assert_eq!(chip.system_clock(&vent, &[0x63, 0x99, 0xFF]), Some(Hertz(16_000)), "128 kHz divided by 8");
    assert_eq!(chip.system_clock(&vent, &[]), None);
    let (frost, chip) = board("frost");
    assert_eq!(chip.system_clock(&frost, &[0xFF, 0xD9, 0xFF]), None, "no crystal on this board");
}

#[test]
fn boot_sections_and_where_reset_goes() {
    let (_, chip) = board("pump");
    assert_eq!(chip.boot_section(&[0x62, 0x99, 0xFF]), Some(span(0x3E000, 8192)));
    assert_eq!(chip.boot_section(&[0x62, 0x9D, 0xFF]), Some(span(0x3F800, 2048)));
    assert!(!chip.starts_loader(&[0x62, 0x99, 0xFF]));
    assert!(chip.starts_loader(&[0x62, 0x98, 0xFF]));
}

#[test]
fn a_code_that_the_chip_file_does_not_know_is_not_called_reserved() {
    let (_, chip) = Catalog::built_in().board("generic-atmega161").unwrap();
    let words = |low: u8| chip.decode(&[low]).into_iter().find(|setting| setting.field.name == "clock").unwrap().words().to_owned();
    assert_eq!(words(0xDA), "crystal of 1 to 8 MHz (from memory, not checked against the datasheet)");
    assert_eq!(words(0xDF), "a code that the chip file does not know");
    let (vent, chip) = board("vent");
    let reserved = chip.decode(&[0xF1, 0x99, 0xFF]).into_iter().find(|setting| setting.field.name == "clock").unwrap();
    assert_eq!((reserved.words(), vent.expected_value(reserved.field)), ("reserved", Some("crystal-8-to-16-mhz")));
}

#[test]
fn a_chip_without_fuses_for_clock_or_boot_section_has_one_of_each() {
    let of = |name: &str| Catalog::built_in().board(name).unwrap();
    let (board, chip) = of("generic-atmega8hva");
    assert!(chip.field("clock").is_none());
    for low in [0xDF, 0x00, 0xFF] {
        assert_eq!(chip.system_clock(&board, &[low]), Some(Hertz(1_000_000)));
    }
    let (board, chip) = of("generic-ata5790n");
    assert_eq!(chip.system_clock(&board, &[0x49]), Some(Hertz(500_000)), "4 MHz divided by 8");
    assert_eq!(chip.system_clock(&board, &[0xC9]), Some(Hertz(4_000_000)));
    let (_, chip) = of("generic-atmega161");
    assert_eq!(chip.boot_section(&[0xDA]), Some(span(0x3C00, 1024)));
    assert_eq!(chip.started_section(&[0xDA]), None, "BOOTRST unprogrammed");
    assert_eq!(chip.started_section(&[0x9A]), Some(span(0x3C00, 1024)));
}

#[test]
fn the_programming_clock_stays_under_its_limit() {
    let (_, chip) = board("vent");
    for (system, fastest) in [
        (8_000_000, 1_999_999),  // below a quarter, not at it
        (16_000_000, 2_666_666), // a sixth
        (11_999_999, 2_999_999),
        (12_000_000, 1_999_999),
        (16_000, 3_999),
        (1, 1),
        (0, 1),
    ] {
        assert_eq!(chip.programming_clock_limit(Hertz(system)), Hertz(fastest), "{system}");
    }
}

#[test]
fn what_is_left_to_the_application() {
    let left = |name: &str| {
        let (board, chip) = board(name);
        board.application(&chip)
    };
    assert_eq!(left("vent"), Span::first(0x1F800));
    assert_eq!(left("pump"), Span::first(0x3F800));
    assert_eq!(left("frost"), Span::first(0x7C00));
    assert_eq!(left("generic-atmega328p"), Span::first(0x8000));
}

#[test]
fn what_shuts_the_programming_header_is_marked() {
    for (name, expected) in [
        ("frost", vec!["debug-wire=on", "reset-pin=port-pin", "serial-programming=off"]),
        ("vent", vec!["serial-programming=off"]),
        ("pump", vec!["serial-programming=off"]),
    ] {
        let (_, chip) = board(name);
        let values = chip.fields.iter().flat_map(|field| field.values.iter().map(move |value| (field, value)));
        let mut shut: Vec<String> =
            values.filter(|(_, value)| !value.shuts.is_empty()).map(|(field, value)| format!("{}={}", field.name, value.name)).collect();
        shut.sort();
        assert_eq!(shut, expected, "{name}");
    }
}

#[test]
fn lock_modes_say_what_they_forbid() {
    let (_, chip) = board("vent");
    let forbids = |lock: u8| {
        let setting = chip.field_for(Role::ProgrammingLock).unwrap().read(&[lock]).unwrap();
        setting.value.map(|value| (value.forbids_reading, value.forbids_writing))
    };
    assert_eq!(forbids(0xFF), Some((false, false)));
    assert_eq!(forbids(0xFE), Some((false, true)), "mode 2");
    assert_eq!(forbids(0xFC), Some((true, true)), "mode 3");
    assert_eq!(forbids(0xFD), None, "not a mode");
}

#[test]
fn the_console_rates_can_be_reached() {
    // Double speed: rate = clock / (8 (UBRR + 1)). Two percent is what an asynchronous receiver bears.
    for name in ["vent", "pump", "frost"] {
        let (board, _) = board(name);
        let (hz, baud) = (f64::from(board.clock.hz.0), f64::from(board.console.unwrap().baud));
        let reached = hz / (8.0 * (hz / (8.0 * baud)).round());
        assert!((reached / baud - 1.0).abs() < 0.02, "{name}: {reached}");
    }
}
