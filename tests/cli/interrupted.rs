//! Jobs that are cut, and the same command again.

use super::loader::demo_application;
use super::{Held, Home};
use farrier::board::Catalog;
use farrier::sim::Store;

/// A board with an application, an EEPROM full of settings and lock bits in mode 2, as somebody would bring it.
fn worn_board(home: &Home, sim: &str) -> Held {
    home.run(&format!("sim new {sim} --board vent")).exits(0);
    let application = home.file("application.hex", demo_application("vent"));
    home.run(&format!("write {} --via sim:{sim} --yes", application.display())).exits(0);
    let settings: Vec<u8> = (0..4096u32).map(|n| (n * 7 + 3) as u8).collect();
    let store = Store::open(home.path().join("sims"), Catalog::built_in());
    let open = store.open_sim(sim).expect("the sim is there");
    open.sim().edit(|contents| contents.eeprom.copy_from_slice(&settings));
    open.sync().expect("it is saved");
    drop(open);
    home.run(&format!("sim damage {sim} locked-chip=2")).exits(0);
    let held = home.export(sim);
    assert_eq!(held.eeprom, settings);
    assert_eq!(held.lock() & 0b11, 0b10, "mode 2");
    held
}

/// The home after an install that a power cut stopped right after the chip erase. Later and later cuts are tried, each on a copy.
fn cut_after_the_erase(home: &Home, sim: &str, tag: &str) -> Home {
    for operations in (1..).map(|n| n * 4) {
        let cut = home.copy();
        cut.run(&format!("sim damage {sim} power-cut={operations}")).exits(0);
        let ran = cut.run(&format!("loader install --via sim:{sim} --yes {tag}"));
        cut.run(&format!("sim repair {sim}")).exits(0);
        assert_ne!(ran.code, 0, "no cut fell right after the erase");
        let held = cut.export(sim);
        if held.flash.iter().all(|byte| *byte == 0xFF) {
            assert!(held.eeprom.iter().all(|byte| *byte == 0xFF), "the erase took the EEPROM");
            return cut;
        }
    }
    unreachable!("the loop ends by a cut that comes too late")
}

fn same_command_again_restores(tag: &str, answer: &str) {
    let home = Home::new();
    let before = worn_board(&home, "bench");
    let home = cut_after_the_erase(&home, "bench", tag);
    if !answer.is_empty() {
        let asked = home.run(&format!("loader install --via sim:bench --yes {tag}"));
        asked.exits(3).says("--resume none").says(answer);
    }
    home.run(&format!("loader install --via sim:bench --yes {tag} {answer}")).exits(0);
    let after = home.export("bench");
    assert_eq!(after.flash[..0x1F800], before.flash[..0x1F800], "the application is as before the first run");
    assert_eq!(after.eeprom, before.eeprom, "the settings are as before the first run");
    assert_eq!(after.lock() & 0b1111, before.lock() & 0b1111, "LB and BLB0 are as before the first run");
    assert_eq!(after.lock() & 0b11_0000, 0b10_0000, "BLB1 protects the loader, as the board file asks");
    assert_eq!(after.violations(), 0);
}

#[test]
fn a_tagged_board_cut_after_the_erase_gets_everything_back() {
    same_command_again_restores("--tag 1187", "");
}

#[test]
fn an_untagged_board_cut_after_the_erase_gets_everything_back_once_the_question_is_answered() {
    same_command_again_restores("", "--resume 2");
}

#[test]
fn a_new_blank_board_in_between_is_not_given_the_old_ones_contents() {
    for (tag, other) in [("--tag 1187", "--tag 1188"), ("", "--resume none")] {
        let home = Home::new();
        let before = worn_board(&home, "bench");
        let home = cut_after_the_erase(&home, "bench", tag);
        // The same chip type, and by chance the same calibration byte: nothing tells it from the erased one.
        home.run("sim new fresh --board vent").exits(0);
        if tag.is_empty() {
            let asked = home.run("loader install --via sim:fresh --yes");
            asked.exits(3).says("--resume none");
        }
        home.run(&format!("loader install --via sim:fresh --yes {other}")).exits(0);
        let fresh = home.export("fresh");
        assert!(fresh.flash[..0x1F800].iter().all(|byte| *byte == 0xFF), "no old application on the new board");
        assert!(fresh.eeprom.iter().all(|byte| *byte == 0xFF), "no old settings on the new board");
        let answer = if tag.is_empty() { "--resume 2" } else { "" };
        home.run(&format!("loader install --via sim:bench --yes {tag} {answer}")).exits(0);
        assert_eq!(home.export("bench").eeprom, before.eeprom, "the old board still gets its own back");
    }
}

/// The last command that a stopped one printed for the user to paste.
fn pasted(ran: &super::Ran) -> &str {
    let mut commands = ran.err.lines().filter_map(|line| line.strip_prefix("  farrier "));
    commands.next_back().expect("a command to paste")
}

/// As [`cut_after_the_erase`], with a power cut at this operation of this command.
fn cut_at(home: &Home, operation: u32, command: &str) -> super::Ran {
    home.run(&format!("sim damage bench power-cut={operation}")).exits(0);
    home.run(command)
}

/// The operation at which a power cut finds the chip erased and nothing written back yet.
fn operation_after_the_erase(home: &Home, command: &str) -> u32 {
    let blank = |held: &Held| held.flash.iter().chain(&held.eeprom).all(|byte| *byte == 0xFF);
    let cut = |operation: &u32| {
        let home = home.copy();
        let ran = cut_at(&home, *operation, command);
        assert_ne!(ran.code, 0, "no cut fell right after the erase");
        blank(&home.export("bench"))
    };
    (1..).map(|n| n * 4).find(cut).expect("the loop ends by a cut that comes too late")
}

#[test]
fn an_answer_given_before_a_cut_is_not_taken_for_one_about_the_cut_job() {
    let home = Home::new();
    let before = worn_board(&home, "bench");
    let command = "loader install --via sim:bench --yes --resume none";
    let operation = operation_after_the_erase(&home, command);
    let stopped = cut_at(&home, operation, command);
    // The same line from the shell's history: what the cut job has left behind is not what is to be kept.
    home.run(command).exits(3).says("--resume 2").says("farrier journal close 2");
    // What was printed goes on, even after another cut.
    let again = cut_at(&home, operation + 12, pasted(&stopped));
    assert_ne!(again.code, 0, "the second cut came too late");
    home.run(pasted(&again)).exits(0);
    let after = home.export("bench");
    assert!(after.flash[..0x1F800] == before.flash[..0x1F800], "the application is as before the first run");
    assert!(after.eeprom == before.eeprom, "the settings are as before the first run");
}

#[test]
fn a_sister_board_with_the_same_firmware_is_not_given_the_settings_of_one_that_lost_its_supply_at_the_erase() {
    let home = Home::new();
    worn_board(&home, "bench");
    worn_board(&home, "sister");
    let store = Store::open(home.path().join("sims"), Catalog::built_in());
    let open = store.open_sim("sister").expect("the sim is there");
    open.sim().edit(|contents| contents.eeprom[64..128].fill(0x55));
    open.sync().expect("it is saved");
    drop(open);
    let own = home.export("sister");
    let erased = operation_after_the_erase(&home, "loader install --via sim:bench --yes");
    for operation in erased - 16..=erased {
        let home = home.copy();
        assert_ne!(cut_at(&home, operation, "loader install --via sim:bench --yes").code, 0);
        home.run("loader install --via sim:sister --yes");
        assert!(home.export("sister").eeprom == own.eeprom, "cut at operation {operation}: its own settings");
    }
}

#[test]
fn an_empty_tag_is_no_tag() {
    // As `--tag "$NUMBER"` gives it where the variable is not set: it would make all boards one.
    let home = Home::new();
    home.run("loader install --via sim:vent --yes --tag=").exits(2).says("leave --tag out");
    assert!(!home.path().join("sims").exists(), "nothing was begun");
}

/// The supply went when all was written and the job not yet over: the same command has nothing left to do, and says so.
#[test]
fn a_job_of_which_nothing_is_left_is_ended_with_a_sentence() {
    let home = Home::new();
    home.run("sim new bench --board frost").exits(0);
    let line = "configure brown-out=below-2v7 --via sim:bench --tag bed-4 --yes";
    // Later and later cuts are tried, each on a copy.
    let home = (1..)
        .map(|n| {
            let cut = home.copy();
            cut.run(&format!("sim damage bench power-cut={}", n * 4)).exits(0);
            cut.run(line).exits(4);
            cut
        })
        .find(|cut| cut.export("bench").state["fuses"]["extended"] == 0xFD)
        .expect("a cut after the write");
    home.run("sim repair bench").exits(0);
    home.run(&format!("{line} --dry-run")).exits(0).says("Plan: nothing is left to do");
    let ended = home.run(line);
    ended.exits(0).says("Plan: nothing is left to do").says("which ends job 1; nothing was left to do");
    assert!(!ended.out.contains("0 steps") && !ended.out.contains("planned: -"), "{}", ended.out);
    home.run("journal --unfinished --json").exits(0);
    home.run(line).exits(0).says("so already");
}
