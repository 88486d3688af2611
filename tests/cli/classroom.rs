//! For a class: boards whose fault is not told, files to hand in, images to practise with.

use super::Home;
use farrier::sim::BRICKED;

#[test]
fn a_surprise_is_not_told_until_it_is_revealed() {
    let home = Home::new();
    home.run("sim new bench --board vent --bricked surprise --seed 4").exits(0).says("is not told");
    let list = home.run("sim list");
    let revealed = home.run("sim reveal bench");
    let kind = BRICKED.iter().find(|kind| revealed.out.contains(&format!("bricked as {}. ", kind.name))).expect("a kind");
    revealed.exits(0).says(kind.sentence);
    assert!(!list.out.contains(kind.name), "{}", list.out);
    home.run("sim new plain --board vent").exits(0);
    home.run("sim reveal plain").exits(0).says("was not bricked");
    home.run("sim reveal nobody").exits(2);
}

#[test]
fn a_class_gets_files_and_hands_them_in() {
    let home = Home::new();
    home.run("sim class 6 monday --seed 7").exits(0).says("6 boards are in monday").says("keep that one back");
    let answers = std::fs::read_to_string(home.path().join("monday/answers.txt")).expect("the sheet");
    for n in 1..=6 {
        let board = format!("board-{n:03}");
        let line = answers.lines().find(|line| line.starts_with(&board)).expect("its answer");
        let kind = home.run(&format!("sim reveal ./monday/{board}.sim --json")).json()["bricked"].as_str().expect("a kind").to_owned();
        assert!(line.contains(&kind), "{line}");
    }
    let again = home.run("sim class 6 monday --seed 7");
    again.exits(2).says("there is a class in monday already");
    home.run("sim class 6 tuesday --seed 7").exits(0);
    let sheets = ["monday", "tuesday"].map(|day| std::fs::read_to_string(home.path().join(day).join("answers.txt")).expect("a sheet"));
    assert_eq!(sheets[0], sheets[1], "the same seed makes the same class");
}

#[test]
fn a_file_that_was_handed_over_is_a_board_like_any_other() {
    let home = Home::new();
    home.run("sim new ./mine.sim --board vent").exits(0);
    home.run("loader install --via sim:./mine.sim --yes").exits(0);
    home.run("write demo:vent-1 --via sim:./mine.sim --yes").exits(0);
    let handed_in = Home::new();
    std::fs::copy(home.path().join("mine.sim"), handed_in.path().join("mine.sim")).expect("a copy");
    handed_in.run("verify demo:vent-1 --via sim:./mine.sim").exits(0).says("The flash holds demo:vent-1");
    assert!(!home.path().join("mine.sim.changes").exists(), "all of it is in the file");
    home.run("inspect --via sim:./nothing.sim").exits(2).says("there is no sim './nothing.sim'");
}

#[test]
fn images_to_practise_with_are_taken_or_refused_for_what_they_are() {
    let home = Home::new();
    for board in ["vent", "pump", "frost"] {
        home.run(&format!("loader install --via sim:{board} --yes")).exits(0);
        home.run(&format!("write demo:{board}-1 --via sim:{board} --yes")).exits(0);
        home.run(&format!("verify demo:{board}-1 --via sim:{board}")).exits(0);
        home.run(&format!("write demo:{board}-too-big --via sim:{board} --yes")).exits(3).says("image-overlaps-loader");
        home.run(&format!("write demo:{board}-wrong-offset --via sim:{board} --yes")).exits(3).says("image-may-not-start");
        home.run(&format!("verify demo:{board}-wrong-offset --via sim:{board}")).exits(1).says("0x800 bytes further down");
    }
    home.run("write demo:vent-9 --via sim:vent --yes").exits(2).says("demo:vent-1, demo:vent-too-big");
}
