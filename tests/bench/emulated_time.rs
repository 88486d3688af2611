//! How long the main jobs take on the demo boards, in the simulated boards' own time, beside the least that the chips allow.
//!
//! `cargo bench --bench emulated_time` prints a table and fails where all jobs of a board together take more than 1.10 times that
//! floor. Nothing here depends on the machine: the same program gives the same table.
//!
//! # The floor
//!
//! What a job must do by design: read everything once for the snapshot, write what differs, and verify all of it from a fresh entry by
//! checksums that the bridge makes.
//!
//! ```text
//! f   the chip's clock at that moment, as its fuses set it      P   bytes of a page
//! SCK f/4 below 12 MHz, f/6 from 12 MHz                          B   bytes a second of the link
//! i   32 / SCK, one instruction of four bytes                    W   the longest that a self-timed write takes
//!
//! read to the host    n bytes: n * max(i, 1/B)
//! checksum            n bytes: n * i
//! write pages         N pages of P: P/B for the first to arrive, then each max(P*i + i + W, P/B)
//! entry               20 ms from RESET low to Programming Enable
//! ```
//!
//! Left out, and so part of what the ratio measures: frames, RESET pulses, Programming Enable, reads of ID and lock, polls that end
//! late, a programming clock below the limit because an oscillator may be slow, and every second pass over a memory but the verify.
//!
//! Sources. Limits of SCK, four bytes an instruction, one instruction for each byte of flash and one to write a page, 20 ms: 8271
//! (ATmega328P), 8272 (ATmega1284P), 2549 (ATmega2560), section 'Serial Downloading'. W is 4.5 ms for a flash page and a
//! configuration or lock byte, 3.6 ms for EEPROM, 9 ms for an erase: 8271 and 8272, same section; 2549 for the ATmega2560 from memory.
//! The clocks of the three boards: their board files, and 8 MHz / 8 as shipped.

#[allow(dead_code, reason = "tests/sim/speed.rs uses all of it")]
mod floor;
#[path = "../job/workbench.rs"]
#[allow(dead_code, reason = "the tests of jobs use all of it")]
mod workbench;

use farrier::image::Image;
use farrier::job::Bench;
use farrier::link::Client;
use farrier::plan::NamedImage;
use farrier::sim::BYTES_PER_SECOND;
use floor::{FLASH_WRITE, instruction};
use std::process::ExitCode;
use std::sync::atomic::AtomicBool;
use std::time::Duration;
use workbench::{Command, Workbench, install, random_bytes, write};

/// The most that all jobs of a board may take together, as a multiple of the floor.
const RATIO_MAX: f64 = 1.10;

const ENTRY: f64 = 0.020;
const CONFIGURATION_WRITE: f64 = 0.004_5;

/// A demo chip, from its datasheet and not from the chip file, so that a mistake there shows.
struct Demo {
    board: &'static str,
    flash: u32,
    page: u32,
    eeprom: u32,
    reservation: u32,
    /// The clock once the board's configuration is set.
    clock: f64,
}

const DEMOS: [Demo; 3] = [
    Demo { board: "frost", flash: 32 << 10, page: 128, eeprom: 1 << 10, reservation: 1 << 10, clock: 8e6 },
    Demo { board: "vent", flash: 128 << 10, page: 256, eeprom: 4 << 10, reservation: 2 << 10, clock: 16e6 },
    Demo { board: "pump", flash: 256 << 10, page: 256, eeprom: 4 << 10, reservation: 2 << 10, clock: 16e6 },
];

/// As shipped: 8 MHz / 8.
const FACTORY_CLOCK: f64 = 1e6;

impl Demo {
    fn snapshot(&self, clock: f64) -> f64 {
        ENTRY + f64::from(self.flash + self.eeprom) * instruction(clock).max(1.0 / f64::from(BYTES_PER_SECOND))
    }

    fn write(&self, pages: u32, clock: f64) -> f64 {
        let travel = f64::from(self.page) / f64::from(BYTES_PER_SECOND);
        travel + f64::from(pages) * (f64::from(self.page + 1) * instruction(clock) + FLASH_WRITE).max(travel)
    }

    fn check(&self, bytes: u32, clock: f64) -> f64 {
        ENTRY + f64::from(bytes) * instruction(clock)
    }

    /// `loader install` on the bare board. The loader's pages and their verify before the configuration makes reset go there are at the
    /// factory clock; `configuration` bytes change, the clock is proven by an entry; all is verified; the lock bits are written and
    /// seen from an entry of their own.
    fn install(&self, pages: u32, configuration: u32) -> f64 {
        let at_factory = self.snapshot(FACTORY_CLOCK) + self.write(pages, FACTORY_CLOCK) + self.check(pages * self.page, FACTORY_CLOCK);
        let proven = f64::from(configuration + 1) * CONFIGURATION_WRITE + 2.0 * ENTRY;
        at_factory + proven + self.check(self.flash + self.eeprom, self.clock)
    }

    /// `write` of the whole application flash, which is blank.
    fn write_all(&self) -> f64 {
        let pages = (self.flash - self.reservation) / self.page;
        self.snapshot(self.clock) + self.write(pages, self.clock) + self.check(self.flash + self.eeprom, self.clock)
    }
}

/// One line of the table.
struct Row {
    job: &'static str,
    took: Duration,
    floor: f64,
}

/// Does a job and tells how long it took, from the first byte on the wire to the last.
fn timed<T>(workbench: &mut Workbench, work: impl FnOnce(&mut Workbench) -> T) -> (Duration, T) {
    let clock = workbench.sim.clock();
    let begun = clock.now();
    let given = work(workbench);
    (clock.now().since(begun), given)
}

fn rows(demo: &Demo) -> [Row; 3] {
    let mut workbench = Workbench::new(demo.board, 1);
    let intent = install(&workbench.board);
    let factory = workbench.sim.contents();
    let (took, done) = timed(&mut workbench, |bench| bench.run(&Command::of(&intent)));
    done.expect("the loader is installed");
    let held = workbench.sim.contents();
    let pages = held.flash.chunks(demo.page as usize).filter(|page| page.iter().any(|byte| *byte != 0xFF)).count() as u32;
    let changed = held.fuses.iter().zip(&factory.fuses).filter(|(now, before)| now != before).count() as u32;
    let installed = Row { job: "loader install", took, floor: demo.install(pages, changed) };

    let bytes = (demo.flash - demo.reservation) as usize;
    let mut image = Image::default();
    image.overwrite(farrier::image::ByteAddress(0), &random_bytes(bytes, 0x5EED));
    let intent = write(image.clone());
    let (took, done) = timed(&mut workbench, |bench| bench.run(&Command::of(&intent)));
    done.expect("the application is written");
    let held = workbench.sim.contents().flash;
    assert_eq!(held[..bytes], image.filled(farrier::image::Span::first(bytes as u32), 0xFF));
    let written = Row { job: "write, all of it", took, floor: demo.write_all() };

    let (took, differences) = timed(&mut workbench, |bench| verify(bench, &image));
    assert_eq!(differences, 0, "what was written is there");
    let verified = Row { job: "verify", took, floor: demo.check(bytes as u32, demo.clock) };
    let violations = workbench.sim.violations();
    assert_eq!(violations.count, 0, "{violations:?}");
    [installed, written, verified]
}

fn verify(workbench: &Workbench, image: &Image) -> usize {
    let mut client = Client::connect(workbench.sim.wire()).expect("the bridge answers");
    let (never, mut listener) = (AtomicBool::new(false), |_: &_| {});
    let mut bench = Bench::new(&mut client, &workbench.board, &workbench.chip, &mut listener, &never);
    bench.verify_image(&NamedImage { name: "random".into(), image: image.clone() }).expect("it is compared").0.len()
}

fn main() -> ExitCode {
    let mut slow = false;
    println!("{:<6} {:<17} {:>9} {:>9} {:>6}", "board", "job", "emulated", "floor", "ratio");
    let line =
        |board: &str, job: &str, took: f64, floor: f64| println!("{board:<6} {job:<17} {took:>7.3} s {floor:>7.3} s {:>6.3}", took / floor);
    for demo in &DEMOS {
        let rows = rows(demo);
        let (mut took, mut floor) = (0.0, 0.0);
        for row in &rows {
            line(demo.board, row.job, row.took.as_secs_f64(), row.floor);
            took += row.took.as_secs_f64();
            floor += row.floor;
        }
        line(demo.board, "total", took, floor);
        slow |= took / floor > RATIO_MAX;
    }
    match slow {
        true => {
            println!("A total is above {RATIO_MAX:.2} times the floor.");
            ExitCode::FAILURE
        }
        false => ExitCode::SUCCESS,
    }
}
