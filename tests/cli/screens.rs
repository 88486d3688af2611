//! Every command says something useful, in text and in JSON, and shows an example in its help.

use super::Home;
use super::loader::demo_application;

const COMMANDS: &[&str] = &[
    "",
    "inspect",
    "loader install",
    "loader remove",
    "write",
    "verify",
    "configure",
    "revive",
    "snapshot take",
    "snapshot list",
    "snapshot show",
    "boards",
    "boards show",
    "boards check",
    "bridges",
    "bridges make",
    "connections",
    "journal",
    "journal close",
    "explain",
    "sim new",
    "sim list",
    "sim reset",
    "sim damage",
    "sim repair",
    "sim export",
    "sim serve",
    "completions",
    "man-pages",
];

#[test]
fn every_help_has_an_example() {
    let home = Home::new();
    for command in COMMANDS {
        home.run(&format!("{command} --help")).exits(0).says("Example: farrier");
    }
}

#[test]
fn every_listing_works_in_an_empty_home_and_ends_with_a_command() {
    let home = Home::new();
    for line in ["", "boards", "bridges", "sim list", "snapshot list", "journal", "explain", "boards show vent"] {
        let ran = home.run(line);
        ran.exits(0).says("farrier ");
        let json = home.run(&format!("{line} --json"));
        json.exits(0);
        assert!(json.json()["version"].is_u64(), "{line}: {}", json.out);
    }
    assert!(std::fs::read_dir(home.path()).expect("the home").next().is_none(), "looking leaves no trace");
}

#[test]
fn a_whole_walk() {
    let home = Home::new();
    let image = home.file("vent.hex", demo_application("vent"));
    let image = image.display();
    home.run("inspect --via sim:vent").exits(0).says("as shipped").says("Next: farrier loader install --via sim:vent");
    home.run("loader install --via sim:vent --yes").exits(0);
    home.run(&format!("write {image} --via sim:vent --yes")).exits(0).says(&format!("Next: farrier verify {image} --via sim:vent"));
    home.run(&format!("verify {image} --via sim:vent")).exits(0).says("The flash holds");
    home.run("inspect --via sim:vent").exits(0).says("serial-vent, every byte as built in");
    home.run("configure brown-out=below-2v7 --via sim:vent --yes").exits(0);
    let taken = home.run("snapshot take --via sim:vent --tag 7 --json");
    taken.exits(0);
    assert_eq!(taken.json()["snapshot"]["tag"], "7");
    home.run("snapshot list").exits(0).says("sim:vent");
    home.run("journal").exits(0).says("finished");
    home.run(&format!("inspect {image} --board vent")).exits(0).says("CRC-32");
}
