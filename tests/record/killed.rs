//! A process that writes jobs is killed at any moment: the journal opens, and what had been acknowledged is in it.

use super::{AT, date, new_job, plan, process};
use farrier::record::{JobId, Journal};
use std::io::{Read, Write};
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
    let mut total = 0;
    for round in 0..12u64 {
        let mut writer = process(&[], "record::killed::jobs_are_written_one_after_another", &path);
        // Spread over starting up, making the tables and writing.
        std::thread::sleep(Duration::from_millis(3 + round * 17 % 61));
        writer.kill().unwrap();
        let mut said = String::new();
        writer.stdout.take().unwrap().read_to_string(&mut said).unwrap();
        writer.wait().unwrap();

        let journal = Journal::open(&path).unwrap();
        let check = rusqlite::Connection::open(&path).unwrap();
        let verdict: String = check.query_row("pragma integrity_check", [], |row| row.get(0)).unwrap();
        assert_eq!(verdict, "ok");
        for (job, steps) in acknowledged(&said) {
            let found = journal.job(JobId(job)).unwrap().job;
            let done = found.finished_steps() as f64 + if found.step_in_hand().is_some() { 0.5 } else { 0.0 };
            assert!(done >= steps, "job {job}: acknowledged {steps}, found {done}");
            total += 1;
        }
        // Beginning a job and ending the one before are one transaction.
        let open = journal.unfinished(&[]).unwrap();
        assert_eq!(open.len(), usize::from(!journal.jobs().unwrap().is_empty()), "jobs that have not ended");
    }
    assert!(total > 12, "the writer was killed before it wrote: {total} acknowledgements in all");
}
