//! Several processes, or several connections, on one journal.

use super::{TOOK, date, new_job, plan};
use farrier::record::{Journal, RecordError};
use std::collections::BTreeSet;
use tempfile::tempdir;

#[test]
fn many_writers_lose_nothing() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("journal");
    // They all begin at once, so the making of the tables is contended too.
    std::thread::scope(|scope| {
        for _ in 0..4 {
            scope.spawn(|| {
                let plan = plan(1);
                let mut journal = Journal::open(&path).unwrap();
                for _ in 0..5 {
                    let job = journal.begin(&new_job(&plan)).unwrap();
                    journal.step_begun(job, 0, date(1)).unwrap();
                    journal.step_finished(job, 0, date(2), TOOK).unwrap();
                }
            });
        }
    });
    let jobs = Journal::open(&path).unwrap().jobs().unwrap();
    let ids: BTreeSet<_> = jobs.iter().map(|job| job.id).collect();
    assert_eq!((jobs.len(), ids.len()), (20, 20));
    assert!(jobs.iter().all(|job| job.finished_steps() == 1));
}

#[test]
fn only_one_of_many_takes_a_job_over() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("journal");
    let first = Journal::open(&path).unwrap().begin(&new_job(&plan(1))).unwrap();
    let results: Vec<Result<_, RecordError>> = std::thread::scope(|scope| {
        let threads: Vec<_> = (0..4)
            .map(|_| {
                scope.spawn(|| {
                    let plan = plan(2);
                    let mut new = new_job(&plan);
                    new.inherits = Some(first);
                    Journal::open(&path).unwrap().begin(&new)
                })
            })
            .collect();
        threads.into_iter().map(|thread| thread.join().unwrap()).collect()
    });
    assert_eq!(results.iter().filter(|result| result.is_ok()).count(), 1);
    assert!(results.iter().flat_map(|result| result.as_ref().err()).all(|error| matches!(error, RecordError::JobEnded { .. })));
    assert_eq!(Journal::open(&path).unwrap().unfinished(&[]).unwrap().len(), 1);
}
