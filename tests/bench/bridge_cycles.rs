//! How long the ATmega328P bridge takes to write and verify a full ATmega2560, in cycles of its emulated CPU, beside the least that chip
//! and line allow at the SPI clock that it can make.
//!
//! `cargo bench --bench bridge_cycles` prints a table and fails at 1 Mbaud above 1.08 times that floor, or where a byte from the line was
//! lost because the receiver was too slow. Nothing here depends on the machine. It takes a minute or two: every SPI byte crosses between two
//! programs. `cargo bench --bench bridge_cycles -- avr8js` does it at 1 Mbaud in a second emulator, which has another author and its own
//! corrections (tests/bench/avr8js.cjs).
//!
//! # The floor
//!
//! ```text
//! F   bytes of flash         P   bytes of a page           N   F / P pages
//! i   32 / SCK, one instruction of four bytes              B   bytes a second of the line, a tenth of its baud
//! W   4.5 ms, the longest that a page write takes, which is what the simulated chip takes
//!
//! a page     P/B on the line; P*i + i + W at the chip: loading it, the instruction that writes it, waiting
//! write      P/B + (N - 1) * max(P/B, P*i + i + W) + P*i + i + W      the next page travels while the chip is busy with this one
//! checksum   F*i
//! ```
//!
//! Left out, and so part of what the ratio measures: frames and their CRC, polls, extended addresses, the lock byte's reading, pauses
//! between SPI bytes, interrupts.

#[path = "../firmware/running.rs"]
#[allow(dead_code, reason = "the tests of the firmware use all of it")]
mod running;

use farrier::algorithm::avr_spi::{AvrSpi, rungs};
use farrier::board::Catalog;
use farrier::bus::Bus;
use farrier::image::{ByteAddress, Image, Memory, Span};
use farrier::link::Client;
use farrier::sim::Sim;
use farrier::time::Moment;
use running::{Firmware, FirmwareWire};
use std::cell::Cell;
use std::ops::ControlFlow;
use std::path::Path;
use std::process::{Command, ExitCode};
use std::rc::Rc;

/// The most at 1 Mbaud; slower lines are what they are.
const RATIO_MAX: f64 = 1.08;
const FLASH: u32 = 256 << 10;
const PAGE: u32 = 256;
const SCK: f64 = 2e6;
const PAGE_WRITE: f64 = 0.004_5;

fn floor(bytes_per_second: f64) -> (f64, f64) {
    let instruction = 32.0 / SCK;
    let link = f64::from(PAGE) / bytes_per_second;
    let chip = f64::from(PAGE + 1) * instruction + PAGE_WRITE;
    let pages = f64::from(FLASH / PAGE);
    (link + (pages - 1.0) * chip.max(link) + chip, f64::from(FLASH) * instruction)
}

/// Seconds that writing and verifying took, and the bytes that the bridge lost.
fn measure(mut emulator: Command, baud: u32) -> (f64, f64, u32) {
    let (board, chip) = Catalog::built_in().board("pump").expect("a demo board");
    assert_eq!((chip.flash.bytes, chip.flash.page), (FLASH, PAGE), "an ATmega2560");
    let sim = Sim::new(&board, &chip, 1);
    let expected = board.expected_configuration(&chip, &chip.factory_configuration());
    sim.edit(|contents| contents.fuses = expected);
    let image = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("hardware-notes/bridge/images/bridge-atmega328p-{baud}.hex"));
    let firmware = Firmware::start(emulator.arg(image).arg(baud.to_string()).arg("5000"), running::board(&sim));
    let lost = Rc::new(Cell::new(0));
    let wire = FirmwareWire { lost: Some(Rc::clone(&lost)), ..FirmwareWire::new(firmware, baud / 10) };
    let mut client = Client::connect(Box::new(wire)).expect("the bridge answers");
    let (clock, abilities) = (client.clock(), client.abilities().clone());

    let mut random = fastrand::Rng::with_seed(0x5EED);
    let bytes: Vec<u8> = (0..FLASH).map(|_| random.u8(..)).collect();
    let mut image = Image::default();
    image.overwrite(ByteAddress(0), &bytes);
    let pages: Vec<ByteAddress> = (0..FLASH).step_by(PAGE as usize).map(ByteAddress).collect();

    let mut avr = AvrSpi::new(&mut client, &chip);
    avr.enter(&rungs(&chip, &abilities, Some(board.clock), None)).expect("the chip answers");
    let seconds = |since: Moment| clock.now().since(since).as_secs_f64();
    let begun = clock.now();
    avr.write_flash(&image, &pages, &mut |_| ControlFlow::Continue(())).expect("it is written").so_far();
    let written = seconds(begun);
    let begun = clock.now();
    let sums = avr.checksums(Memory::Flash, Span::first(FLASH), &mut |_| ControlFlow::Continue(())).expect("it is read").so_far();
    let verified = seconds(begun);
    avr.release().expect("it is let go");

    let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);
    let right: Vec<u32> = bytes.chunks(PAGE as usize).map(|page| crc.checksum(page)).collect();
    assert_eq!(sums.iter().map(|sum| sum.crc32).collect::<Vec<_>>(), right, "what was written is there");
    assert_eq!(sim.contents().flash, bytes);
    assert_eq!(sim.violations().count, 0, "{:?}", sim.violations());
    (written, verified, lost.get())
}

fn simavr() -> Command {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/firmware/harness/avr.c");
    Command::new(running::compile("bridge-avr-bench", &["-O2", "-lsimavr"], &[source]))
}

fn avr8js() -> Command {
    let mut node = Command::new("node");
    node.arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bench/avr8js.cjs"));
    node
}

fn main() -> ExitCode {
    let (emulator, bauds): (fn() -> Command, &[u32]) = match std::env::args().any(|argument| argument == "avr8js") {
        true => (avr8js, &[1_000_000]),
        false => (simavr, &[1_000_000, 500_000, 115_200]),
    };
    let mut bad = false;
    println!("{:>8} {:<10} {:>9} {:>9} {:>6} {:>5}", "baud", "job", "emulated", "floor", "ratio", "lost");
    for &baud in bauds {
        let (write_floor, verify_floor) = floor(f64::from(baud) / 10.0);
        let (written, verified, lost) = measure(emulator(), baud);
        let rows = [("write", written, write_floor), ("checksum", verified, verify_floor)];
        for (job, took, floor) in rows {
            println!("{baud:>8} {job:<10} {took:>7.3} s {floor:>7.3} s {:>6.3} {:>5}", took / floor, "");
        }
        let (took, floor) = (written + verified, write_floor + verify_floor);
        println!("{baud:>8} {:<10} {took:>7.3} s {floor:>7.3} s {:>6.3} {lost:>5}", "both", took / floor);
        bad |= lost > 0 || (baud == 1_000_000 && took / floor > RATIO_MAX);
    }
    match bad {
        true => {
            println!("Above {RATIO_MAX:.2} times the floor at 1 Mbaud, or bytes were lost.");
            ExitCode::FAILURE
        }
        false => ExitCode::SUCCESS,
    }
}
