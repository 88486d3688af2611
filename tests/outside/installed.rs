//! What the program itself put on a board, booted in libsimavr: the flash of the simulated chip, started where its fuses say.

use super::emulator::Emulator;
use super::loaders::{BOARDS, application, greeting, ready};
use crate::cli::Home;
use std::path::Path;
use std::time::Duration;

const SECOND: Duration = Duration::from_secs(1);

/// Where reset goes, in bytes.
///
/// Low bits of the high fuse byte: BOOTRST is bit 0 (programmed: reset to the boot section), BOOTSZ bits 2..1. BOOTSZ = 11 is the smallest
/// section, and each step down doubles it: from 256 words on the ATmega328P, from 512 on the others (8271 table 27-13, 8272 and 2549
/// sections on boot loader parameters; from memory). Worked out here and not by the chip files, so that a fault there shows.
pub fn reset_at(board: &str, high: u8, flash: &[u8]) -> u32 {
    if high & 1 == 1 {
        return 0;
    }
    let smallest = if board == "frost" { 512 } else { 1024 };
    flash.len() as u32 - (smallest << (3 - (high >> 1 & 3)))
}

/// Starts what the simulated chip of a board holds.
fn boot(home: &Home, board: &str) -> Emulator {
    let held = home.export(board);
    assert_eq!(held.violations(), 0, "{board}");
    Emulator::boot(board, &held.flash, reset_at(board, held.fuses()[1], &held.flash))
}

/// A home in which the board has its loader.
fn installed(board: &str) -> Home {
    let home = Home::new();
    home.run(&format!("loader install --via sim:{board} --yes")).exits(0);
    home
}

/// Writes the board's demo application with the program.
fn write_application(home: &Home, board: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("boards/demo-applications/{board}.hex"));
    home.run(&format!("write {} --via sim:{board} --yes", path.display())).exits(0);
}

#[test]
fn an_installed_loader_takes_an_application() {
    for board in BOARDS {
        let mut emulator = boot(&installed(board), board);
        emulator.expect(&greeting(board), SECOND / 10);
        assert!(emulator.send_xmodem(&application(board)), "{board}: the sender gave up");
        emulator.expect(&ready(board), SECOND);
        emulator.reset();
        emulator.expect(&greeting(board), SECOND / 10);
        emulator.expect(&ready(board), 3 * SECOND);
    }
}

#[test]
fn an_installed_loader_starts_an_application_that_was_written() {
    for board in BOARDS {
        let home = installed(board);
        write_application(&home, board);
        let mut emulator = boot(&home, board);
        emulator.expect(&greeting(board), SECOND / 10);
        emulator.expect(&ready(board), 3 * SECOND);
        emulator.reset();
        emulator.expect(&greeting(board), SECOND / 10);
        emulator.expect(&ready(board), 3 * SECOND);
    }
}

#[test]
fn without_its_loader_a_board_starts_the_application_at_once() {
    for board in BOARDS {
        let home = installed(board);
        write_application(&home, board);
        home.run(&format!("loader remove --via sim:{board} --yes --accept loader-removed")).exits(0);
        let held = home.export(board);
        assert_eq!(reset_at(board, held.fuses()[1], &held.flash), 0, "{board}");
        let mut emulator = boot(&home, board);
        let said = emulator.run(SECOND / 5);
        assert!(said.starts_with(ready(board).as_bytes()), "{board} said {:?}", said.escape_ascii().to_string());
    }
}
