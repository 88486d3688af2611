//! The serial loader on every chip of the catalog that libsimavr knows and that has a boot section: what the planner puts there boots, takes
//! an application and starts it.

use super::emulator::{Emulator, Place, knows};
use crate::job::drafted::with_loader;
use farrier::board::{Board, BuiltLoader, Catalog, Chip, HoldPin, LineSpeed, SERIAL_LOADER, loader};
use farrier::diagnosis::own_loader;
use farrier::image::ByteAddress;
use farrier::plan::{Intent, LoaderIntent, Observed, desire};
use std::collections::BTreeMap;
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
    held_board(part, None)
}

/// The same with a pin that holds the loader.
pub fn held_board(part: &str, hold: Option<&HoldPin>) -> Option<(Board, Chip, BuiltLoader)> {
    let (mut board, chip) = with_loader(part)?;
    board.reservation.as_mut()?.line.hold = hold.cloned();
    let built = (0..4).rev().find_map(|usart| {
        board.reservation.as_mut()?.line.usart = Some(usart);
        loader(SERIAL_LOADER, &board, &chip).ok()
    })?;
    Some((board, chip, built))
}

/// The flash of a chip as shipped, once its loader is installed.
pub fn installed(board: &Board, chip: &Chip) -> Vec<u8> {
    let shipped = Observed { configuration: Some(chip.factory_configuration()), lock: Some(chip.lock.factory), ..Observed::nothing() };
    let intent = Intent { loader: LoaderIntent::Install(own_loader(board, chip).unwrap()), ..Intent::default() };
    let (desired, _) = desire(&intent, &shipped, chip, board).unwrap();
    desired.flash.filled(chip.flash_span(), 0xFF)
}

/// Starts a board as far as its loader, with this flash.
pub fn boot((board, chip, built): &(Board, Chip, BuiltLoader), flash: &[u8]) -> Emulator {
    let LineSpeed { clock, baud, .. } = built.speed;
    let reset_at = board.reservation.as_ref().unwrap().span.start().0;
    Emulator::boot_chip(&Place { chip, clock, baud, usart: built.usart, reset_at }, flash)
}

/// An endless loop where reset goes, then noise: so many bytes.
pub fn image(bytes: usize, seed: u64) -> Vec<u8> {
    let mut random = fastrand::Rng::with_seed(seed);
    let mut image = vec![0xFF, 0xCF];
    image.resize_with(bytes, || random.u8(..));
    image
}

/// The whole of it for one chip.
fn takes_an_application(held: &(Board, Chip, BuiltLoader)) {
    let (board, chip, _) = held;
    let part = &chip.part;
    let reset_at = board.reservation.as_ref().unwrap().span.start().0;
    let flash = installed(board, chip);
    assert!(flash[reset_at as usize..].iter().any(|byte| *byte != 0xFF));
    let mut emulator = boot(held, &flash);
    emulator.expect(&format!("farrier {}", board.name), SECOND);
    let image = image(900, 7);
    assert!(emulator.send_xmodem(&image), "{part}: the sender gave up");
    emulator.run_to(0, SECOND);
    let now = emulator.flash();
    assert!(now[..900] == image, "{part}: what was sent is not there");
    assert!(now[reset_at as usize..] == flash[reset_at as usize..], "{part}: the loader changed itself");
    assert!(now[1024..reset_at as usize].iter().all(|byte| *byte == 0xFF), "{part}: more was written than was sent");
}

/// What the application of a part with a LIN controller finds: registers and values after reset as 8209 gives them, from memory. Timer1
/// of an ATmega64HVE counts 16 bits while TCW1 in TCCR1A is set: checked, the vendor's description of the ATmega64HVE2.
#[test]
fn the_application_finds_lin_controller_and_timer_as_after_reset() {
    let tccr1a = 0x80;
    for (part, lincr, width) in [("atmega16m1", 0xC8, 0), ("atmega64hve", 0xC0, 0x80)] {
        let held = board(part).unwrap();
        let mut flash = installed(&held.0, &held.1);
        flash[..2].copy_from_slice(&[0xFF, 0xCF]);
        let mut emulator = boot(&held, &flash);
        emulator.run(SECOND / 10);
        let (linbtr, linbrrl) = (lincr + 4, lincr + 5);
        assert_eq!(emulator.peek(lincr), 0x0F, "{part}: LENA and the command for both directions");
        assert_ne!((emulator.peek(linbtr), emulator.peek(linbrrl)), (0x20, 0), "{part}");
        assert_eq!(emulator.peek(tccr1a), width, "{part}");
        assert!(emulator.comes_to(0, SECOND * 5), "{part}");
        assert_eq!([lincr, linbtr, linbrrl, linbrrl + 1, tccr1a].map(|at| emulator.peek(at)), [0, 0x20, 0, 0, 0], "{part}");
    }
}

#[test]
fn the_loader_takes_an_application_on_every_chip_that_the_emulator_knows() {
    let known: Vec<String> = parts().into_iter().filter(|part| knows(part) && board(part).is_some()).collect();
    known.iter().for_each(|part| takes_an_application(&board(part).unwrap()));
    println!("the loader took an application on {} chips: {}", known.len(), known.join(", "));
    assert!(known.len() >= 29);
}

/// A chip that the emulator lacks, as the relative that it has: that one has USART 0 and no other.
fn related(part: &str, baud: u32, hold: Option<HoldPin>) -> (Board, Chip, BuiltLoader) {
    assert!(!knows(part), "{part}: the library has it now");
    let (mut board, chip) = with_loader(part).unwrap();
    let line = &mut board.reservation.as_mut().unwrap().line;
    (line.usart, line.baud, line.hold) = (Some(0), Some(baud), hold);
    let built = loader(SERIAL_LOADER, &board, &chip).unwrap();
    (board, chip, built)
}

#[test]
fn the_loader_takes_an_application_on_relatives_of_chips_that_the_emulator_lacks() {
    for part in ["atmega161", "atmega64hve", "atmega64hve2"] {
        takes_an_application(&related(part, 38_400, None));
        for low in [true, false] {
            let hold = HoldPin { pin: "PB2".into(), low };
            is_held(related(part, 38_400, Some(hold.clone())), &hold);
        }
    }
}

/// 1200 baud of 8 MHz take a divisor of 832, 0x340. UBRRH of an ATmega161 has its high bits for UART0 below and for UART1 above.
#[test]
fn both_uarts_of_an_atmega161_have_the_high_bits_of_a_divisor() {
    let held = related("atmega161", 1_200, None);
    let mut emulator = boot(&held, &installed(&held.0, &held.1));
    emulator.expect(&format!("farrier {}", held.0.name), SECOND);
    let ubrrh = 0x40;
    assert_eq!(emulator.peek(ubrrh), 0x33);
}

/// A pin of the first chip in the emulator that has a port there: letter, data-space address of its PIN, and the chip.
fn ports() -> BTreeMap<(String, String), String> {
    let mut found = BTreeMap::new();
    let list = include_str!("../../boards/loaders/serial/parts.csv");
    for line in list.lines().filter(|line| !line.starts_with('#')) {
        let columns: Vec<&str> = line.split(',').collect();
        let ports = columns[3].split(' ').map(|port| port.split_once('=').unwrap());
        for (letter, place) in ports.filter(|_| knows(columns[0])) {
            found.entry((letter.to_owned(), place.to_owned())).or_insert(columns[0].to_owned());
        }
    }
    found
}

/// The loader of a board whose pin holds it.
fn is_held(mut held: (Board, Chip, BuiltLoader), hold: &HoldPin) {
    held.0.reservation.as_mut().unwrap().start_delay_ms = 200;
    let (wait, (pressed, let_go)) = (SECOND / 4, if hold.low { (Some(false), None) } else { (Some(true), Some(false)) });
    let (mut flash, what) = (installed(&held.0, &held.1), format!("{}, {hold:?}", held.1.part));
    flash[..2].copy_from_slice(&[0xFF, 0xCF]);

    // Nobody presses it: the application starts after the wait, and finds no pull-up.
    let mut emulator = boot(&held, &flash);
    emulator.drive(&hold.pin, let_go);
    assert!(!emulator.comes_to(0, SECOND / 6), "{what}: it did not wait");
    assert!(emulator.comes_to(0, wait), "{what}: held by nobody");

    // Pressed at reset: it asks for as long as one likes, takes what comes, and starts it.
    emulator.drive(&hold.pin, pressed);
    emulator.reset();
    assert!(!emulator.comes_to(0, SECOND), "{what}: not held");
    emulator.run(SECOND / 100); // passes over what was asked meanwhile
    let new = image(700, 9);
    assert!(emulator.send_xmodem(&new), "{what}: the sender gave up");
    emulator.run_to(0, SECOND);
    assert!(emulator.flash()[..700] == new, "{what}: what was sent is not there");

    // Pressed at reset, with an application that would start; let go a while later.
    emulator.reset();
    assert!(!emulator.comes_to(0, SECOND), "{what}: not held");
    emulator.drive(&hold.pin, let_go);
    assert!(emulator.comes_to(0, wait), "{what}: let go, and not started");
}

#[test]
fn a_pin_holds_the_loader_at_every_place_where_the_emulator_has_a_port() {
    let ports = ports();
    for ((letter, place), part) in &ports {
        for low in [true, false] {
            let hold = HoldPin { pin: format!("P{letter}2"), low };
            is_held(held_board(part, Some(&hold)).unwrap(), &hold);
        }
        println!("P{letter}2 at 0x{place}: {part}");
    }
    println!("a pin held the loader at {} places of ports", ports.len());
    assert!(ports.len() >= 14);
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
    assert!(built >= 121);
}
