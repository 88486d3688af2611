//! The bridge made of lines before the sim's board: the job that a user does, bit by bit.

use super::fake::{FakePins, bus, description};
use crate::job::workbench::{Command, Failure, Workbench, install};
use farrier::algorithm::AlgorithmError;
use farrier::bus::{Bus, Drive, Line, Operation};
use farrier::image::Span;
use farrier::job::JobError;
use farrier::link::gpio::GpioFile;
use farrier::sim::Fault;
use farrier::units::Hertz;
use std::time::Duration;

const CALL: Duration = Duration::from_micros(1);

/// `loader install` over lines that this makes of plain ones.
fn install_over(bench: &mut Workbench, lines: impl Fn(FakePins) -> FakePins) -> Result<(), Failure> {
    let intent = install(&bench.board);
    let file = GpioFile { pin_level: bench.board.levels, ..description() };
    let mut bus = bus(lines(FakePins::new(CALL).0.before(&bench.sim)), &file);
    bench.run_on(&mut bus, &Command::of(&intent), &mut |_| {}).map(|_| ())
}

/// Blank and factory configuration at first: 1 MHz, for which a SCK that suits the expected clock is too fast. The entry has to find that out.
#[test]
fn a_loader_is_installed_bit_by_bit() {
    for name in ["frost", "vent"] {
        let mut bench = Workbench::new(name, 5);
        install_over(&mut bench, |pins| pins).unwrap_or_else(|why| panic!("{name}: {why}"));
        let held = bench.sim.contents();
        let loader = farrier::diagnosis::own_loader(&bench.board, &bench.chip).expect("a loader").image;
        let expected = loader.filled(Span::first(held.flash.len() as u32), 0xFF);
        assert!(loader.len() > 500, "an image that is worth the name");
        assert!(held.flash == expected, "{name}: the flash is not the image");
        assert_eq!(bench.sim.violations().count, 0, "{:?}", bench.sim.violations());
    }
}

/// The vent board has 5 V; plain lines of 3.3 V are not for it.
#[test]
fn the_level_of_the_file_counts() {
    let mut bench = Workbench::new("vent", 5);
    let intent = install(&bench.board);
    let mut bus = bus(FakePins::new(CALL).0.before(&bench.sim), &description());
    let failed = bench.run_on(&mut bus, &Command::of(&intent), &mut |_| {}).err().expect("refused");
    assert!(failed.to_string().contains("LevelsDiffer"), "{failed}");
}

/// The same board by the sim's own bridge, with hardware for whole bytes: what it holds afterwards is the same.
#[test]
fn both_bridges_leave_the_same_board() {
    let mut bytes = Workbench::new("frost", 5);
    bytes.run(&Command::of(&install(&bytes.board))).expect("by bytes");
    let mut bits = Workbench::new("frost", 5);
    install_over(&mut bits, |pins| pins).expect("by bits");
    assert_eq!(bits.sim.contents(), bytes.sim.contents());
}

#[test]
fn faults_are_seen_as_by_any_bridge() {
    for (fault, words) in [(Fault::OpenMiso, "MISO"), (Fault::ShortedData, "joined"), (Fault::NoPower, "MISO stayed high")] {
        let mut bench = Workbench::new("frost", 5);
        bench.sim.damage(fault.clone());
        let failed = install_over(&mut bench, |pins| pins).expect_err("no answer");
        let Failure::Job(JobError::Algorithm(AlgorithmError::NoAnswer(why))) = failed else { panic!("{failed}") };
        assert!(why.to_string().contains(words), "{fault}: {why}");
    }
}

/// Without this, a model that takes anything for an answer would pass all of the above.
#[test]
fn canary_lines_that_lag_reach_nothing() {
    let mut bench = Workbench::new("frost", 5);
    let failed = install_over(&mut bench, FakePins::late).expect_err("no answer");
    assert!(matches!(failed, Failure::Job(JobError::Algorithm(AlgorithmError::NoAnswer(_)))), "{failed}");
    assert!(bench.sim.contents().flash.iter().all(|byte| *byte == 0xFF));
}

/// The board's first byte may not come before 20 ms, counted at its pins.
#[test]
fn canary_a_byte_too_early_is_a_violation() {
    let bench = Workbench::new("frost", 5);
    let (pins, _) = FakePins::new(CALL);
    let mut bus = bus(pins.before(&bench.sim), &description());
    let low = Operation::Line { line: Line::Reset, drive: Drive::Low };
    let clock = Operation::SpiClock(Hertz(100_000));
    bus.run(&[clock, low, Operation::Delay(Duration::from_millis(19)), Operation::Transfer(vec![0xAC, 0x53, 0, 0])]).expect("carried out");
    assert_eq!(bench.sim.violations().count, 1, "{:?}", bench.sim.violations());
}
