//! One test body for every chip of the catalog, through the whole way: write, verify and configure on its generic board, and, where our
//! loader is built for it, from the installed loader to the removed one on the board that `boards new` drafts.

use super::drafted::with_loader;
use super::workbench::{Command, Workbench, install, random_bytes, write};
use farrier::board::{Catalog, Chip, LoaderError, LoaderParameters, Role, SERIAL_LOADER, generic_board, known_chips, loader};
use farrier::image::{ByteAddress, Image, Span, parse};
use farrier::plan::{DesireError, Intent, LoaderIntent, NamedImage, Observed, desire};
use std::fs;
use std::sync::atomic::{AtomicUsize, Ordering};

/// An application that begins at 0, has a page of its own at the end of its room, a blank page, and a page that ends in blank bytes.
fn application(chip: &Chip, room: Span) -> Image {
    let page = chip.flash.page as usize;
    let mut image = Image::default();
    image.overwrite(ByteAddress(0), &random_bytes(2 * page + 7, 3));
    image.overwrite(ByteAddress(3 * chip.flash.page), &vec![0xFF; page]);
    image.overwrite(ByteAddress(room.end().0 - chip.flash.page), &random_bytes(page, 4));
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

/// Whether the sim's cells hold an image.
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

fn no_violations(part: &str, bench: &Workbench) {
    let violations = bench.sim.violations();
    assert_eq!(violations.count, 0, "{part}: {:?}", violations.list);
}

/// `configure keep-eeprom=WORD`, where the part can have it.
fn keeps_eeprom(part: &str, bench: &mut Workbench, word: &str) {
    let chip = bench.chip.clone();
    let Some(field) = chip.field_for(Role::KeepEeprom) else { return };
    let configure = Intent { configuration: vec![(field.name.clone(), word.into())], ..Intent::default() };
    goes_well(part, bench, &configure);
    verifies(part, bench, &configure);
    assert_eq!(field.read(&bench.sim.contents().fuses).unwrap().name(), word, "{part}");
}

fn settings_and(application: &Image, chip: &Chip) -> Intent {
    let settings = NamedImage { name: "settings".into(), image: settings(chip) };
    Intent { eeprom: Some(settings), ..write(application.clone()) }
}

fn without_loader(part: &str) {
    let (board, chip) = Catalog::built_in().board(&generic_board(part)).unwrap();
    let mut bench = Workbench::of(board, chip.clone(), 11);
    let (application, settings) = (application(&chip, chip.flash_span()), settings(&chip));
    let both = settings_and(&application, &chip);
    goes_well(part, &mut bench, &both);
    assert!(is_in(&application, &bench.sim.contents().flash), "{part}: flash");
    assert!(is_in(&settings, &bench.sim.contents().eeprom), "{part}: EEPROM");

    // Now EEPROM and flash must be erased first, and the EEPROM comes back.
    let mut second = Image::default();
    second.overwrite(ByteAddress(0), &random_bytes(chip.flash.page as usize, 6));
    goes_well(part, &mut bench, &write(second.clone()));
    assert!(is_in(&second, &bench.sim.contents().flash), "{part}: flash");
    assert!(is_in(&settings, &bench.sim.contents().eeprom), "{part}: the settings are gone");
    keeps_eeprom(part, &mut bench, "on");
    verifies(part, &bench, &Intent { eeprom: both.eeprom, ..Intent::default() });
    no_violations(part, &bench);
}

/// The code in the file of this part's image, and what the block behind it says, worked out anew from clock and line speed.
fn has_its_loader(bench: &Workbench) {
    let (part, cells) = (&bench.chip.part, bench.sim.contents());
    let reserved = bench.board.reservation.as_ref().unwrap();
    let (start, end) = (reserved.span.start().0 as usize, reserved.span.end().0 as usize);
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/boards/loaders/serial");
    let list = fs::read_to_string(format!("{folder}/parts.csv")).unwrap();
    let row: Vec<&str> =
        list.lines().map(|line| line.split(',').collect()).find(|row: &Vec<&str>| row[0].eq_ignore_ascii_case(part)).unwrap();
    let hex = parse(fs::read(format!("{folder}/{}.hex", row[1])).unwrap(), None).unwrap();
    let code = hex.flash().filled(hex.flash().extent().unwrap(), 0xFF);
    assert!(cells.flash[start..].starts_with(&code), "{part}: the loader's code");
    assert!(cells.flash[start + code.len()..end - 64].iter().all(|byte| *byte == 0xFF), "{part}: between code and parameters");
    let block = LoaderParameters::decode(cells.flash[end - 64..end].try_into().unwrap()).unwrap_or_else(|| panic!("{part}: no parameters"));
    let first = format!("{:X}:{:X}", block.usart, block.divisor_high);
    assert_eq!(row[2].split(' ').next().unwrap().split('=').nth(1).unwrap(), first, "{part}: its first USART");
    let clocks_a_bit = if block.double_speed { 8.0 } else { 16.0 } * (f64::from(block.divisor) + 1.0);
    let baud = f64::from(bench.board.clock.hz.0) / clocks_a_bit;
    assert!((baud / 38_400.0 - 1.0).abs() < 0.02, "{part}: {baud} baud");
    assert_eq!(u32::from(block.room) * 128, reserved.span.start().0, "{part}: room");
    assert_eq!(end, cells.flash.len(), "{part}: the last bytes of the flash");
    // BOOTRST programmed is 0, and the boot section that the fuses select, or the only one, begins with the loader's first byte.
    assert_eq!(bench.chip.field_for(Role::ResetStart).unwrap().bits_in(&cells.fuses), Some(0), "{part}: BOOTRST");
    let sizes = bench.chip.field_for(Role::BootSection).map(|field| field.bits_in(&cells.fuses).unwrap());
    let selected = bench.chip.boot_sections.iter().find(|section| section.bits == sizes).unwrap();
    assert_eq!(selected.span, reserved.span, "{part}: BOOTSZ");
    // Mode 2 of BLB1: SPM may not write the boot section.
    assert_eq!(cells.lock >> 4 & 0b11, 0b10, "{part}: boot lock");
}

fn with_its_loader(part: &str) -> bool {
    let Some((board, chip)) = with_loader(part) else { return false };
    let mut bench = Workbench::of(board, chip.clone(), 11);
    let install = install(&bench.board);
    goes_well(part, &mut bench, &install);
    verifies(part, &bench, &install);
    has_its_loader(&bench);

    let room = bench.board.application(&chip);
    let (application, settings) = (application(&chip, room), settings(&chip));
    let both = settings_and(&application, &chip);
    goes_well(part, &mut bench, &both);
    verifies(part, &bench, &both);
    keeps_eeprom(part, &mut bench, "off");
    // Over the first, so an erase takes loader, lock bits and EEPROM, and all of it comes back.
    let mut second = application.clone();
    second.overwrite(ByteAddress(0), &random_bytes(chip.flash.page as usize, 6));
    goes_well(part, &mut bench, &write(second.clone()));
    verifies(part, &bench, &write(second.clone()));
    has_its_loader(&bench);
    keeps_eeprom(part, &mut bench, "on");

    let before = bench.sim.contents();
    goes_well(part, &mut bench, &Intent { loader: LoaderIntent::Remove, ..Intent::default() });
    let cells = bench.sim.contents();
    let end_of_room = room.end().0 as usize;
    assert_eq!(cells.flash[..end_of_room], before.flash[..end_of_room], "{part}: the application stays");
    assert!(is_in(&second, &cells.flash), "{part}: flash");
    assert!(cells.flash[end_of_room..].iter().all(|byte| *byte == 0xFF), "{part}: the room of the loader");
    assert!(is_in(&settings, &cells.eeprom) && cells.eeprom == before.eeprom, "{part}: EEPROM");
    let mut fuses = before.fuses;
    chip.field_for(Role::ResetStart).unwrap().set(&mut fuses, 1);
    assert_eq!(cells.fuses, fuses, "{part}: BOOTRST and nothing else");
    assert_eq!(cells.lock & chip.lock.used, chip.lock.used, "{part}: unlocked");
    verifies(part, &bench, &write(second));
    no_violations(part, &bench);
    true
}

/// A loader that cannot be is refused with the reason that is true of this chip.
fn refuses_the_loader(part: &str) {
    let (board, chip) = Catalog::built_in().board(&generic_board(part)).unwrap();
    let refused = loader(SERIAL_LOADER, &board, &chip).map(drop);
    let reason = match chip.boot_sections.is_empty() {
        true => LoaderError::NoBootSection(chip.part.clone()),
        false => LoaderError::NotBuilt(chip.part.clone()),
    };
    assert_eq!(refused, Err(reason), "{part}");
    // Nor does it take somebody else's.
    let theirs = NamedImage { name: "theirs".into(), image: Image::of(ByteAddress(0), &[1, 2]) };
    let intent = Intent { loader: LoaderIntent::Install(theirs), ..Intent::default() };
    let shipped = Observed { configuration: Some(chip.factory_configuration()), lock: Some(chip.lock.factory), ..Observed::nothing() };
    let reason = match chip.boot_sections.is_empty() {
        true => DesireError::NoResetField { part: chip.part.clone() },
        false => DesireError::NoReservation { board: board.name.clone() },
    };
    assert_eq!(desire(&intent, &shipped, &chip, &board), Err(reason), "{part}");
}

#[test]
fn every_chip_of_the_catalog_goes_the_whole_way_without_a_violation() {
    let parts: Vec<&str> = known_chips().map(|(_, part)| part).collect();
    let (next, fitted) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let work = || {
        while let Some(part) = parts.get(next.fetch_add(1, Ordering::Relaxed)) {
            without_loader(part);
            match with_its_loader(part) {
                true => _ = fitted.fetch_add(1, Ordering::Relaxed),
                false => refuses_the_loader(part),
            }
        }
    };
    std::thread::scope(|scope| (0..2).for_each(|_| drop(scope.spawn(work))));
    let fitted = fitted.into_inner();
    println!(
        "{} chips written, verified and configured; on {fitted} of them the loader installed and removed, {} refuse it",
        parts.len(),
        parts.len() - fitted
    );
    assert!(parts.len() >= 160 && fitted >= 109);
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
    let _ = bench.run(&Command::of(&write(application(&truth, truth.flash_span()))));
    assert!(bench.sim.violations().count > 0);
    assert!(bench.sim.violations().list[0].text.ends_with("is not an instruction of this part"), "{:?}", bench.sim.violations().list);
}
