//! First board files: whatever is read and told, `boards check` passes on them, and the chip runs as told.

use farrier::board::{Catalog, Chip, ClockSetting, ClockSource, Draft, DraftConsole, DraftReservation, Stated, can_run, read_board};
use farrier::image::Span;
use farrier::units::{Hertz, Millivolts};

/// Every chip that is described.
fn chips(catalog: &Catalog) -> Vec<Chip> {
    catalog.chip_parts().iter().map(|part| catalog.chip(part).unwrap()).collect()
}

/// A clock of each kind that the chip can have.
fn clocks(chip: &Chip) -> Vec<ClockSetting> {
    let of = |source: ClockSource| match source {
        ClockSource::Internal { hz } => ClockSetting { source, hz },
        ClockSource::Crystal { to_hz, .. } => ClockSetting { source: ClockSource::Crystal { from_hz: to_hz, to_hz }, hz: to_hz },
        ClockSource::External => ClockSetting { source, hz: Hertz(10_000_000) },
    };
    let clocks: Vec<ClockSetting> = chip.clock_sources().map(of).collect();
    assert!(!clocks.is_empty(), "{} has no clock", chip.part);
    clocks
}

fn draft(chip: &Chip, clock: ClockSetting, configuration: Option<Vec<u8>>, reserved: Option<Span>) -> Draft<'_> {
    Draft {
        name: "kiln".into(),
        summary: Stated::told("burns \"pots\" # not plants\\".into()),
        chip: Stated::read(chip),
        configuration,
        supply: Stated::told(chip.supply.map_or(Millivolts(5_000), |(_, most)| most.min(Millivolts(5_000)))),
        source: Stated::told(clock.source),
        hz: Stated::told(clock.hz),
        clock_known: Some("printed on it\nhz = 1".into()),
        reservation: Stated::told(reserved.map(|span| DraftReservation { span, loader: None, baud: None, start_delay_ms: 0 })),
        drives: vec!["the \"big\" heater".into()],
        settings: Stated::assumed(Some(Span::first(chip.eeprom.bytes))),
        console: Some(DraftConsole { baud: Stated::told(38_400), alive: "ready".into() }),
    }
}

#[test]
fn every_draft_is_a_board_file_and_gives_the_clock_that_was_told() {
    let catalog = Catalog::built_in();
    let mut random = fastrand::Rng::with_seed(11);
    let mut drafts = 0;
    for chip in chips(&catalog) {
        for clock in clocks(&chip) {
            let sections = chip.boot_sections.iter().map(|section| Some(section.span)).chain([None]);
            for reserved in sections {
                let read: Vec<u8> = chip.configuration.iter().map(|_| random.u8(..)).collect();
                for configuration in [None, Some(chip.factory_configuration()), Some(read)] {
                    let drafted = draft(&chip, clock, configuration, reserved).write();
                    let made = read_board(&drafted.text, |part| catalog.chip(part).map_err(|why| why.to_string()));
                    let (board, _) = made.unwrap_or_else(|mistakes| panic!("{}: {mistakes:?}\n{}", chip.part, drafted.text));
                    let expected = board.expected_configuration(&chip, &chip.factory_configuration());
                    assert_eq!(chip.system_clock(&board, &expected), Some(clock.hz), "{}\n{}", chip.part, drafted.text);
                    assert_eq!(board.reservation.map(|reservation| reservation.span), reserved);
                    assert!(drafted.told > 0 && drafted.assumed > 0);
                    drafts += 1;
                }
            }
        }
    }
    assert!(drafts > 100, "only {drafts}");
}

#[test]
fn a_clock_that_the_chip_cannot_have_is_known() {
    let chip = Catalog::built_in().chip("ATmega1284P").expect("the chip");
    let of = |hz: u32| ClockSetting { source: ClockSource::Crystal { from_hz: Hertz(hz), to_hz: Hertz(hz) }, hz: Hertz(hz) };
    assert!(can_run(&chip, of(20_000_000)));
    assert!(!can_run(&chip, of(32_000_000)));
}

/// Read from a board that somebody has set so by mistake: what keeps firmware from running is not what the board should have.
#[test]
fn what_keeps_firmware_from_running_is_not_expected_because_it_was_read() {
    let chip = Catalog::built_in().chip("ATmega1284P").expect("the chip");
    let set = |fields: &[(&str, &str)]| {
        let mut bytes = chip.factory_configuration();
        for (name, value) in fields {
            let field = chip.field(name).expect("a field");
            field.set(&mut bytes, field.value(value).expect("a value").bits);
        }
        let clock = ClockSetting { source: ClockSource::Internal { hz: Hertz(8_000_000) }, hz: Hertz(1_000_000) };
        let mut draft = draft(&chip, clock, Some(bytes), None);
        draft.supply = Stated::told(Millivolts(3_300));
        draft.write().text
    };
    let bad = set(&[("watchdog", "always-on"), ("brown-out", "below-4v3")]);
    assert!(!bad.contains("watchdog") && !bad.contains("brown-out"), "{bad}");
    let good = set(&[("watchdog", "by-firmware"), ("brown-out", "below-2v7")]);
    assert!(good.contains("watchdog = \"by-firmware\" # read") && good.contains("brown-out = \"below-2v7\" # read"), "{good}");
}
