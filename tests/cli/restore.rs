//! `farrier restore` as a user types it.

use super::loader::demo_application;
use super::served::{Serving, fast_frost};
use super::{Held, Home};

/// A fitted vent board with an application and changed settings, and the name of its snapshot.
fn fitted(home: &Home) -> String {
    let application = home.file("vent.hex", demo_application("vent"));
    home.run("sim new bed4 --board vent --seed 1").exits(0);
    home.run(&format!("loader install --with {} --via sim:bed4 --yes", application.display())).exits(0);
    home.run("configure brown-out=below-2v7 --via sim:bed4 --yes").exits(0);
    take(home, "--via sim:bed4")
}

fn take(home: &Home, options: &str) -> String {
    let taken = home.run(&format!("snapshot take {options} --json"));
    taken.exits(0).json()["name"].as_str().expect("its name").to_owned()
}

fn contents(held: &Held) -> (&[u8], &[u8], [u8; 3], u8) {
    (&held.flash, &held.eeprom, held.fuses(), held.lock())
}

#[test]
fn a_board_comes_back_as_its_snapshot_has_it() {
    let home = Home::new();
    let snapshot = fitted(&home);
    let before = home.export("bed4");
    home.run("configure brown-out=off --via sim:bed4 --yes").exits(0);
    home.run("loader remove --via sim:bed4 --yes --accept loader-removed").exits(0);
    home.run(&format!("restore {snapshot} --via sim:bed4 --yes")).exits(0).says(&format!("The board is back at the snapshot {snapshot}."));
    let after = home.copy().export("bed4");
    assert_eq!(contents(&after), contents(&before));
    home.run(&format!("restore {snapshot} --via sim:bed4 --yes")).exits(0).says("Nothing was changed.");
}

#[test]
fn only_the_named_parts_come_back() {
    let home = Home::new();
    let snapshot = fitted(&home);
    let before = home.export("bed4");
    home.run("sim reset bed4").exits(0);
    let reset = home.copy().export("bed4");
    let accepts = "--accept reset-into-empty-flash --accept clock-source-changed";
    home.run(&format!("restore {snapshot} --only flash --via sim:bed4 --yes {accepts}")).exits(0);
    let after = home.copy().export("bed4");
    assert_eq!(after.flash, before.flash);
    assert_eq!((after.fuses(), after.lock()), (reset.fuses(), reset.lock()));
    home.run(&format!("restore {snapshot} --only configuration --only eeprom --via sim:bed4 --yes")).exits(0);
    assert_eq!(contents(&home.copy().export("bed4")), contents(&before));
}

#[test]
fn another_boards_snapshot_needs_a_consent_and_another_chips_is_refused() {
    let home = Home::new();
    let snapshot = fitted(&home);
    home.run("sim new bed5 --board vent --seed 2").exits(0);
    let held = home.copy().export("bed5");
    assert_ne!(held.state["calibration"], home.copy().export("bed4").state["calibration"], "choose another seed");
    home.run(&format!("restore {snapshot} --via sim:bed5 --yes")).exits(3).says("needs consent: another-boards-snapshot");
    assert_eq!(contents(&home.copy().export("bed5")), contents(&held));
    let ran = home.run(&format!("restore {snapshot} --via sim:bed5 --yes --accept another-boards-snapshot"));
    ran.exits(0).says("the calibration byte, which belongs to the chip");
    assert_eq!(contents(&home.copy().export("bed5")), contents(&home.copy().export("bed4")));
    home.run(&format!("restore {snapshot} --via sim:frost --yes --accept another-boards-snapshot")).exits(3).says("refused: wrong-chip");
    // The same board under another name of its owner's.
    let tagged = take(&home, "--via sim:bed4 --tag 1187");
    home.run("configure brown-out=off --via sim:bed4 --yes").exits(0);
    home.run(&format!("restore {tagged} --via sim:bed4 --tag 1188 --yes")).exits(3).says("its tag is '1187', and this board's is '1188'");
    home.run(&format!("restore {tagged} --via sim:bed4 --tag 1187 --yes")).exits(0);
}

#[test]
fn what_a_locked_chip_did_not_show_is_not_made_up() {
    let home = Home::new();
    let snapshot = fitted(&home);
    let open = home.copy().export("bed4");
    home.run("sim damage bed4 locked-chip=3").exits(0);
    let locked = take(&home, "--via sim:bed4");
    home.run("sim reset bed4").exits(0);
    home.run(&format!("restore {snapshot} --via sim:bed4 --yes")).exits(0);
    home.run(&format!("restore {locked} --only flash --only eeprom --via sim:bed4 --yes")).exits(2).says("holds nothing of what should be");
    let ran = home.run(&format!("restore {locked} --via sim:bed4 --yes --accept readout-locked"));
    ran.exits(0).says("131072 bytes of flash (the lock byte").says("That stays as it is on the board.").says("as far as that goes");
    let after = home.copy().export("bed4");
    assert_eq!((&after.flash, &after.eeprom), (&open.flash, &open.eeprom), "the memories are not touched");
    assert_eq!(after.lock() & 3, 0, "the lock is the snapshot's");
}

#[test]
fn a_plan_without_a_board_and_a_snapshot_that_is_not_there() {
    let home = Home::new();
    let snapshot = fitted(&home);
    home.run(&format!("restore {snapshot} --on factory --board vent")).exits(0).says("nothing was read and nothing was changed");
    home.run("restore 2026-01-01-000000-nothing --via sim:bed4").exits(2).says("there is no snapshot called");
}

#[test]
fn the_board_that_a_snapshot_names_is_meant_where_nobody_names_one() {
    let home = Home::new();
    fast_frost(&home);
    let snapshot = take(&home, "--via sim:bench");
    let before = home.export("bench");
    home.run("configure brown-out=below-1v8 --via sim:bench --yes").exits(0);
    home.run("sim new other --board vent").exits(0);
    let mut serving = Serving::start(&home, "bench", "--pty");
    let ran = home.run(&format!("restore {snapshot} --via {} --yes", serving.via));
    ran.exits(0).says("named by the snapshot").says("The board is back");
    serving.kill();
    assert_eq!(contents(&home.export("bench")), contents(&before));
    // It is still checked against the chip.
    let other = Serving::start(&home, "other", "--pty");
    let untouched = home.copy().export("other");
    home.run(&format!("restore {snapshot} --via {} --levels-shifted --yes", other.via)).exits(3).says("refused: wrong-chip");
    drop(other);
    assert_eq!(contents(&home.export("other")), contents(&untouched));
}
