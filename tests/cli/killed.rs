//! The program is killed (SIGKILL) at any moment of its jobs, over a serial port: records can always be read, and the same command goes on.

use super::Home;
use super::served::Serving;
use farrier::board::Catalog;
use farrier::record::{JobRecord, Journal, SnapshotName, Snapshots};
use farrier::sim::Store;
use std::collections::BTreeSet;
use std::process::Stdio;
use std::time::Instant;

const SEED: u64 = 11;
const JOBS: [&str; 2] = ["loader install", "loader remove --accept loader-removed"];

/// How often: what the environment says, or this.
fn kills() -> u32 {
    let asked = std::env::var("FARRIER_KILLS").ok();
    asked.map_or(12, |kills| kills.parse().expect("FARRIER_KILLS is a number"))
}

fn line(job: usize, via: &str) -> String {
    format!("{} --via {via} --board frost --yes --tag 7", JOBS[job])
}

/// Every record can be read now; those that were read before stay as they are, so only new ones are.
fn records_are_whole(home: &Home, known: &mut BTreeSet<SnapshotName>) {
    let path = home.path().join("journal.sqlite");
    if let Some(journal) = Journal::open_existing(&path).expect("it opens") {
        // One that had changed nothing is not gone on from.
        let begun = |record: &JobRecord| record.plan.steps().iter().take(record.job.steps.len()).any(|step| step.kind.changes_board());
        assert!(journal.unfinished(&[]).expect("it is read").iter().filter(|record| begun(record)).count() <= 1);
        let raw = rusqlite::Connection::open(&path).expect("it opens");
        let verdict: String = raw.query_row("pragma integrity_check", [], |row| row.get(0)).expect("a verdict");
        assert_eq!(verdict, "ok");
    }
    let snapshots = Snapshots::open(home.path().join("snapshots"));
    for listed in snapshots.list().expect("a list") {
        if known.insert(listed.name.clone()) {
            let loaded = snapshots.load(listed.name.as_str()).expect("a whole snapshot");
            assert!(loaded.head.is_complete());
        }
    }
}

#[test]
fn killed_at_any_moment_records_are_whole_and_the_same_command_goes_on() {
    let home = Home::new();
    home.run("sim new bench --board frost").exits(0);
    let open = Store::open(home.path().join("sims"), Catalog::built_in()).open_sim("bench").expect("the sim");
    let mut application: Vec<u8> = (0..0x300u16).map(|n| (n * 7 % 251) as u8).collect();
    // A jump, as programs begin with.
    application[..4].copy_from_slice(&[0x0C, 0x94, 0x34, 0x00]);
    open.sim().edit(|contents| {
        contents.fuses[0] = 0xE2;
        contents.flash[..application.len()].copy_from_slice(&application);
        contents.eeprom[..64].fill(0x5A);
    });
    open.sync().expect("saved");
    drop(open);
    let serving = Serving::start(&home, "bench", "--pty");
    let (mut random, mut known) = (fastrand::Rng::with_seed(SEED), BTreeSet::new());
    let begun = Instant::now();
    home.run(&line(0, &serving.via)).exits(0);
    let whole = begun.elapsed();
    let (mut job, mut killed) = (1, 0);
    for _ in 0..kills() {
        let mut command = home.command();
        command.args(line(job, &serving.via).split_whitespace()).stdout(Stdio::null()).stderr(Stdio::piped());
        let mut process = command.spawn().expect("it starts");
        std::thread::sleep(whole.mul_f64(random.f64() * 1.05));
        process.kill().expect("it is killed");
        let ended = process.wait_with_output().expect("it ends");
        match ended.status.code() {
            // It was faster; the other job is next.
            Some(0) => job = 1 - job,
            Some(code) => panic!("seed {SEED}: {} ended with {code}: {}", JOBS[job], String::from_utf8_lossy(&ended.stderr)),
            None => killed += 1,
        }
        records_are_whole(&home, &mut known);
    }
    println!("killed {killed} times in {} runs, a run being {whole:?}; {} snapshots", kills(), known.len());
    home.run(&line(job, &serving.via)).exits(0);
    if job == 1 {
        home.run(&line(0, &serving.via)).exits(0);
    }
    records_are_whole(&home, &mut known);
    drop(serving);
    let left = std::fs::read_dir(home.path().join("snapshots")).expect("the folder").flatten();
    assert!(left.into_iter().all(|entry| !entry.file_name().to_string_lossy().starts_with(".unfinished")));
    let held = home.export("bench");
    assert_eq!(held.flash[..application.len()], application);
    assert_eq!(held.eeprom[..64], [0x5A; 64]);
    home.run("inspect --via sim:bench").exits(0).says("serial-frost, every byte as built in");
    assert!(killed * 2 >= kills(), "{killed} of {}", kills());
}
