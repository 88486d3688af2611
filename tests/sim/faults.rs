//! Faults lie over clean contents, and can be lifted.

use super::bench::{Bench, board, board_without_crystal, small};
use farrier::bus::{Bus, BusError, Operation, Reply, Why};
use farrier::sim::Fault;
use farrier::units::{Hertz, Millivolts};

const ID: [u8; 3] = [0x1E, 0x95, 0x0F];

/// A fresh small part with one fault.
fn damaged(fault: &str) -> Bench {
    let bench = Bench::small();
    bench.sim.damage(fault.parse().expect("the fault has a name"));
    bench
}

#[test]
fn open_miso_reads_ff() {
    let mut bench = damaged("open-miso");
    assert!(!bench.enter(200_000));
    assert_eq!(bench.id(), [0xFF; 3]);
    bench.sim.repair();
    assert!(bench.enter(200_000));
    assert_eq!(bench.id(), ID);
    bench.assert_clean();
}

#[test]
fn joined_data_lines_give_each_byte_back_at_once() {
    let mut bench = damaged("shorted-data");
    assert!(!bench.enter(200_000));
    assert_eq!(bench.send(&[0x30, 1, 2, 3]), [0x30, 1, 2, 3]);
    bench.assert_clean();
}

#[test]
fn crossed_data_lines_give_nothing() {
    let mut bench = damaged("swapped-data");
    assert!(!bench.enter(200_000));
    assert_eq!(bench.id(), [0xFF; 3]);
    bench.assert_clean();
}

#[test]
fn without_power_nothing_is_driven() {
    let mut bench = damaged("no-power");
    assert_eq!(bench.run(Operation::MeasureSupply), Reply::Supply(Some(Millivolts(0))));
    let failed = bench.bus.run(&[Operation::Transfer(vec![0xAC, 0x53, 0, 0])]);
    assert!(matches!(failed, Err(BusError::Failed { operation: 0, why: Why::NoPower })), "{failed:?}");
    bench.sim.repair();
    assert!(bench.enter(200_000));
    bench.assert_clean();
}

#[test]
fn another_supply_and_another_level_are_seen() {
    let mut bench = Bench::small();
    assert_eq!(bench.run(Operation::MeasureSupply), Reply::Supply(Some(Millivolts(5_000))));
    assert_eq!(bench.bus.abilities().pin_level, Millivolts(5_000));
    bench.sim.damage(Fault::WrongSupply(Millivolts(2_700)));
    bench.sim.damage(Fault::WrongLevel(Millivolts(3_300)));
    assert_eq!(bench.run(Operation::MeasureSupply), Reply::Supply(Some(Millivolts(2_700))));
    assert_eq!(bench.sim.direct_bus().abilities().pin_level, Millivolts(3_300));
    assert!(bench.enter(200_000));
    bench.sim.damage(Fault::WrongSupply(Millivolts(1_700)));
    assert_eq!(bench.sim.faults().len(), 2, "one wrong supply replaces the other");
    assert!(!bench.enter(200_000));
}

#[test]
fn another_part_gives_its_own_id() {
    let mut bench = damaged("other-chip=1E9801");
    assert!(bench.enter(200_000));
    assert_eq!(bench.id(), [0x1E, 0x98, 0x01]);
}

#[test]
fn a_lost_clock_comes_back_by_clock_output_and_fuses() {
    for board in [board(), board_without_crystal()] {
        let mut bench = Bench::new(&board, &small());
        bench.sim.damage(Fault::LostClock);
        assert!(!bench.enter(1_000));
        bench.run(Operation::ClockOutput(Some(Hertz(1_000_000))));
        assert!(bench.enter(25_000));
        bench.write([0xAC, 0xA0, 0, 0x62]);
        bench.run(Operation::ClockOutput(None));
        assert!(bench.enter(200_000));
        assert_eq!(bench.sim.faults(), [], "the fuses have mended it");
        bench.assert_clean();
    }
}

#[test]
fn a_lost_clock_can_be_repaired_to_factory() {
    let mut bench = damaged("lost-clock");
    assert_ne!(bench.sim.contents().fuses[0], 0x62);
    bench.sim.repair();
    assert_eq!(bench.sim.contents().fuses[0], 0x62);
    assert!(bench.enter(200_000));
}

#[test]
fn repair_leaves_contents_alone_that_no_fault_changed() {
    let bench = damaged("open-miso");
    bench.sim.edit(|contents| {
        contents.lock = 0xCE;
        contents.fuses[0] = 0xFF;
        contents.flash[7] = 7;
    });
    let before = bench.sim.contents();
    bench.sim.repair();
    assert_eq!(bench.sim.contents(), before);
}

#[test]
fn a_locked_chip_is_unlocked_by_an_erase() {
    for (fault, lock) in [("locked-chip=2", 0xFE), ("locked-chip", 0xFC)] {
        let mut bench = damaged(fault);
        assert!(bench.enter(200_000));
        assert_eq!(bench.ask([0x58, 0, 0, 0]), lock);
        bench.write([0xAC, 0x80, 0, 0]);
        assert_eq!(bench.ask([0x58, 0, 0, 0]), 0xFF);
        assert_eq!(bench.sim.faults(), []);
    }
}

#[test]
fn weak_cells_lose_zeros_in_their_page_only() {
    let mut bench = Bench::small();
    bench.sim.edit(|contents| contents.flash.fill(0));
    bench.sim.damage(Fault::WeakCells(1));
    bench.sim.damage(Fault::WeakCells(3));
    assert!(bench.enter(200_000));
    let page = |bench: &mut Bench, page: u16| (0..64).map(|word| bench.read_word(page * 64 + word)).collect::<Vec<_>>();
    assert!(page(&mut bench, 0).iter().chain(&page(&mut bench, 2)).all(|word| *word == 0));
    assert!(page(&mut bench, 1).iter().any(|word| *word != 0));
    assert!(page(&mut bench, 3).iter().any(|word| *word != 0));
    assert!(bench.sim.contents().flash.iter().all(|byte| *byte == 0), "the silicon was written right");
    bench.sim.repair();
    assert!(page(&mut bench, 1).iter().all(|word| *word == 0));
}
