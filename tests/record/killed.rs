//! A process that writes jobs is killed at any moment: the journal opens, and what had been acknowledged is in it.

use super::{AT, date, new_job, plan, process};
use farrier::record::{JobId, Journal};
use std::io::{BufRead, BufReader, Read, Write};
use std::path::Path;
use std::time::Duration;
use tempfile::tempdir;

/// Writes jobs, each of which takes the last one over, and says what the journal has acknowledged.
fn write_jobs(path: &Path, many: usize, mut say: impl Write) {
    let mut journal = Journal::open(path).unwrap();
    let plan = plan(1);
    let mut last = journal.unfinished(&[]).unwrap().last().map(|record| record.job.id);
    for _ in 0..many {
        let mut new = new_job(&plan);
        new.inherits = last;
        let job = journal.begin(&new).unwrap();
        writeln!(say, "job {job} begun").unwrap();
        for step in 0..3 {
            journal.step_begun(job, step, date(1)).unwrap();
            writeln!(say, "job {job} steps {step}.5").unwrap();
            journal.step_finished(job, step, date(2)).unwrap();
            writeln!(say, "job {job} steps {}", step + 1).unwrap();
        }
        last = Some(job);
    }
}

#[test]
fn jobs_are_written_one_after_another() {
    if let Some(path) = std::env::var_os(AT) {
        // The process of the test below: it writes until it is killed.
        return write_jobs(Path::new(&path), usize::MAX, std::io::stdout());
    }
    let folder = tempdir().unwrap();
    let path = folder.path().join("journal");
    write_jobs(&path, 3, std::io::sink());
    let journal = Journal::open(&path).unwrap();
    assert!(journal.jobs().unwrap().iter().all(|job| job.finished_steps() == 3));
    assert_eq!(journal.unfinished(&[]).unwrap()[0].job.id, JobId(3));
}

/// What the killed process said last of each job: `(job, steps done; a half for a step in hand)`. A line cut short is left out.
fn acknowledged(said: &str) -> Vec<(i64, f64)> {
    let whole = &said[..said.rfind('\n').map_or(0, |end| end + 1)];
    let words = whole.lines().map(|line| line.split_whitespace().collect::<Vec<_>>());
    words
        .filter_map(|words| match words[..] {
            ["job", job, "begun"] => Some((job.parse().unwrap(), 0.0)),
            ["job", job, "steps", steps] => Some((job.parse().unwrap(), steps.parse().unwrap())),
            _ => None, // the test harness's own lines
        })
        .collect()
}

#[test]
fn a_killed_writer_leaves_what_it_had_acknowledged() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("journal");
    let mut seen = 0;
    for round in 0..15 {
        let mut writer = process(&[], "record::killed::jobs_are_written_one_after_another", &path);
        let mut out = BufReader::new(writer.stdout.take().unwrap());
        let mut said = String::new();
        // The first rounds end anywhere while the program starts and makes the tables; the others so many acknowledgements later, and
        // then at another point of the next transaction.
        let wanted = if round < 3 { 0 } else { round };
        while acknowledged(&said).len() < wanted {
            assert_ne!(out.read_line(&mut said).unwrap(), 0, "the writer ended by itself: {said}");
        }
        std::thread::sleep(Duration::from_micros(if round < 3 { 4_000 * round as u64 } else { 70 * round as u64 }));
        writer.kill().unwrap();
        out.read_to_string(&mut said).unwrap();
        writer.wait().unwrap();
        seen += acknowledged(&said).len();
        check(&path, &acknowledged(&said));
    }
    assert!(seen >= (3..15).sum(), "{seen} acknowledgements in all");
}

/// The journal opens, is whole, and holds what was acknowledged.
fn check(path: &Path, acknowledged: &[(i64, f64)]) {
    let journal = Journal::open(path).unwrap();
    let raw = rusqlite::Connection::open(path).unwrap();
    let verdict: String = raw.query_row("pragma integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(verdict, "ok");
    for (job, steps) in acknowledged {
        let found = journal.job(JobId(*job)).unwrap().job;
        let done = found.finished_steps() as f64 + if found.step_in_hand().is_some() { 0.5 } else { 0.0 };
        assert!(done >= *steps, "job {job}: acknowledged {steps}, found {done}");
    }
    // Beginning a job and ending the one before are one transaction.
    let open = journal.unfinished(&[]).unwrap();
    assert_eq!(open.len(), usize::from(!journal.jobs().unwrap().is_empty()), "jobs that have not ended");
}
