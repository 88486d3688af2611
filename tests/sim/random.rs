//! Whatever a host does, the sim stands, and what is always true stays true.

use super::bench::{SEED, board, large, small};
use farrier::bus::{Bus, Drive, Line, Operation};
use farrier::sim::{Fault, Sim};
use farrier::units::Hertz;
use proptest::prelude::*;
use std::time::Duration;

/// Bytes that are often near an instruction.
fn instruction() -> impl Strategy<Value = Vec<u8>> {
    let first = prop::sample::select(vec![0xAC, 0xF0, 0x40, 0x48, 0x4C, 0x4D, 0x20, 0xA0, 0xC0, 0xC1, 0xC2, 0x30, 0x58, 0x50]);
    let second = prop_oneof![prop::sample::select(vec![0x00, 0x53, 0x80, 0xE0, 0xA0, 0xA8, 0xA4, 0x08]), any::<u8>()];
    let one = (first, second, any::<u8>(), any::<u8>()).prop_map(|(a, b, c, d)| vec![a, b, c, d]);
    prop_oneof![9 => one, 1 => prop::collection::vec(any::<u8>(), 0..9)]
}

fn operation() -> impl Strategy<Value = Operation> {
    let drive = prop::sample::select(vec![Drive::Low, Drive::High, Drive::Release]);
    let line = prop::sample::select(vec![Line::Reset, Line::Reset, Line::Reset, Line::Power]);
    prop_oneof![
        12 => instruction().prop_map(Operation::Transfer),
        2 => (line, drive).prop_map(|(line, drive)| Operation::Line { line, drive }),
        1 => (200_u32..400_000).prop_map(|hz| Operation::SpiClock(Hertz(hz))),
        3 => (0_u64..25).prop_map(|ms| Operation::Delay(Duration::from_millis(ms))),
        1 => prop::option::of(1_u32..20_000_000).prop_map(|hz| Operation::ClockOutput(hz.map(Hertz))),
        1 => Just(Operation::MeasureSupply),
        1 => Just(Operation::ReadLines),
    ]
}

fn fault() -> impl Strategy<Value = Fault> {
    prop::sample::select(vec![
        "open-miso",
        "swapped-data",
        "no-power",
        "lost-clock",
        "locked-chip",
        "power-cut=5",
        "power-cut-instructions=9",
    ])
    .prop_map(|text| text.parse().expect("a fault"))
}

/// In programming mode at a clock that suits 1 MHz.
fn entry() -> Vec<Operation> {
    vec![
        Operation::SpiClock(Hertz(200_000)),
        Operation::Line { line: Line::Reset, drive: Drive::Low },
        Operation::Delay(Duration::from_millis(20)),
        Operation::Transfer(vec![0xAC, 0x53, 0, 0]),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn any_work_leaves_sizes_and_calibration_and_repeats_itself(
        work in prop::collection::vec(operation(), 0..60),
        fault in prop::option::of(fault()),
        big: bool,
    ) {
        let chip = if big { large() } else { small() };
        let once = || {
            let sim = Sim::new(&board(), &chip, SEED);
            let mut bus = sim.direct_bus();
            let entered = bus.run(&entry()).is_ok();
            if let Some(fault) = &fault {
                sim.damage(fault.clone());
            }
            let results: Vec<String> = work.iter().map(|one| format!("{:?}", bus.run(std::slice::from_ref(one)))).collect();
            (entered, results, sim.contents(), sim.violations(), sim.clock().now())
        };
        let shipped = Sim::new(&board(), &chip, SEED).contents();
        let first = once();
        prop_assert!(first.0);
        prop_assert_eq!(first.2.calibration, shipped.calibration);
        prop_assert_eq!((first.2.flash.len(), first.2.eeprom.len()), (shipped.flash.len(), shipped.eeprom.len()));
        prop_assert_eq!(first, once());
    }
}
