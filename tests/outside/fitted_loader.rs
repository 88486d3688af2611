//! The program as a user runs it, at the port of a board whose loader runs in an emulator that nobody here wrote. The port is a
//! pseudo-terminal, and the time is real; a slow computer makes the line slow and nothing else.

use super::emulator::{Emulator, flash_with_loader};
use super::loaders::application;
use crate::cli::at_a_port::run_at_a_port;
use crate::cli::{Home, Ran};
use farrier::board::Catalog;
use farrier::image::{ByteAddress, Image, write};
use std::thread;
use std::time::{Duration, Instant};

const SLICE: Duration = Duration::from_millis(2);

/// Runs the program, which names the port PORT, at a board with its loader and nothing else; what it gave, and the flash afterwards.
fn run(home: &Home, board: &str, line: &str) -> (Ran, Vec<u8>) {
    let start = Catalog::built_in().board(board).unwrap().0.reservation.unwrap().span.start().0;
    let mut emulator = Emulator::boot(board, &flash_with_loader(board), start);
    let (begun, mut ran_for) = (Instant::now(), Duration::ZERO);
    let ran = run_at_a_port(home, line, |bytes| {
        emulator.send(bytes);
        ran_for += SLICE;
        thread::sleep(ran_for.saturating_sub(begun.elapsed()));
        emulator.run(SLICE)
    });
    (ran, emulator.flash())
}

const WRITE: &str = "--board vent --way fitted-loader --via PORT --yes --accept no-snapshot-possible";

#[test]
fn an_application_goes_through_the_loader_and_is_seen_running() {
    let home = Home::new();
    let image = application("vent");
    home.file("vent.hex", &write::hex(&Image::of(ByteAddress(0), &image)));
    let (ran, flash) = run(&home, "vent", &format!("write vent.hex {WRITE} --watch"));
    ran.exits(0).says("The loader has taken the application").says("running: it said \"vent controller ready\"");
    ran.says("what its flash holds now is not recorded").says("Reset the board now");
    assert!(flash[..image.len()] == image, "the flash is not the image");
}

/// The transfer takes longer than the watch: that begins when the loader starts the application.
#[test]
fn the_watch_begins_when_the_application_does() {
    let home = Home::new();
    let mut image = application("vent");
    image.resize(10_000, 0x5A);
    home.file("vent.hex", &write::hex(&Image::of(ByteAddress(0), &image)));
    let (ran, _) = run(&home, "vent", &format!("write vent.hex {WRITE} --watch 2 --json"));
    let after = ran.exits(0).json()["watched"]["after_ms"].as_u64().expect("it was seen");
    assert!(after < 2_000, "{after} ms");
}

#[test]
fn firmware_that_says_something_else_is_not_seen_running() {
    let home = Home::new();
    let mut image = application("vent");
    let at = image.windows(5).position(|window| window == b"ready").expect("its text");
    image[at..at + 5].copy_from_slice(b"reedy");
    home.file("vent.hex", &write::hex(&Image::of(ByteAddress(0), &image)));
    let (ran, flash) = run(&home, "vent", &format!("write vent.hex {WRITE} --watch 2"));
    ran.exits(1).says("not running: within 2").says("it said \"vent controller reedy");
    assert!(flash[..image.len()] == image, "the flash is not the image");
}
