//! Whole jobs through the bridge's own firmware: the host's link over emulated USB, the simulated chip at the emulated pins.

use super::emulated::{Emulated, Level, Pins, Pipe};
use crate::job::workbench::{Command, Records, Workbench, install};
use farrier::board::Catalog;
use farrier::image::Span;
use farrier::link::Wire;
use farrier::plan::LoaderIntent;
use farrier::sim::{BoardPins, Fault, Sim};
use farrier::time::Moment;
use farrier::units::{Hertz, Millivolts};
use std::cell::RefCell;
use std::rc::Rc;
use std::time::Duration;

/// A simulated board at the bridge's pins.
struct OnBoard {
    pins: BoardPins,
    bytes: u64,
    /// The clock output was used.
    clocked: bool,
    reset: Level,
}

impl Pins for OnBoard {
    fn reset(&mut self, at: Moment, level: Level) {
        self.reset = level;
        self.pins.step(at, level != Level::Low, false, false);
    }

    /// The emulator gives whole bytes; their edges are made here.
    fn exchange(&mut self, at: Moment, sck: Hertz, byte: u8) -> u8 {
        self.bytes += 1;
        let half = Duration::from_nanos(500_000_000_u64.div_ceil(sck.0.into()));
        let mut at = at;
        let mut back = 0;
        for bit in (0..8).rev() {
            let (high, mosi) = (self.reset != Level::Low, byte >> bit & 1 == 1);
            at = at.plus(half);
            back = back << 1 | u8::from(self.pins.step(at, high, true, mosi));
            at = at.plus(half);
            self.pins.step(at, high, false, mosi);
        }
        back
    }

    fn clock_output(&mut self, _at: Moment, clock: Option<Hertz>) {
        self.clocked |= clock.is_some();
        self.pins.clock(clock);
    }
}

/// A demo board as a bridge of 3.3 V may meet it: where its own level is another, as behind a level shifter.
fn bench(board: &str, seed: u64) -> Workbench {
    let (mut board, chip) = Catalog::built_in().board(board).unwrap();
    board.levels = Millivolts(3_300);
    let sim = Sim::new(&board, &chip, seed);
    Workbench { board, chip, sim, records: Records::new() }
}

/// Installs the board's loader through the emulated bridge; the flash must then hold it and nothing else.
fn install_through(bench: &mut Workbench, pipe: Pipe) -> Rc<RefCell<OnBoard>> {
    let pins = OnBoard { pins: bench.sim.pins(), bytes: 0, clocked: false, reset: Level::Released };
    let pins = Rc::new(RefCell::new(pins));
    let mut bridge = Emulated::with(pipe, pins.clone());
    bridge.set_supply(bench.board.supply.1);
    let intent = install(&bench.board);
    let clock = bridge.clock();
    bench.run_over(Box::new(bridge), &Command::of(&intent), &mut |_| {}).unwrap_or_else(|why| panic!("{why}"));
    println!("{} with {} SPI bytes, in {:?} of the bridge's time", bench.board.name, pins.borrow().bytes, clock.now().0);
    let held = bench.sim.contents().flash;
    let LoaderIntent::Install(loader) = intent.loader else { unreachable!() };
    assert!(held == loader.image.filled(Span::first(held.len() as u32), 0xFF), "the flash is not the image");
    assert_eq!(bench.sim.violations().count, 0, "{:?}", bench.sim.violations());
    assert_eq!(pins.borrow().reset, Level::Released, "the chip was let go");
    pins
}

#[test]
fn a_loader_goes_onto_the_vent_controller_over_the_serial_port() {
    let pins = install_through(&mut bench("vent", 1), Pipe::Serial);
    assert!(!pins.borrow().clocked, "a chip that has its clock needs none from the bridge");
}

#[test]
fn a_loader_goes_onto_the_frost_controller_over_the_vendor_interface() {
    install_through(&mut bench("frost", 2), Pipe::Vendor);
}

#[test]
fn a_vent_controller_that_lost_its_clock_is_brought_back_by_the_clock_output() {
    let mut bench = bench("vent", 3);
    bench.sim.damage(Fault::LostClock);
    let pins = install_through(&mut bench, Pipe::Serial);
    assert!(pins.borrow().clocked);
}
