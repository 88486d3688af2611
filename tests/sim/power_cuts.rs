//! The supply goes in the middle of the work: exactly the span being written is undefined, in the directions that writing has.

use super::bench::{Bench, SEED, board, small};
use farrier::bus::{Bus, BusError, Operation, Reply, Why};
use farrier::sim::{Contents, Fault, Sim};
use farrier::units::Millivolts;

/// What the silicon holds after a cut right after the last of these instructions, and before them.
fn cut_after(before: impl Fn(&mut Contents), instructions: &[[u8; 4]]) -> (Contents, Contents) {
    let mut bench = Bench::entered(&small());
    bench.sim.edit(before);
    let old = bench.sim.contents();
    bench.sim.damage(Fault::PowerCutInstructions(instructions.len() as u64));
    for instruction in instructions {
        bench.send(instruction);
    }
    let failed = bench.bus.run(&[Operation::Transfer(vec![0xF0, 0, 0, 0])]);
    assert!(matches!(failed, Err(BusError::Failed { why: Why::NoPower, .. })), "{failed:?}");
    bench.assert_clean();
    (old, bench.sim.contents())
}

fn load_page(byte: impl Fn(u8) -> u8) -> Vec<[u8; 4]> {
    let words = (0..64).flat_map(|word| [[0x40, 0, word, byte(word * 2)], [0x48, 0, word, byte(word * 2 + 1)]]);
    words.chain([[0x4C, 0, 0x40, 0]]).collect()
}

#[test]
fn a_page_write_is_cut() {
    let (old, new) = cut_after(|contents| contents.flash[130] = 0x0F, &load_page(|at| at.wrapping_mul(3)));
    let page = 128..256;
    for at in page.clone() {
        let wanted = ((at - 128) as u8).wrapping_mul(3) & old.flash[at];
        assert_eq!(new.flash[at] & wanted, wanted, "a bit that stays 1 was cleared at {at}, seed {SEED}");
        assert_eq!(new.flash[at] | old.flash[at], old.flash[at], "a bit was set at {at}, seed {SEED}");
    }
    assert!(page.clone().any(|at| new.flash[at] != old.flash[at]), "nothing was written at all");
    assert!(page.clone().any(|at| new.flash[at] != ((at - 128) as u8).wrapping_mul(3)), "all was written");
    assert_eq!((&new.flash[..128], &new.flash[256..]), (&old.flash[..128], &old.flash[256..]));
    assert_eq!((new.eeprom, new.fuses, new.lock), (old.eeprom, old.fuses, old.lock));
}

#[test]
fn an_erase_is_cut() {
    let fill = |contents: &mut Contents| {
        contents.flash.fill(0x55);
        contents.eeprom.fill(0x11);
        contents.lock = 0xFE;
    };
    let (old, new) = cut_after(fill, &[[0xAC, 0x80, 0, 0]]);
    assert!(new.flash.iter().all(|byte| byte & 0x55 == 0x55) && new.flash.iter().any(|byte| *byte != 0xFF));
    assert!(new.eeprom.iter().all(|byte| byte & 0x11 == 0x11) && new.eeprom.iter().any(|byte| *byte != 0xFF));
    assert_eq!((new.lock, new.fuses), (0xFE, old.fuses), "the lock bits go last");
}

#[test]
fn a_cut_erase_spares_the_eeprom_that_eesave_keeps() {
    let fill = |contents: &mut Contents| {
        contents.eeprom.fill(0x11);
        contents.fuses[1] = 0xD1;
    };
    let (old, new) = cut_after(fill, &[[0xAC, 0x80, 0, 0]]);
    assert_eq!(new.eeprom, old.eeprom);
}

#[test]
fn an_eeprom_page_write_is_cut_in_the_bytes_that_were_loaded() {
    let fill = |contents: &mut Contents| contents.eeprom.fill(0x11);
    let (old, new) = cut_after(fill, &[[0xC1, 0, 1, 0x22], [0xC1, 0, 2, 0x44], [0xC2, 0, 8, 0]]);
    let changed: Vec<usize> = (0..old.eeprom.len()).filter(|at| new.eeprom[*at] != old.eeprom[*at]).collect();
    assert!(changed.iter().all(|at| [9, 10].contains(at)), "{changed:?}");
}

#[test]
fn a_fuse_write_is_cut_in_the_bits_that_it_changes() {
    let cut = |value| cut_after(|_| {}, &[[0xAC, 0xA0, 0, value]]);
    let (old, new) = cut(0xFF);
    assert_eq!(new.fuses[0] & 0x62, 0x62);
    assert_eq!(new.fuses[1..], old.fuses[1..]);
    assert_eq!(cut(0x62).1.fuses[0], 0x62);
}

#[test]
fn a_cut_counts_operations_and_happens_once() {
    let mut bench = Bench::entered(&small());
    bench.sim.damage(Fault::PowerCut(3));
    let before = bench.sim.operations();
    let transfer = Operation::Transfer(vec![0x30, 0, 0, 0]);
    let failed = bench.bus.run(&[transfer.clone(), transfer.clone(), transfer.clone(), transfer.clone()]);
    assert!(matches!(failed, Err(BusError::Failed { operation: 3, why: Why::NoPower })), "{failed:?}");
    assert_eq!(bench.sim.operations(), before + 4);
    assert_eq!(bench.run(Operation::MeasureSupply), Reply::Supply(Some(Millivolts(0))));
    bench.sim.restore_power();
    assert_eq!(bench.sim.faults(), []);
    assert!(bench.enter(200_000));
    bench.assert_clean();
}

#[test]
fn a_cut_in_the_middle_of_an_operation_leaves_its_rest_undone() {
    let mut bench = Bench::entered(&small());
    bench.sim.damage(Fault::PowerCutInstructions(2));
    let failed = bench.bus.run(&[Operation::Transfer([0x30, 0, 0, 0].repeat(4))]);
    assert!(matches!(failed, Err(BusError::Failed { operation: 0, why: Why::NoPower })), "{failed:?}");
}

#[test]
fn the_seed_decides_what_a_cut_leaves() {
    let torn = |seed| {
        let sim = Sim::new(&board(), &small(), seed);
        let mut bench = Bench { bus: sim.direct_bus(), sim };
        assert!(bench.enter(200_000));
        bench.sim.damage(Fault::PowerCutInstructions(129));
        for instruction in load_page(|_| 0) {
            bench.send(&instruction);
        }
        bench.sim.contents().flash
    };
    assert_eq!(torn(1), torn(1));
    assert_ne!(torn(1), torn(2));
}
