//! The disk is full at any write of a snapshot or of the journal, for the program as users run it. `full_disk.c` stands for the full disk.

use super::{Held, Home};
use farrier::record::{Journal, Snapshots};
use farrier::sim::Sim;
use std::path::{Path, PathBuf};
use std::process::Command;
use tempfile::TempDir;

const COMMAND: &str = "loader install --via sim:frost --yes --tag 7";

/// Builds what is loaded before the C library.
fn shim(folder: &Path) -> PathBuf {
    let (source, built) = (Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/cli/full_disk.c"), folder.join("full_disk.so"));
    let flags = ["-std=c11", "-Wall", "-Wextra", "-Werror", "-O1", "-shared", "-fPIC", "-o"];
    let done = Command::new("cc").args(flags).arg(&built).arg(&source).arg("-ldl").status().expect("a C compiler, which the build needs");
    assert!(done.success());
    built
}

/// A frost controller in use, without its loader.
fn used_board(home: &Home) {
    home.run("sim new frost --board frost").exits(0);
    let store = farrier::sim::Store::open(home.path().join("sims"), farrier::board::Catalog::built_in());
    let open = store.open_sim("frost").expect("the sim");
    fill(open.sim());
    open.sync().expect("saved");
}

fn fill(sim: &Sim) {
    sim.edit(|contents| {
        contents.fuses[0] = 0xE2;
        contents.flash[..0x300].iter_mut().zip((0..=255u8).cycle()).for_each(|(cell, n)| *cell = n ^ 0x5A);
        contents.eeprom[..64].iter_mut().zip((0..=255u8).cycle()).for_each(|(cell, n)| *cell = n);
    });
}

/// What the silicon holds; the rest of the state counts operations.
fn silicon(held: &Held) -> (&[u8], &[u8], [u8; 3], u8) {
    (&held.flash, &held.eeprom, held.fuses(), held.lock())
}

/// Every snapshot can be read, nothing lies there half-written, and the journal can be read.
fn records_are_whole(home: &Home) {
    let root = home.path().join("snapshots");
    let snapshots = Snapshots::open(&root);
    for listed in snapshots.list().expect("a list") {
        snapshots.load(listed.name.as_str()).expect("a whole snapshot");
    }
    let names = std::fs::read_dir(&root).into_iter().flatten().flatten().map(|entry| entry.file_name());
    assert!(names.into_iter().all(|name| !name.to_string_lossy().starts_with(".unfinished")));
    if let Some(journal) = Journal::open_existing(home.path().join("journal.sqlite")).expect("it opens") {
        journal.jobs().expect("it is read");
    }
}

/// How far one write is from the next that fails: what the environment says, or this.
fn step() -> usize {
    let asked = std::env::var("FARRIER_FULL_STEP").ok();
    asked.map_or(29, |step| step.parse().expect("FARRIER_FULL_STEP is a number from 1 on"))
}

#[test]
fn at_every_write_of_the_records() {
    let built = TempDir::new().expect("a folder");
    let shim = shim(built.path());
    let home = Home::new();
    used_board(&home);
    let before = home.export("frost");
    let whole = home.copy();
    whole.run(COMMAND).exits(0);
    let wanted = whole.export("frost");
    let (mut full, mut untouched) = (0, 0);
    for after in (0..).step_by(step()) {
        let home = home.copy();
        let mut limited = home.command();
        limited.env("LD_PRELOAD", &shim).env("FULL_AFTER", after.to_string()).args(COMMAND.split_whitespace());
        let ran = super::Ran::of(COMMAND, &limited.output().expect("it starts"));
        if ran.code == 0 {
            break;
        }
        full += 1;
        let now = home.export("frost");
        records_are_whole(&home);
        let said_so = ran.err.contains("Nothing was changed");
        assert_eq!(said_so, silicon(&now) == silicon(&before), "after {after} writes: {}", ran.err);
        assert!(said_so || ran.err.contains("is unfinished"), "after {after} writes: {}", ran.err);
        let told = ["No space left on device", "disk is full", "unable to open database file"];
        let flat = ran.err.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(told.iter().any(|told| flat.contains(told)), "after {after} writes: {}", ran.err);
        untouched += u32::from(said_so);
        // With room again the same command goes on.
        home.run(COMMAND).exits(0);
        assert_eq!(silicon(&home.export("frost")), silicon(&wanted), "after {after} writes");
        assert_eq!(now.violations(), 0);
    }
    println!("the disk was full at {full} of the writes; {untouched} times before the chip was touched");
    assert!(full as usize * step() > 200 && untouched > 0 && untouched < full, "{full}, {untouched}");
}
