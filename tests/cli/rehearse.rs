//! `--rehearse`: the job on a simulated board first, and what a user sees of it.

use super::Home;
use super::loader::demo_application;

#[test]
fn a_job_is_rehearsed_with_cuts_and_then_done() {
    let home = Home::new();
    let image = home.file("frost.hex", demo_application("frost"));
    home.run(&format!("write {} --via sim:frost --yes", image.display())).exits(0);
    let before = home.export("frost");
    let rehearsed = home.run("loader install --via sim:frost --rehearse --dry-run");
    rehearsed.exits(0).says("Rehearsed on a simulated board").says("each ended in the desired state").says("This was a dry run");
    let untouched = home.export("frost");
    assert_eq!(
        (untouched.flash, untouched.eeprom, untouched.state["fuses"].clone()),
        (before.flash, before.eeprom, before.state["fuses"].clone())
    );
    let names = home.run("sim list --json").json()["sims"].as_array().expect("a list").len();
    assert_eq!(names, 1, "no other sim is left behind");
    assert_eq!(home.run("journal --json").json()["jobs"].as_array().expect("a list").len(), 1, "a rehearsal is no job");

    let done = home.run("loader install --via sim:frost --rehearse --yes --json");
    done.exits(0);
    let cuts = done.json()["rehearsed"]["cuts"].as_u64().expect("a number");
    // 14 steps, of which the last two change nothing that a cut could find unfinished.
    assert!((20..=30).contains(&cuts), "{cuts}");
    home.run("inspect --via sim:frost").exits(0).says("serial, every byte as built in");
}

/// Of this the simulated board knows what would happen: after the change nothing runs the chip.
#[test]
fn a_rehearsal_that_fails_stops_the_command() {
    let home = Home::new();
    home.run("inspect --via sim:frost").exits(0);
    let before = home.export("frost");
    let command = "configure clock=external --via sim:frost --accept clock-missing --accept clock-source-changed --yes";
    let stopped = home.run(&format!("{command} --rehearse"));
    stopped.exits(3).says("the rehearsal failed, so nothing was changed: the job without a cut");
    assert_eq!(home.export("frost").fuses(), before.fuses());
    home.run("journal").exits(0).says("The journal is empty");
    // What it said would happen is what happens.
    home.run(command).exits(4);
}

#[test]
fn a_job_that_goes_on_is_rehearsed_from_its_own_baseline() {
    let home = Home::new();
    let image = home.file("frost.hex", demo_application("frost"));
    home.run(&format!("write {} --via sim:frost --yes", image.display())).exits(0);
    home.run("loader install --via sim:frost --yes --tag 7").exits(0);
    let command = "loader remove --via sim:frost --yes --tag 7 --accept loader-removed";
    let operations = |home: &Home| home.export("frost").state["operations"].as_u64().expect("a count");
    let (copy, begun) = (home.copy(), operations(&home));
    copy.run(command).exits(0);
    let cut = (operations(&copy) - begun) * 2 / 3;
    home.run(&format!("sim damage frost power-cut={cut}")).exits(0);
    home.run(command).exits(4).says("is unfinished");
    let again = home.run(&format!("{command} --rehearse"));
    again.exits(0).says("Goes on").says("Rehearsed on a simulated board").says("Done.");
    let held = home.export("frost").flash;
    assert!(held[0x7C00..].iter().all(|byte| *byte == 0xFF) && held[..0x100].iter().any(|byte| *byte != 0xFF));
}

#[test]
fn without_a_board_there_is_nothing_to_rehearse() {
    let home = Home::new();
    home.run("loader install --board vent --on factory --rehearse").exits(2).says("--on plans without one");
}
