//! `farrier undo`, and boards that are known by what a job left on them.

use super::loader::demo_application;
use super::{Held, Home};

fn contents(held: &Held) -> (&[u8], &[u8], [u8; 3], u8) {
    (&held.flash, &held.eeprom, held.fuses(), held.lock())
}

fn now(home: &Home, sim: &str) -> Held {
    home.copy().export(sim)
}

#[test]
fn undo_takes_the_last_job_back_and_a_second_one_the_undo() {
    let home = Home::new();
    let application = home.file("frost.hex", demo_application("frost"));
    home.run(&format!("write {} --via sim:frost --yes", application.display())).exits(0);
    let before = now(&home, "frost");
    home.run("loader install --via sim:frost --tag 1187 --yes").exits(0);
    let fitted = now(&home, "frost");
    home.run("inspect --via sim:frost").exits(0).says("Known holds exactly what job 2 left: tag 1187");
    assert_eq!(home.run("inspect --via sim:frost --json").json()["known"]["tag"], "1187");
    let undo = "undo --via sim:frost --yes --accept loader-removed --accept clock-source-changed";
    home.run(undo).exits(0).says("holds exactly what job 2 left: tag 1187").says("The board is back at what it held before that job.");
    assert_eq!(contents(&now(&home, "frost")), contents(&before));
    home.run("undo --via sim:frost --yes").exits(0);
    assert_eq!(contents(&now(&home, "frost")), contents(&fitted));
}

#[test]
fn an_undo_of_a_job_that_was_cut_off_goes_back_to_before_it() {
    let home = Home::new();
    let application = home.file("frost.hex", demo_application("frost"));
    home.run(&format!("write {} --via sim:frost --yes", application.display())).exits(0);
    let before = now(&home, "frost");
    home.run("sim damage frost power-cut=160").exits(0);
    let cut = home.run("loader install --via sim:frost --tag 1187 --yes");
    assert!(cut.code != 0 && cut.err.contains("is unfinished"), "the cut falls in the middle\n{}{}", cut.out, cut.err);
    home.run("sim repair frost").exits(0);
    assert_ne!(contents(&now(&home, "frost")), contents(&before), "something was changed");
    home.run("undo --via sim:frost --tag 1187 --yes --accept loader-removed --accept clock-source-changed").exits(0);
    assert_eq!(contents(&now(&home, "frost")), contents(&before));
}

/// Before its first change, and in the middle of it: the command that is printed then means the same job, and not the undo.
#[test]
fn an_undo_that_was_cut_off_is_carried_to_its_end_by_the_command_that_it_names() {
    for (cut_at, says) in [(70, "Nothing was changed. To try again:"), (100, "Job 3 is unfinished. This command goes on from there:")] {
        let home = Home::new();
        let application = home.file("frost.hex", demo_application("frost"));
        home.run(&format!("write {} --via sim:frost --yes", application.display())).exits(0);
        let before = now(&home, "frost");
        home.run("loader install --via sim:frost --yes").exits(0);
        home.run(&format!("sim damage frost power-cut={cut_at}")).exits(0);
        let undo = "undo --via sim:frost --yes --accept loader-removed --accept clock-source-changed";
        home.run(undo).exits(4).says(says).says(&format!("  farrier {undo} 2"));
        home.run("sim repair frost").exits(0);
        home.run(&format!("{undo} 2")).exits(0);
        assert_eq!(contents(&now(&home, "frost")), contents(&before), "cut at {cut_at}");
    }
}

#[test]
fn a_board_that_no_job_left_needs_a_consent_and_an_unknown_one_has_nothing_to_undo() {
    let home = Home::new();
    home.run("undo --via sim:frost --yes").exits(2).says("there is nothing to undo");
    home.run("loader install --via sim:frost --yes").exits(0);
    home.run("sim reset frost").exits(0);
    home.run("undo --via sim:frost --yes").exits(0).says("already").says("Nothing was changed.");
    let application = home.file("frost.hex", demo_application("frost"));
    home.run("loader install --via sim:frost --yes").exits(0);
    home.run(&format!("write {} --via sim:frost --yes", application.display())).exits(0);
    home.run("sim reset frost").exits(0);
    home.run("undo --via sim:frost --yes").exits(3).says("another-boards-snapshot").says("the board does not hold what job 3 left");
}

#[test]
fn two_boards_that_were_left_alike_are_asked_about() {
    let home = Home::new();
    // The same seed: the same calibration byte.
    for sim in ["bed4", "bed5"] {
        home.run(&format!("sim new {sim} --board frost --seed 3")).exits(0);
        home.run(&format!("loader install --via sim:{sim} --tag {sim} --yes")).exits(0);
    }
    home.run("inspect --via sim:bed4").exits(0).says("holds exactly what jobs 2 (tag bed5) and 1 (tag bed4) left");
    let asked = home.run("undo --via sim:bed4 --yes");
    asked.exits(3).says("jobs 2 and 1 all left what this board holds").says("farrier undo --via sim:bed4 --yes 1");
    let accepts = "--accept loader-removed --accept clock-source-changed --accept reset-into-empty-flash";
    home.run(&format!("undo 1 --via sim:bed4 --yes {accepts}")).exits(0);
    assert!(now(&home, "bed4").flash.iter().all(|byte| *byte == 0xFF));
    home.run(&format!("undo --tag bed5 --via sim:bed5 --yes {accepts}")).exits(0);
}

/// Two parts with one ID: the one has two configuration bytes and pages of 64, the other three and pages of 128.
#[test]
fn a_job_that_was_cut_off_with_the_board_of_another_part_of_the_id_is_undone_with_that_board() {
    let home = Home::new();
    home.run("sim new seed --board generic-ata6285").exits(0);
    let before = now(&home, "seed");
    let image = home.file("seed.bin", &[&[0x01, 0xC0, 0x00, 0x00, 0xF8, 0x94][..], &[0x5A; 600][..]].concat());
    let write = format!("write {} --at 0 --via sim:seed --yes", image.display());
    home.run(&format!("{write} --board generic-at90usb82")).exits(1).says("Job 1 is unfinished");
    let refused = home.run("undo --via sim:seed --yes --resume 1");
    refused.exits(3).says("begun with board generic-at90usb82").says("3 configuration bytes; an ATA6285 has 2");
    refused.says("farrier undo --board generic-at90usb82 --via sim:seed --resume 1").says("After that, if the chip is an ATA6285:");
    let named = home.run("undo --via sim:seed --yes");
    named.exits(2).says("Job 1 was on a chip with the same ID").says("farrier undo 1 --board generic-at90usb82 --via sim:seed");
    let undo = "undo --board generic-at90usb82 --via sim:seed --resume 1 --yes --accept reset-into-empty-flash";
    home.run(undo).exits(0);
    let after = now(&home, "seed");
    assert_eq!((&after.flash, after.state["fuses"].clone()), (&before.flash, before.state["fuses"].clone()));
    home.run(&write).exits(0);
}

/// The same two parts: pages of the wrong size spoil what is there, and the failed verify names the command that brings it back.
#[test]
fn a_job_that_wrote_pages_of_another_parts_size_is_undone_by_the_command_that_it_names() {
    let home = Home::new();
    home.run("sim new seed --board generic-ata6285").exits(0);
    let image = |name: &str, fill: u8| home.file(name, &[&[0x01, 0xC0, 0x00, 0x00, 0xF8, 0x94][..], &[fill; 600][..]].concat());
    let write = |image: std::path::PathBuf| format!("write {} --at 0 --via sim:seed --yes", image.display());
    home.run(&write(image("seed.bin", 0x5A))).exits(0);
    let before = now(&home, "seed");
    let spoils = format!("{} --board generic-at90usb82", write(image("other.bin", 0xA5)));
    let undo = "undo 2 --board generic-ata6285 --via sim:seed --resume none";
    home.run(&spoils).exits(1).says("an ATA6285 has the ID of the AT90USB82").says(&format!("farrier {undo}"));
    assert_ne!(now(&home, "seed").flash, before.flash);
    home.run(&format!("{undo} --yes --accept another-boards-snapshot")).exits(0);
    let after = now(&home, "seed");
    assert_eq!((&after.flash, after.state["fuses"].clone()), (&before.flash, before.state["fuses"].clone()));
}
