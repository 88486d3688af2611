//! The serial loader on every chip of the catalog that libsimavr knows and that has a boot section: what the planner puts there boots, takes
//! an application and starts it.

use super::emulator::{Emulator, Place, knows};
use crate::job::drafted::with_loader;
use farrier::board::{Board, BuiltLoader, Catalog, Chip, LineSpeed, SERIAL_LOADER, loader};
use farrier::diagnosis::own_loader;
use farrier::image::ByteAddress;
use farrier::plan::{Intent, LoaderIntent, Observed, desire};
use std::fs;
use std::time::Duration;

const SECOND: Duration = Duration::from_secs(1);

/// Every chip that has a file, by the name of the file.
fn parts() -> Vec<String> {
    let files = fs::read_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/boards/chips")).unwrap();
    let mut names: Vec<String> = files.map(|file| file.unwrap().path().file_stem().unwrap().to_str().unwrap().into()).collect();
    names.sort();
    names
}

/// A board with this chip, which has a loader on its last USART in the smallest boot section that it fits into.
fn board(part: &str) -> Option<(Board, Chip, BuiltLoader)> {
    let (mut board, chip) = with_loader(part)?;
    let built = (0..4).rev().find_map(|usart| {
        board.reservation.as_mut()?.line.usart = Some(usart);
        loader(SERIAL_LOADER, &board, &chip).ok()
    })?;
    Some((board, chip, built))
}

/// The flash of a chip as shipped, once its loader is installed.
fn installed(board: &Board, chip: &Chip) -> Vec<u8> {
    let shipped = Observed { configuration: Some(chip.factory_configuration()), lock: Some(chip.lock.factory), ..Observed::nothing() };
    let intent = Intent { loader: LoaderIntent::Install(own_loader(board, chip).unwrap()), ..Intent::default() };
    let (desired, _) = desire(&intent, &shipped, chip, board).unwrap();
    desired.flash.filled(chip.flash_span(), 0xFF)
}

/// The whole of it for one chip.
fn takes_an_application(part: &str) {
    let (board, chip, built) = board(part).unwrap();
    let LineSpeed { clock, baud, .. } = built.speed;
    let reset_at = board.reservation.as_ref().unwrap().span.start().0;
    let flash = installed(&board, &chip);
    assert!(flash[reset_at as usize..].iter().any(|byte| *byte != 0xFF));
    let mut emulator = Emulator::boot_chip(&Place { chip: &chip, clock, baud, usart: built.usart, reset_at }, &flash);
    emulator.expect(&format!("farrier {}", board.name), SECOND);
    // An endless loop where reset goes, then noise.
    let mut random = fastrand::Rng::with_seed(7);
    let mut image = vec![0xFF, 0xCF];
    image.resize_with(900, || random.u8(..));
    assert!(emulator.send_xmodem(&image), "{part}: the sender gave up");
    emulator.run_to(0, SECOND);
    let now = emulator.flash();
    assert!(now[..900] == image, "{part}: what was sent is not there");
    assert!(now[reset_at as usize..] == flash[reset_at as usize..], "{part}: the loader changed itself");
    assert!(now[1024..reset_at as usize].iter().all(|byte| *byte == 0xFF), "{part}: more was written than was sent");
}

#[test]
fn the_loader_takes_an_application_on_every_chip_that_the_emulator_knows() {
    let known: Vec<String> = parts().into_iter().filter(|part| knows(part) && board(part).is_some()).collect();
    known.iter().for_each(|part| takes_an_application(part));
    println!("the loader took an application on {} chips: {}", known.len(), known.join(", "));
    assert!(known.len() >= 28);
}

/// No chip with a boot section is without the loader for a reason that is not written down.
#[test]
fn every_chip_with_a_boot_section_has_the_loader_or_is_named_as_one_that_has_none() {
    let page = include_str!("../../boards/loaders/README.md");
    let mut built = 0;
    for part in parts() {
        let chip = Catalog::built_in().chip(&part).unwrap();
        if chip.boot_sections.is_empty() {
            continue;
        }
        match board(&part) {
            Some((board, chip, loader)) => {
                built += 1;
                assert_eq!(loader.image.extent(), board.reservation.map(|reservation| reservation.span), "{part}");
                assert_eq!(loader.block.end(), ByteAddress(chip.flash.bytes), "{part}");
            }
            None => assert!(page.contains(&chip.part), "{part} has no loader, and boards/loaders/README.md does not say why"),
        }
    }
    println!("{built} chips have the loader");
    assert!(built >= 109);
}
