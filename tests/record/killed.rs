//! A process that writes records is killed at any moment: they can still be read, and what had been acknowledged is in them.

use super::{AT, TOOK, date, new_job, plan, process, vent, vent_info};
use farrier::record::{JobId, Journal, Snapshots};
use std::io::{BufRead, BufReader, Read, Write};
use std::path::Path;
use std::time::Duration;
use tempfile::tempdir;

/// Begins each line that acknowledges something.
const ACKNOWLEDGED: &str = "kept: ";

/// Writes jobs, each of which takes the last one over, and says what the journal has acknowledged: job, and steps done, a half for the one
/// in hand.
fn write_jobs(path: &Path, many: usize, mut say: impl Write) {
    let mut journal = Journal::open(path).unwrap();
    let plan = plan(1);
    let mut last = journal.unfinished(&[]).unwrap().last().map(|record| record.job.id);
    for _ in 0..many {
        let mut new = new_job(&plan);
        new.inherits = last;
        let job = journal.begin(&new).unwrap();
        writeln!(say, "{ACKNOWLEDGED}{job} 0").unwrap();
        for step in 0..3 {
            journal.step_begun(job, step, date(1)).unwrap();
            writeln!(say, "{ACKNOWLEDGED}{job} {step}.5").unwrap();
            journal.step_finished(job, step, date(2), TOOK).unwrap();
            writeln!(say, "{ACKNOWLEDGED}{job} {}", step + 1).unwrap();
        }
        last = Some(job);
    }
}

#[test]
fn jobs_are_written_one_after_another() {
    if let Some(path) = std::env::var_os(AT) {
        // The process of another test: it writes until it is killed.
        return write_jobs(Path::new(&path), usize::MAX, std::io::stdout());
    }
    let folder = tempdir().unwrap();
    let path = folder.path().join("journal");
    write_jobs(&path, 3, std::io::sink());
    let journal = Journal::open(&path).unwrap();
    assert!(journal.jobs().unwrap().iter().all(|job| job.finished_steps() == 3));
    assert_eq!(journal.unfinished(&[]).unwrap()[0].job.id, JobId(3));
}

/// Starts a test of this file as a process on `at`, kills it once it has acknowledged `wanted` things and `after` has passed, and gives
/// what it said.
fn killed(test: &str, at: &Path, wanted: usize, after: Duration) -> String {
    let mut writer = process(&[], &format!("record::killed::{test}"), at);
    let mut out = BufReader::new(writer.stdout.take().unwrap());
    let mut said = String::new();
    while acknowledged(&said).count() < wanted {
        assert_ne!(out.read_line(&mut said).unwrap(), 0, "the writer ended by itself: {said}");
    }
    std::thread::sleep(after);
    writer.kill().unwrap();
    out.read_to_string(&mut said).unwrap();
    writer.wait().unwrap();
    said
}

/// What a killed process has acknowledged, as words. A line cut short, and those of the test harness, are left out.
fn acknowledged(said: &str) -> impl Iterator<Item = Vec<&str>> {
    let whole = &said[..said.rfind('\n').map_or(0, |end| end + 1)];
    whole.lines().filter_map(|line| line.strip_prefix(ACKNOWLEDGED)).map(|line| line.split_whitespace().collect())
}

#[test]
fn a_killed_writer_leaves_what_it_had_acknowledged() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("journal");
    // The first rounds end anywhere while the program starts and makes the tables; the others so many acknowledgements later, and then
    // at another point of the next transaction.
    for round in 0..3 {
        killed("jobs_are_written_one_after_another", &path, 0, Duration::from_millis(4 * round));
        check(&path, "");
    }
    for round in 3..15 {
        let said = killed("jobs_are_written_one_after_another", &path, round, Duration::from_micros(70 * round as u64));
        check(&path, &said);
    }
}

/// The journal opens, is whole, and holds what was acknowledged.
fn check(path: &Path, said: &str) {
    let journal = Journal::open(path).unwrap();
    let raw = rusqlite::Connection::open(path).unwrap();
    let verdict: String = raw.query_row("pragma integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(verdict, "ok");
    for words in acknowledged(said) {
        let [job, steps] = words[..] else { panic!("{words:?}") };
        let (job, steps): (i64, f64) = (job.parse().unwrap(), steps.parse().unwrap());
        let found = journal.job(JobId(job)).unwrap().job;
        let done = found.finished_steps() as f64 + if found.step_in_hand().is_some() { 0.5 } else { 0.0 };
        assert!(done >= steps, "job {job}: acknowledged {steps}, found {done}");
    }
    // Beginning a job and ending the one before are one transaction.
    let open = journal.unfinished(&[]).unwrap();
    assert_eq!(open.len(), usize::from(!journal.jobs().unwrap().is_empty()), "jobs that have not ended");
}

/// Folders that somebody is still writing, or has left so.
fn half_written(root: &Path) -> usize {
    let entries = std::fs::read_dir(root).unwrap().map(|entry| entry.unwrap().file_name());
    entries.filter(|name| name.to_string_lossy().starts_with(".unfinished-")).count()
}

#[test]
fn what_somebody_is_writing_is_not_swept() {
    let root = tempdir().unwrap();
    save_snapshots(root.path(), 1, std::io::sink());
    for process in 1..4 {
        std::fs::create_dir(root.path().join(format!(".unfinished-{process}-0"))).unwrap();
    }
    let writing = std::fs::File::open(root.path().join(".writing")).unwrap();
    writing.lock_shared().unwrap();
    save_snapshots(root.path(), 1, std::io::sink());
    assert_eq!(half_written(root.path()), 3, "one of them may be that process's");
    writing.unlock().unwrap();
    save_snapshots(root.path(), 1, std::io::sink());
    assert_eq!((half_written(root.path()), Snapshots::open(root.path()).list().unwrap().len()), (0, 3));
}

#[test]
fn processes_that_save_while_others_are_killed_lose_nothing() {
    let root = tempdir().unwrap();
    let mut steady = process(&[], "record::killed::snapshots_are_saved_one_after_another", root.path());
    for round in 0..6 {
        killed("snapshots_are_saved_one_after_another", root.path(), round, Duration::from_micros(300 * round as u64));
    }
    steady.kill().unwrap();
    let mut said = String::new();
    steady.stdout.take().unwrap().read_to_string(&mut said).unwrap();
    steady.wait().unwrap();
    let snapshots = Snapshots::open(root.path());
    let mut kept = 0;
    for words in acknowledged(&said) {
        assert_eq!(snapshots.load(words[0]).unwrap().observed, vent());
        kept += 1;
    }
    assert!(kept > 0, "{said}");
    snapshots.save(&vent(), &vent_info()).unwrap();
    assert_eq!(half_written(root.path()), 0);
}

/// Saves snapshots, and says the name of each once it is saved.
fn save_snapshots(root: &Path, many: usize, mut say: impl Write) {
    let snapshots = Snapshots::open(root);
    for _ in 0..many {
        let name = snapshots.save(&vent(), &vent_info()).unwrap();
        writeln!(say, "{ACKNOWLEDGED}{name}").unwrap();
    }
}

#[test]
fn snapshots_are_saved_one_after_another() {
    if let Some(root) = std::env::var_os(AT) {
        return save_snapshots(Path::new(&root), usize::MAX, std::io::stdout());
    }
    let root = tempdir().unwrap();
    save_snapshots(root.path(), 3, std::io::sink());
    assert_eq!(Snapshots::open(root.path()).list().unwrap().len(), 3);
}

#[test]
fn a_killed_saver_leaves_whole_snapshots_only() {
    for round in 0..10 {
        let root = tempdir().unwrap();
        let said = killed("snapshots_are_saved_one_after_another", root.path(), round, Duration::from_micros(90 * round as u64));
        let snapshots = Snapshots::open(root.path());
        let listed = snapshots.list().unwrap();
        for listed in &listed {
            assert_eq!(snapshots.load(&listed.name).unwrap().observed, vent());
        }
        for words in acknowledged(&said) {
            assert!(listed.iter().any(|listed| listed.name.as_str() == words[0]), "{words:?} is lost");
        }
        // What was left half-written does not keep the next one from being saved, and goes with it.
        snapshots.save(&vent(), &vent_info()).unwrap();
        assert_eq!(half_written(root.path()), 0);
    }
}
