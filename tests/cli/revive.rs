//! `farrier revive` as a user types it: the rungs, the diagnosis, the plan or the honest sentence, the exit code.

use super::Home;
use super::loader::demo_application;

/// A vent with loader and application, as its owner has it.
fn used(home: &Home) {
    home.file("vent.hex", demo_application("vent"));
    home.run("sim new v --board vent").exits(0);
    home.run("loader install --with vent.hex --via sim:v --yes").exits(0);
}

fn kinds(document: &serde_json::Value) -> Vec<String> {
    let causes = document["diagnosis"]["causes"].as_array().expect("causes");
    causes.iter().map(|cause| cause["kind"].as_str().expect("a kind").to_owned()).collect()
}

#[test]
fn a_new_chip_is_no_patient() {
    let home = Home::new();
    let ran = home.run("revive --via sim:vent");
    ran.exits(0).says("as-shipped").says("Next: farrier loader install --via sim:vent").says("erases nothing without consent");
}

/// A loader and an application were put on a new board, and its firmware has stored nothing yet.
#[test]
fn a_new_board_without_settings_is_not_ill() {
    let home = Home::new();
    used(&home);
    let ran = home.run("revive --via sim:v");
    ran.exits(0).says("holds exactly what job 1 left").says("There are none yet").says("nothing-wrong");
}

/// The job that was cut off was this very command, so its end is what --to says, and nothing is left to do.
#[test]
fn the_same_command_again_after_a_cut_leaves_nothing_to_do() {
    let home = Home::new();
    used(&home);
    home.file("seedlings.bin", &[&[0x0C, 0x94, 0x40, 0x00][..], &[0x5A; 3000][..]].concat());
    home.run("sim damage v power-cut=250").exits(0);
    let revive = "revive --to seedlings.bin --at 0 --via sim:v --yes";
    home.run(revive).exits(4).says("Job 2 is unfinished. The same command goes on from there:");
    home.run("sim repair v").exits(0);
    let ran = home.run(revive);
    ran.exits(0).says("The plan carries job 2 to its end.").says("Done.");
    assert!(!ran.out.contains("Left "), "{}", ran.out);
    assert_eq!(home.run("verify seedlings.bin --at 0 --via sim:v").code, 0);
}

/// What a job left is known without a tag, and by the tag its snapshot is.
#[test]
fn a_board_is_known_by_what_a_job_left() {
    let home = Home::new();
    home.run("sim new v --board vent --bricked bypassed-loader --seed 3").exits(0);
    home.run("revive --via sim:v --tag 1187 --yes").exits(0).says("Done.");
    home.run("revive --via sim:v")
        .exits(0)
        .says("holds exactly what job 1 left: tag 1187")
        .says("There is no snapshot that is known to be this board's");
    // What was kept before the repair holds the fault; this one does not.
    home.run("snapshot take --via sim:v --tag 1187").exits(0);
    let ran = home.run("revive --via sim:v");
    ran.exits(0).says("holds exactly what job 1 left: tag 1187").says("because its tag is 1187").says("nothing-wrong");
}

/// Nothing changes without the consent, and all of the plan with it.
fn asks_before_it_takes_back(home: &Home, job: &str) {
    let before = home.export("v");
    let ran = home.run("revive --via sim:v --yes");
    ran.exits(3).says(&format!("{job} left this board as it is")).says("is no damage").says("--accept takes-back-a-job");
    let after = home.export("v");
    assert_eq!((&after.flash, after.fuses(), after.lock()), (&before.flash, before.fuses(), before.lock()));
    home.run("revive --via sim:v --yes --accept takes-back-a-job").says("Done.");
    let mended = home.export("v");
    assert_ne!((&mended.flash, mended.fuses()), (&before.flash, before.fuses()));
}

#[test]
fn a_board_that_was_put_back_to_as_shipped_on_purpose_may_stay_so() {
    let home = Home::new();
    home.run("sim new v --board vent").exits(0);
    let taken = home.run("snapshot take --via sim:v --json").json();
    let shipped = taken["name"].as_str().expect("its name");
    home.file("vent.hex", demo_application("vent"));
    home.run("loader install --with vent.hex --via sim:v --yes").exits(0);
    let fitted = home.export("v");
    let accepts = "--accept loader-removed --accept reset-into-empty-flash --accept clock-source-changed";
    home.run(&format!("restore {shipped} --via sim:v --yes {accepts}")).exits(0);
    // Whoever says what should be there has asked for it.
    home.run("revive --to vent.hex --via sim:v --dry-run").exits(0);
    home.run("revive --via sim:v").says("Flash and EEPROM are blank, and the board holds exactly what job 2 left; in 2");
    asks_before_it_takes_back(&home, "Job 2");
    assert_eq!(home.export("v").flash, fitted.flash);
}

#[test]
fn a_configuration_that_was_chosen_is_not_taken_back_unasked() {
    let home = Home::new();
    used(&home);
    home.run("configure watchdog=always-on --via sim:v --yes --accept watchdog-must-be-fed").exits(0);
    home.run("revive --via sim:v").says("The plan takes back: configuration (watchdog). Accept");
    asks_before_it_takes_back(&home, "Job 2");
}

/// The job left the clock as it was, so the clock was not its choice.
#[test]
fn what_no_job_chose_is_mended_unasked() {
    let home = Home::new();
    home.run("sim new v --board vent").exits(0);
    home.file("vent.hex", demo_application("vent"));
    home.run("write vent.hex --via sim:v --yes").exits(0);
    home.run("revive --via sim:v").exits(3).says("holds exactly what job 1 left").says("clock-slow");
    home.run("revive --via sim:v --yes").exits(0).says("Done.");
}

/// Damage to a board that a job had left is no choice of that job.
#[test]
fn damage_since_the_last_job_is_mended_unasked() {
    let home = Home::new();
    used(&home);
    home.run("configure brown-out=below-2v7 --via sim:v --yes").exits(0);
    home.run("sim damage v lost-clock").exits(0);
    home.run("revive --via sim:v --yes").says("Done.").says("sets clock to crystal-8-to-16-mhz");
}

#[test]
fn a_silent_chip_is_told_with_all_that_it_can_be_and_what_tells_it_apart() {
    let home = Home::new();
    used(&home);
    home.run("sim damage v open-miso").exits(0);
    let before = home.export("v");
    let ran = home.run("revive --via sim:v");
    ran.exits(4)
        .says("no-answer")
        .says("a meter from plug to chip pin")
        .says("high-voltage programmer")
        .says("A new chip is the only help");
    let json = home.run("revive --via sim:v --json");
    json.exits(4);
    let document = json.json();
    assert_eq!(document["result"], "no-plan");
    assert_eq!(kinds(&document), ["no-answer"]);
    // A wire, the programming header, a dead chip: the clock was fed, and 5 V is well above the highest brown-out level.
    assert_eq!(document["diagnosis"]["causes"][0]["could_be"].as_array().map(Vec::len), Some(3));
    assert_eq!(home.run("revive --via sim:v").code, 4);
    let after = home.export("v");
    assert_eq!((before.flash, before.eeprom, before.state["fuses"].clone()), (after.flash, after.eeprom, after.state["fuses"].clone()));
}

#[test]
fn a_lost_clock_is_found_with_the_clock_output_and_set_right() {
    let home = Home::new();
    used(&home);
    home.run("sim damage v lost-clock").exits(0);
    home.run("revive --via sim:v --dry-run")
        .exits(0)
        .says("no-clock")
        .says("sets clock to crystal-8-to-16-mhz")
        .says("nothing was changed");
    home.run("revive --via sim:v").exits(3).says("--yes");
    home.run("revive --via sim:v --yes").says("Done.");
    let again = home.run("revive --via sim:v --json");
    assert_eq!(kinds(&again.json()), Vec::<String>::new(), "{}", again.out);
}

#[test]
fn one_step_tells_one_rung_and_the_command_for_the_next() {
    let home = Home::new();
    let first = home.run("revive --one-step --via sim:vent");
    first.exits(0).says("Is the bridge there?").says("Next: farrier revive --one-step --via sim:vent --rung 2");
    assert!(!first.out.contains("Is the supply right?"), "{}", first.out);
    home.run("revive --one-step --via sim:vent --rung 2").exits(0).says("Is the supply right?").says("--rung 3");
    home.run("revive --one-step --via sim:vent --rung 99").exits(0).says("Are the settings there?").says("That was the last rung");
}

#[test]
fn a_command_that_gets_no_answer_names_revive() {
    let home = Home::new();
    used(&home);
    home.run("sim damage v open-miso").exits(0);
    home.run("inspect --via sim:v").exits(4).says("farrier revive --via sim:v");
    home.run("write vent.hex --via=sim:v --board vent").exits(4).says("farrier revive --via=sim:v --board vent");
}

#[test]
fn a_supply_that_keeps_the_bridge_from_driving_is_a_diagnosis() {
    let home = Home::new();
    home.run("sim new w --board vent --bricked weak-supply").exits(0);
    let told = home.run("revive --via sim:w");
    told.exits(3).says("wrong-supply").says("Not driven").says("farrier sim repair w").says("farrier revive --via sim:w");
    assert!(!told.out.contains("levels-shifted") && !told.err.contains("farrier connections"), "{}{}", told.out, told.err);
    let json = home.run("revive --via sim:w --json");
    json.exits(3);
    assert_eq!(kinds(&json.json()), ["wrong-supply"]);
}

#[test]
fn no_bridge_is_the_first_rung() {
    let home = Home::new();
    home.run("revive --board vent --via /dev/does-not-exist").exits(4).says("Is the bridge there?").says("bridge-silent");
    let json = home.run("revive --board vent --via /dev/does-not-exist --json");
    json.exits(4);
    assert_eq!(kinds(&json.json()), ["bridge-silent"]);
}
