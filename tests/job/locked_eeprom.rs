//! ATA6285: a fuse locks the upper part of its EEPROM against being written, and whether an erase takes it all the same is not known.

use super::workbench::{Command, Failure, Workbench, random_bytes, write};
use farrier::board::{Catalog, generic_board};
use farrier::finding::Kind;
use farrier::image::{ByteAddress, Image};
use farrier::plan::{DesireError, Intent, NamedImage};

/// A used board with a full EEPROM, its upper part locked.
fn locked(seed: u64) -> Workbench {
    let (board, chip) = Catalog::built_in().board(&generic_board("ATA6285")).expect("a generic board");
    let bench = Workbench::of(board, chip, seed);
    bench.sim.edit(|contents| {
        contents.eeprom = random_bytes(320, seed);
        contents.flash[..900].copy_from_slice(&random_bytes(900, seed + 1));
        contents.fuses[1] &= 0x7F;
    });
    bench
}

fn configure(field: &str, value: &str) -> Intent {
    Intent { configuration: vec![(field.into(), value.into())], ..Intent::default() }
}

fn application(seed: u64) -> Image {
    Image::of(ByteAddress(0), &random_bytes(700, seed))
}

fn settings(at: u32, bytes: &[u8]) -> Intent {
    let image = NamedImage { name: "settings.hex".into(), image: Image::of(ByteAddress(at), bytes) };
    Intent { eeprom: Some(image), ..Intent::default() }
}

fn goes_well(bench: &mut Workbench, intent: &Intent) {
    bench.run(&Command::of(intent)).unwrap_or_else(|why| panic!("{why}"));
    let violations = bench.sim.violations();
    assert_eq!(violations.count, 0, "{:?}", violations.list);
}

/// With either mode of the lock bits that lets the chip be read, on sims of both minds about the erase.
#[test]
fn a_job_that_erases_puts_locked_eeprom_back_and_locks_it_again() {
    for seed in 0..12 {
        for lock in [0xFF, 0xFE] {
            let mut bench = locked(seed);
            bench.sim.edit(|contents| contents.lock = lock);
            let before = bench.sim.contents();
            goes_well(&mut bench, &write(application(seed + 40)));
            let after = bench.sim.contents();
            assert_eq!((&after.eeprom, &after.fuses, after.lock), (&before.eeprom, &before.fuses, lock), "seed {seed}, lock {lock:02X}");
            assert_eq!(after.flash[..700], random_bytes(700, seed + 40));
        }
    }
}

#[test]
fn other_bytes_for_locked_eeprom_are_refused_before_anything_is_written_and_welcome_once_it_is_open() {
    let mut bench = locked(3);
    let before = bench.sim.contents();
    let wanted = settings(0x0F8, &[0x5A; 16]);
    let refused = bench.run(&Command::of(&wanted));
    let Err(Failure::Desire(DesireError::Refused(findings))) = refused.map(|done| done.job) else { panic!("it is not refused") };
    assert!(findings.iter().any(|finding| finding.kind == Kind::EepromLocked), "{findings:?}");
    assert_eq!(bench.sim.contents(), before);
    goes_well(&mut bench, &settings(0x0F0, &[0x5A; 16]));
    goes_well(&mut bench, &configure("upper-eeprom", "free"));
    goes_well(&mut bench, &wanted);
    goes_well(&mut bench, &configure("upper-eeprom", "locked"));
    let after = bench.sim.contents();
    assert_eq!((&after.eeprom[0x0F0..0x108], after.fuses[1] & 0x80), (&[0x5A; 24][..], 0));
}

/// What `undo` does: back to before the part was locked, and before something was written there.
#[test]
fn what_was_there_before_it_was_locked_comes_back() {
    let mut bench = locked(4);
    goes_well(&mut bench, &configure("upper-eeprom", "free"));
    let open = bench.decide(&Command::of(&Intent::default())).unwrap_or_else(|why| panic!("{why}")).observed;
    let before = bench.sim.contents();
    goes_well(&mut bench, &settings(0x120, &[1, 2, 3, 4]));
    goes_well(&mut bench, &configure("upper-eeprom", "locked"));
    let back = super::workbench::restore(&bench.chip, open);
    goes_well(&mut bench, &back);
    assert_eq!(bench.sim.contents(), before);
}
