//! The bridge's images for the ATmega328P, executed in libsimavr, an emulator that nobody here wrote: its UART is the wire, its pins are a
//! simulated board's.

use super::running::{Firmware, FirmwareWire, board, compile};
use crate::job::workbench::{Command, Workbench, install};
use farrier::bus::{Bus, Drive, Line, LineLevels, Operation, Outcome, Pattern, Reply, Slot, SlotKind};
use farrier::link::Client;
use farrier::sim::{Fault, Sim};
use farrier::units::Hertz;
use std::cell::Cell;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::sync::OnceLock;
use std::time::Duration;

/// The emulator with its corrections.
pub fn emulator() -> &'static Path {
    static EMULATOR: OnceLock<PathBuf> = OnceLock::new();
    EMULATOR.get_or_init(|| {
        let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/firmware/harness/avr.c");
        compile("bridge-avr", &["-O2", "-lsimavr"], &[source])
    })
}

pub fn image(baud: u32) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("hardware-notes/bridge/images/bridge-atmega328p-{baud}.hex"))
}

/// An emulated bridge whose pins are this board's.
pub fn firmware(baud: u32, sim: &Sim) -> Firmware {
    firmware_at(baud, 4980, sim)
}

/// The same with this supply of the board, in millivolts.
pub fn firmware_at(baud: u32, millivolts: u16, sim: &Sim) -> Firmware {
    let mut command = std::process::Command::new(emulator());
    Firmware::start(command.arg(image(baud)).arg(baud.to_string()).arg(millivolts.to_string()), board(sim))
}

/// A wire to it.
pub fn wire(baud: u32, sim: &Sim) -> FirmwareWire {
    FirmwareWire::new(firmware(baud, sim), baud / 10)
}

/// The loader's image as the flash of a bare chip should hold it.
fn expected_flash(workbench: &Workbench) -> Vec<u8> {
    let loader = farrier::diagnosis::own_loader(&workbench.board, &workbench.chip).unwrap();
    loader.image.filled(farrier::image::Span::first(workbench.chip.flash.bytes), 0xFF)
}

fn install_through_the_bridge(mut workbench: Workbench, baud: u32) {
    let intent = install(&workbench.board);
    let wire = wire(baud, &workbench.sim);
    workbench.run_over(Box::new(wire), &Command::of(&intent), &mut |_| {}).expect("the loader is installed");
    assert_eq!(workbench.sim.contents().flash, expected_flash(&workbench));
    let violations = workbench.sim.violations();
    assert_eq!(violations.count, 0, "{violations:?}");
}

#[test]
fn a_loader_is_installed_on_a_bare_chip() {
    install_through_the_bridge(Workbench::new("vent", 5), 1_000_000);
}

#[test]
fn a_chip_that_lost_its_clock_is_brought_back_by_the_bridges_clock_output() {
    let workbench = Workbench::new("vent", 6);
    // CKDIV8 off, as on a board that was set up for its crystal; then CKSEL for a signal that is not there.
    workbench.sim.edit(|contents| contents.fuses[0] |= 0x80);
    workbench.sim.damage(Fault::LostClock);
    install_through_the_bridge(workbench, 500_000);
}

#[test]
fn below_what_the_spi_unit_can_do_sck_is_made_edge_by_edge_and_no_half_is_too_short() {
    // CKDIV8 on: 1 MHz from the bridge's clock output becomes 125 kHz, and SCK must stay below 31.25 kHz.
    let workbench = Workbench::new("frost", 8);
    workbench.sim.damage(Fault::LostClock);
    let mut client = Client::connect(Box::new(wire(1_000_000, &workbench.sim))).unwrap();
    let reset = |drive| Operation::Line { line: Line::Reset, drive };
    let send = |bytes: [u8; 4]| Operation::Transfer(bytes.to_vec());
    let enter = [
        Operation::ClockOutput(Some(Hertz(1_000_000))),
        reset(Drive::High),
        Operation::Delay(Duration::from_millis(2)),
        reset(Drive::Low),
        Operation::SpiClock(Hertz(31_249)),
        Operation::Delay(Duration::from_millis(20)),
        send([0xAC, 0x53, 0, 0]),
        send([0x30, 0, 0, 0]),
        send([0x30, 0, 1, 0]),
        send([0x30, 0, 2, 0]),
        Operation::ReadLines,
    ];
    let replies = client.run(&enter).unwrap();
    let Reply::Clock(sck) = replies[4] else { panic!("{replies:?}") };
    assert!((29_000..31_250).contains(&sck.0), "{sck:?}");
    let fourth = |at: usize| if let Reply::Bytes(bytes) = &replies[at] { bytes[3] } else { panic!("{replies:?}") };
    assert_eq!([fourth(7), fourth(8), fourth(9)], workbench.chip.id);
    // MISO stands as the last bit of 0x0F left it.
    assert_eq!(replies[10], Reply::Lines(LineLevels { reset: false, sck: false, mosi: false, miso: true }));
    assert_eq!(workbench.sim.violations().count, 0, "{:?}", workbench.sim.violations());
}

/// Everything that a byte can be at once: counted, sent as data, captured. In a template of this many bytes.
fn busy_pattern(length: u8, outcome: Outcome) -> Pattern {
    let slot = |kind, byte| Slot { kind, bit: byte * 8, width: 8 };
    let mut slots = vec![slot(SlotKind::Data, length - 1), slot(SlotKind::Capture, length - 1)];
    if length > 1 {
        slots.extend([slot(SlotKind::Counter, length - 2)]);
    }
    let data = (0..=255).collect();
    Pattern { template: vec![0; usize::from(length)], slots, first: 0, repeat: 256, data, outcome }
}

#[test]
fn no_byte_from_the_host_is_lost_while_patterns_run_as_fast_as_they_can() {
    let workbench = Workbench::new("frost", 9);
    let lost = Rc::new(Cell::new(0));
    let wire = FirmwareWire { lost: Some(Rc::clone(&lost)), ..wire(1_000_000, &workbench.sim) };
    let mut client = Client::connect(Box::new(wire)).unwrap();
    for sck in [8_000_000, 4_000_000, 2_000_000, 1_000_000] {
        client.run(&[Operation::SpiClock(Hertz(sck))]).unwrap();
        for length in 1..=4 {
            for outcome in [Outcome::Discard, Outcome::Return, Outcome::Crc32 { every: 64 }] {
                let list = [Operation::Pattern(busy_pattern(length, outcome))];
                let tickets: Vec<_> = (0..4).map(|_| client.submit(&list).unwrap()).collect();
                for ticket in tickets {
                    client.collect(ticket).unwrap();
                }
                assert_eq!(lost.get(), 0, "{sck} Hz, templates of {length}, {outcome:?}");
            }
        }
    }
}

#[test]
fn a_bridge_says_what_it_is() {
    for baud in [115_200, 500_000, 1_000_000] {
        let workbench = Workbench::new("frost", 7);
        let mut client = Client::connect(Box::new(wire(baud, &workbench.sim))).unwrap();
        let abilities = client.abilities().clone();
        assert_eq!(abilities.name, "Farrier bridge, ATmega328P");
        assert!((4900..=5100).contains(&abilities.pin_level.0), "{:?}", abilities.pin_level);
        let supply = client.run(&[Operation::MeasureSupply]).unwrap();
        let [Reply::Supply(Some(supply))] = supply[..] else { panic!("{supply:?}") };
        assert!((4880..=5080).contains(&supply.0), "{supply:?}");
    }
}

#[test]
fn the_committed_images_are_what_their_source_builds() {
    let out = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("bridge-atmega328p-images");
    let mut make = std::process::Command::new("make");
    make.arg("-C").arg(image(1_000_000).ancestors().nth(2).unwrap()).arg("atmega328p").arg(format!("OUT={}", out.display()));
    let output = make.output().expect("make is there");
    assert!(output.status.success(), "{make:?}: {}", String::from_utf8_lossy(&output.stderr));
    for baud in [115_200, 500_000, 1_000_000] {
        let committed = image(baud);
        let (kept, fresh) = (std::fs::read(&committed).unwrap(), std::fs::read(out.join(committed.file_name().unwrap())).unwrap());
        assert!(kept == fresh, "{}: build it again with `make -C hardware-notes/bridge`", committed.display());
    }
}
