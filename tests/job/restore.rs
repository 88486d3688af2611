//! Back to a snapshot on simulated boards. `cuts` has the same job, cut everywhere.

use super::workbench::{Command, Workbench, install, random_bytes, restore};
use farrier::board::Catalog;
use farrier::plan::Intent;
use farrier::sim::Contents;

const SEED: u64 = 23;
const TAG: &str = "bed 4";

/// A board that holds a loader, an application and settings, and what it held then; now it holds something else altogether.
fn overwritten(board: &str) -> (Workbench, Contents, farrier::plan::Intent) {
    let mut bench = Workbench::new(board, SEED);
    let page = bench.chip.flash.page as usize;
    bench.sim.edit(|contents| {
        contents.flash[..4 * page].copy_from_slice(&random_bytes(4 * page, SEED));
        let settings = contents.eeprom.len();
        contents.eeprom.copy_from_slice(&random_bytes(settings, SEED + 1));
    });
    bench.run(&Command::of(&install(&bench.board)).tagged(TAG)).expect("the loader is installed");
    let wanted = bench.sim.contents();
    let held = bench.decide(&Command::of(&install(&bench.board)).tagged(TAG)).expect("it is looked at").observed;
    let intent = restore(&bench.chip, held);
    bench.sim.edit(|contents| {
        contents.flash[page..6 * page].copy_from_slice(&random_bytes(5 * page, SEED + 2));
        contents.eeprom[..100].fill(0x55);
        contents.lock = 0xFE;
    });
    (bench, wanted, intent)
}

#[test]
fn every_demo_board_comes_back() {
    for board in ["vent", "pump", "frost"] {
        let (mut bench, wanted, intent) = overwritten(board);
        bench.run(&Command::of(&intent).tagged(TAG)).expect("it is restored");
        assert!(bench.sim.contents() == wanted, "{board}");
        assert_eq!(bench.sim.violations().count, 0, "{board}");
    }
}

/// Bit 2 of the ATA5790's only fuse byte must stay programmed, whatever a snapshot has there.
#[test]
fn a_bit_that_must_stay_programmed_does_not_come_back_otherwise() {
    let (board, chip) = Catalog::built_in().board("generic-ata5790").unwrap();
    let mut bench = Workbench::of(board, chip, SEED);
    bench.sim.edit(|contents| {
        contents.fuses = vec![0x4D & !0x10];
        contents.eeprom[..16].fill(0x55);
    });
    let held = bench.decide(&Command::of(&Intent::default()).tagged(TAG)).expect("it is looked at").observed;
    assert_eq!(held.configuration, Some(vec![0x4D & !0x10]));
    let intent = restore(&bench.chip, held);
    bench.sim.edit(|contents| {
        contents.fuses = vec![0x49];
        contents.eeprom[..16].fill(0xFF);
    });
    bench.run(&Command::of(&intent).tagged(TAG)).expect("it is restored");
    let now = bench.sim.contents();
    assert_eq!((now.fuses, now.eeprom[..16].to_vec()), (vec![0x49], vec![0x55; 16]));
}
