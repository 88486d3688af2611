//! One test body for every chip of the catalog: write, verify and configure on its generic board, through the whole way.

use super::workbench::{Command, Workbench, random_bytes, write};
use farrier::board::{Catalog, Chip, Role, generic_board, known_chips};
use farrier::image::{ByteAddress, Image};
use farrier::plan::{Intent, NamedImage};

/// An application that begins at 0, has a page of its own at the end of the flash, a blank page, and a page that ends in blank bytes.
fn application(chip: &Chip) -> Image {
    let page = chip.flash.page as usize;
    let mut image = Image::default();
    image.overwrite(ByteAddress(0), &random_bytes(2 * page + 7, 3));
    image.overwrite(ByteAddress(3 * chip.flash.page), &vec![0xFF; page]);
    image.overwrite(ByteAddress(chip.flash.bytes - chip.flash.page), &random_bytes(page, 4));
    image
}

/// Settings across a border of pages, one of them blank and one a single byte in its page.
fn settings(chip: &Chip) -> Image {
    let mut image = Image::default();
    let mut bytes = random_bytes(chip.eeprom.page as usize + 2, 5);
    bytes[1] = 0xFF;
    image.overwrite(ByteAddress(2), &bytes);
    image.overwrite(ByteAddress(chip.eeprom.bytes - 1), &[0x5A]);
    image
}

/// Where the sim's cells differ from an image.
fn is_in(image: &Image, cells: &[u8]) -> bool {
    image.runs().all(|(start, run)| cells[start.0 as usize..][..run.len()] == *run)
}

fn goes_well(part: &str, bench: &mut Workbench, intent: &Intent) {
    let done = bench.run(&Command::of(intent)).unwrap_or_else(|why| panic!("{part}: {why}"));
    assert!(done.job.is_some(), "{part}: nothing was to do");
}

/// What `verify` compares: the same again finds nothing to do.
fn verifies(part: &str, bench: &Workbench, intent: &Intent) {
    let again = bench.decide(&Command::of(intent)).unwrap_or_else(|why| panic!("{part}: {why}"));
    assert!(again.plan.changes_nothing(), "{part}: {:?}", again.plan);
}

fn every_command(part: &str) {
    let (board, chip) = Catalog::built_in().board(&generic_board(part)).unwrap();
    let mut bench = Workbench::of(board, chip.clone(), 11);
    let (application, settings) = (application(&chip), settings(&chip));
    let with_settings =
        Intent { eeprom: Some(NamedImage { name: "settings".into(), image: settings.clone() }), ..write(application.clone()) };
    goes_well(part, &mut bench, &with_settings);
    assert!(is_in(&application, &bench.sim.contents().flash), "{part}: flash");
    assert!(is_in(&settings, &bench.sim.contents().eeprom), "{part}: EEPROM");

    // Now EEPROM and flash must be erased first, and the EEPROM comes back.
    let mut second = Image::default();
    second.overwrite(ByteAddress(0), &random_bytes(chip.flash.page as usize, 6));
    goes_well(part, &mut bench, &write(second.clone()));
    assert!(is_in(&second, &bench.sim.contents().flash), "{part}: flash");
    assert!(is_in(&settings, &bench.sim.contents().eeprom), "{part}: the settings are gone");

    if let Some(field) = chip.field_for(Role::KeepEeprom) {
        let configure = Intent { configuration: vec![(field.name.clone(), "on".into())], ..Intent::default() };
        goes_well(part, &mut bench, &configure);
        verifies(part, &bench, &Intent { eeprom: with_settings.eeprom, ..configure });
        assert_eq!(field.read(&bench.sim.contents().fuses).unwrap().name(), "on", "{part}");
    }
    let violations = bench.sim.violations();
    assert_eq!(violations.count, 0, "{part}: {:?}", violations.list);
}

#[test]
fn every_chip_of_the_catalog_is_written_verified_and_configured_without_a_violation() {
    let parts: Vec<&str> = known_chips().map(|(_, part)| part).collect();
    let halves = parts.chunks(parts.len().div_ceil(2));
    std::thread::scope(|scope| {
        for half in halves {
            scope.spawn(move || half.iter().for_each(|part| every_command(part)));
        }
    });
    println!("{} chips", parts.len());
}

/// The body is not blind: a chip file that claims instructions which the part lacks fails it.
#[test]
fn a_chip_file_that_claims_too_much_is_found_out() {
    use farrier::board::{EepromWrites, Ready};
    let (board, truth) = Catalog::built_in().board("generic-atmega8").unwrap();
    let mut claimed = truth.clone();
    claimed.ways_in[0].ready = Ready::Bit;
    claimed.ways_in[0].eeprom_writes = EepromWrites::Pages;
    let mut bench = Workbench { chip: claimed, ..Workbench::of(board, truth.clone(), 11) };
    let _ = bench.run(&Command::of(&write(application(&truth))));
    assert!(bench.sim.violations().count > 0);
    assert!(bench.sim.violations().list[0].text.ends_with("is not an instruction of this part"), "{:?}", bench.sim.violations().list);
}
