//! The program is killed (SIGKILL) at any moment of its jobs, over a serial port: records can always be read, and the same command goes on.

use super::Home;
use super::served::{Serving, fast_frost};
use farrier::board::Catalog;
use farrier::record::{End, JobId, JobRecord, Journal, SnapshotName, Snapshots};
use farrier::sim::Store;
use std::collections::BTreeSet;
use std::process::Stdio;
use std::time::Instant;

const SEED: u64 = 11;
const JOBS: [&str; 2] = ["loader install", "loader remove --accept loader-removed"];

/// How many times it is killed while it runs: what the environment says, or this.
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
    let (mut job, mut killed, mut runs) = (1, 0, 0);
    while killed < kills() {
        runs += 1;
        assert!(runs <= 3 * kills() + 10, "seed {SEED}: killed {killed} times in {runs} runs");
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
    println!("killed {killed} times in {runs} runs, a run being {whole:?}; {} snapshots", known.len());
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
    home.run("inspect --via sim:bench").exits(0).says("serial, every byte as built in");
}

/// Begins an install and kills it once the journal has a job of its that is as `wanted`; `None` where it was faster than that.
fn killed_when(home: &Home, via: &str, wanted: impl Fn(&JobRecord) -> bool) -> Option<JobId> {
    let path = home.path().join("journal.sqlite");
    let last = |journal: &Journal| journal.jobs().expect("the jobs").last().map(|job| job.id);
    let before = Journal::open_existing(&path).expect("it opens").and_then(|journal| last(&journal));
    let mut command = home.command();
    command.args(line(0, via).split_whitespace()).stdout(Stdio::null()).stderr(Stdio::null());
    let mut process = command.spawn().expect("it starts");
    let found = loop {
        let journal = Journal::open_existing(&path).expect("it opens");
        let job = journal.as_ref().and_then(last).filter(|job| Some(*job) != before);
        if let (Some(job), Some(journal)) = (job, &journal)
            && wanted(&journal.job(job).expect("the job"))
        {
            break Some(job);
        }
        if process.try_wait().expect("its state").is_some() {
            break None;
        }
    };
    process.kill().expect("it is killed");
    process.wait().expect("it ends");
    let now = |job: &JobId| Journal::open(&path).expect("it opens").job(*job).expect("the job");
    found.filter(|job| wanted(&now(job)) && now(job).job.ended.is_none())
}

#[test]
fn a_job_that_was_killed_before_its_first_change_has_ended() {
    let home = Home::new();
    fast_frost(&home);
    let serving = Serving::start(&home, "bench", "--pty");
    let unchanged = (0..50).find_map(|_| killed_when(&home, &serving.via, JobRecord::changed_nothing)).expect("one kill in time");
    let plural = if unchanged.0 == 1 { "" } else { "s" };
    home.run("").exits(0).says(&format!("{} job{plural} ended, 0 unfinished", unchanged.0));
    home.run("journal").exits(0).says("ended before anything was changed");
    home.run("journal show last").exits(0).says("Ended before anything was changed");
    home.run("journal --unfinished").exits(0).says("None of the");
    let journal = || Journal::open(home.path().join("journal.sqlite")).expect("it opens");
    assert_eq!(journal().job(unchanged).expect("the job").job.ended, None, "to look writes nothing");

    let changed = (0..50).find_map(|_| killed_when(&home, &serving.via, |record| !record.changed_nothing())).expect("one kill in time");
    let ended = |job| journal().job(job).expect("the job").job.ended;
    assert!(matches!(ended(unchanged), Some((_, End::Unchanged))), "the next job has closed it");
    assert_eq!(ended(changed), None);
    home.run("").exits(0).says("1 unfinished");
    assert!(journal().end_unchanged(changed, std::time::SystemTime::now()).is_err());
    home.run(&line(0, &serving.via)).exits(0);
    assert!(matches!(ended(changed), Some((_, End::TakenOver(_)))));
    home.run("").exits(0).says("0 unfinished");
}
