//! Writing the whole flash and verifying it by checksums: what it costs over wires of several speeds, with several windows, with and
//! without noise, in the simulated board's own time; and how many bytes a verify puts on the wire.
//!
//! The table is kept in `speed.txt`, beside this file. Nothing in it depends on the machine, so a change of the protocol, the client or
//! the algorithm shows as a changed number. Where that is meant, this writes the file anew:
//!
//! ```text
//! FARRIER_KEEP_TABLE=1 cargo test --test main sim::speed
//! ```

use super::bench::{SEED, board, large, small};
use super::floor;
use farrier::algorithm::Ending;
use farrier::algorithm::avr_spi::{AvrSpi, Rung};
use farrier::board::{Catalog, Chip, generic_board};
use farrier::frame::Hello;
use farrier::image::{ByteAddress, Image, Memory, Span};
use farrier::link::{BridgeEnd, Client, DelayedWire, MemoryWire, Noise, NoisyWire, Wire};
use farrier::sim::{BYTES_PER_SECOND, Sim};
use farrier::time::{Clock, Moment, SharedClock};
use farrier::units::Hertz;
use std::cell::Cell;
use std::fmt::Write as _;
use std::io;
use std::ops::ControlFlow;
use std::path::Path;
use std::rc::Rc;
use std::time::Duration;

/// 16 MHz / 6.
const RUNG: [Rung; 1] = [Rung { programming_clock: Hertz(2_666_666), clock_output: None }];
const CLOCK: f64 = 16e6;

/// USB full speed: a frame of 1 ms may pass before an answer is fetched (from memory).
const USB_LATENCY: Duration = Duration::from_millis(1);

/// A way to reach a bridge.
struct Line {
    name: &'static str,
    bytes_per_second: u32,
    latency: Duration,
}

const LINES: [Line; 4] = [
    Line { name: "115200 Bd", bytes_per_second: 11_520, latency: Duration::ZERO },
    Line { name: "500 kBd", bytes_per_second: 50_000, latency: Duration::ZERO },
    Line { name: "1 MBd", bytes_per_second: 100_000, latency: Duration::ZERO },
    USB,
];
const USB: Line = Line { name: "USB", bytes_per_second: BYTES_PER_SECOND, latency: USB_LATENCY };

/// Windows of the table.
const WINDOWS: [u8; 4] = [1, 2, 4, 8];
/// Noise of the table: one byte in so many is lost, one is changed, one is doubled.
const ONE_IN: [u32; 4] = [0, 100_000, 10_000, 1_000];

/// Bytes that went over a wire, to the bridge and back.
#[derive(Clone, Default)]
struct Count(Rc<Cell<(usize, usize)>>);

struct CountedWire {
    inner: Box<dyn Wire>,
    count: Count,
}

impl Wire for CountedWire {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        let (there, back) = self.count.0.get();
        self.count.0.set((there + bytes.len(), back));
        self.inner.send(bytes)
    }

    fn receive(&mut self, into: &mut Vec<u8>, deadline: Moment) -> io::Result<()> {
        let before = into.len();
        self.inner.receive(into, deadline)?;
        let (there, back) = self.count.0.get();
        self.count.0.set((there, back + into.len() - before));
        Ok(())
    }

    fn clock(&self) -> SharedClock {
        self.inner.clock()
    }

    fn bytes_per_second(&self) -> u32 {
        self.inner.bytes_per_second()
    }
}

/// A part at 16 MHz.
fn sim(chip: &Chip) -> Sim {
    let sim = Sim::new(&board(), chip, SEED);
    sim.edit(|contents| contents.fuses[0] = 0xFF);
    sim
}

/// A bridge with blocks of 256 bytes, as a small microcontroller has memory for.
fn small_bridge(sim: &Sim, window: u8) -> Hello {
    let mut hello = Hello { window, frame_bytes: 330, ..sim.hello() };
    hello.abilities.block_bytes = 256;
    hello
}

fn wire(sim: &Sim, hello: Hello, line: &Line, one_in: u32) -> Box<dyn Wire> {
    let far = BridgeEnd::new(hello, sim.hands());
    let wire = Box::new(MemoryWire::new(Box::new(far), sim.virtual_clock(), line.bytes_per_second));
    let noisy = Box::new(NoisyWire::new(wire, Noise::bytes(one_in), SEED));
    Box::new(DelayedWire::new(noisy, line.latency))
}

fn random_image(bytes: u32) -> Image {
    let mut random = fastrand::Rng::with_seed(SEED);
    let bytes: Vec<u8> = (0..bytes).map(|_| random.u8(..)).collect();
    Image::of(ByteAddress(0), &bytes)
}

/// Writes the whole flash, enters again, and verifies it by checksums; entering first is not counted. The time that it took, and the bytes
/// on the wire of the verify alone.
fn write_and_verify(sim: &Sim, chip: &Chip, wire: Box<dyn Wire>, rungs: &[Rung]) -> (Duration, usize) {
    let count = Count::default();
    let counted = CountedWire { inner: wire, count: count.clone() };
    let mut client = Client::connect(Box::new(counted)).expect("the bridge answers");
    let mut avr = AvrSpi::new(&mut client, chip);
    avr.enter(rungs).expect("the chip answers");
    let image = random_image(chip.flash.bytes);
    let whole = Span::first(chip.flash.bytes);
    let pages: Vec<ByteAddress> = whole.pages(chip.flash.page).map(|page| page.start()).collect();
    let begun = sim.virtual_clock().now();
    let mut go_on = |_| ControlFlow::Continue(());
    assert_eq!(avr.write_flash(&image, &pages, &mut go_on).expect("it is written"), Ending::Complete(()));
    avr.enter(rungs).expect("the chip answers again");
    count.0.set((0, 0));
    let sums = avr.checksums(Memory::Flash, whole, &mut go_on).expect("it is read").so_far();
    let took = sim.virtual_clock().now().since(begun);
    assert_eq!(sums.len(), pages.len());
    assert!(sums.iter().all(|sum| image.crop(sum.page).crc32() == sum.crc32), "every page is as it should be");
    assert_eq!(sim.violations().count, 0, "{:?}", sim.violations());
    let (there, back) = count.0.get();
    (took, there + back)
}

/// A cell of the table.
fn seconds(chip: &Chip, window: u8, line: &Line, one_in: u32) -> f64 {
    let sim = sim(chip);
    let wire = wire(&sim, small_bridge(&sim, window), line, one_in);
    write_and_verify(&sim, chip, wire, &RUNG).0.as_secs_f64()
}

fn least(chip: &Chip, line: &Line) -> f64 {
    let (bytes, page) = (chip.flash.bytes, chip.flash.page);
    floor::write(bytes, page, CLOCK, line.bytes_per_second) + floor::checksum(bytes, CLOCK)
}

/// The rows of one chip.
fn rows(table: &mut String, chip: &Chip, windows: &[u8], one_in: &[u32]) {
    let noises = one_in.iter().map(|one_in| if *one_in == 0 { "clean".to_owned() } else { format!("1 in {one_in}") });
    let heads: String = noises.fold(String::new(), |line, noise| line + &format!("{noise:>14}"));
    let _ = writeln!(table, "\n{:<11} {:<10} {:>6}{heads}{:>9}", chip.part, "wire", "window", "floor");
    for line in &LINES {
        for window in windows {
            let cells = one_in.iter().map(|one_in| format!("{:>14.3}", seconds(chip, *window, line, *one_in)));
            let cells: String = cells.collect();
            let _ = writeln!(table, "{:<11} {:<10} {window:>6}{cells}{:>9.3}", "", line.name, least(chip, line));
        }
    }
}

#[test]
fn the_table_is_as_it_was() {
    let mut table = String::from(
        "Seconds of a simulated board at 16 MHz to write the whole flash and verify it by checksums, over a bridge\n\
         with blocks of 256 bytes. Noise: one byte in so many is lost, one is changed, one is doubled, each way.\n\
         Floor: the least that the chip and the wire allow (tests/bench/floor.rs). From tests/sim/speed.rs.\n",
    );
    rows(&mut table, &small(), &WINDOWS, &ONE_IN);
    rows(&mut table, &large(), &[1, 2, 8], &[0]);
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/sim/speed.txt");
    if std::env::var_os("FARRIER_KEEP_TABLE").is_some() {
        std::fs::write(&file, &table).expect("it is written");
    }
    let kept = std::fs::read_to_string(&file).unwrap_or_default();
    assert!(kept == table, "tests/sim/speed.txt has other numbers. Those of now:\n{table}");
}

#[test]
fn a_checksum_verify_of_256_kib_puts_less_than_8_kib_on_the_wire() {
    let chip = large();
    for hello in [|sim: &Sim| sim.hello(), |sim: &Sim| small_bridge(sim, 2)] {
        let sim = sim(&chip);
        let wire = wire(&sim, hello(&sim), &USB, 0);
        let (_, bytes) = write_and_verify(&sim, &chip, wire, &RUNG);
        println!("verify of 256 KiB: {bytes} bytes on the wire");
        // 1024 checksums of 4 bytes must travel.
        assert!((4096..8192).contains(&bytes), "{bytes} bytes");
    }
}

#[test]
fn over_usb_a_full_write_and_verify_is_within_a_twentieth_of_the_floor() {
    for chip in [small(), large()] {
        let sim = sim(&chip);
        let wire = wire(&sim, sim.hello(), &USB, 0);
        let (took, _) = write_and_verify(&sim, &chip, wire, &RUNG);
        let ratio = took.as_secs_f64() / least(&chip, &USB);
        println!("{}: {took:?}, {ratio:.4} of the floor", chip.part);
        assert!((1.0..1.05).contains(&ratio), "{}: {took:?}, {ratio:.4} of the floor", chip.part);
    }
}

/// Chips of different ages at the clock that they are shipped with, the first two of them without RDY/BSY.
#[test]
fn over_usb_chips_of_every_age_are_within_a_tenth_of_the_floor() {
    for part in ["ATmega8", "ATmega128", "ATtiny85", "ATmega168PA", "ATmega328PB"] {
        let (board, chip) = Catalog::built_in().board(&generic_board(part)).expect("it is built in");
        let clock = chip.system_clock(&board, &chip.factory_configuration()).expect("it has a clock as shipped");
        let rung = Rung { programming_clock: chip.programming_clock_limit(clock), clock_output: None };
        let sim = Sim::new(&board, &chip, SEED);
        let wire = wire(&sim, sim.hello(), &USB, 0);
        let (took, _) = write_and_verify(&sim, &chip, wire, &[rung]);
        let (bytes, page, clock) = (chip.flash.bytes, chip.flash.page, f64::from(clock.0));
        let least = floor::write(bytes, page, clock, USB.bytes_per_second) + floor::checksum(bytes, clock);
        let ratio = took.as_secs_f64() / least;
        println!("{part}: {took:?}, {ratio:.4} of the floor");
        assert!((1.0..1.10).contains(&ratio), "{part}: {took:?}, {ratio:.4} of the floor");
    }
}
