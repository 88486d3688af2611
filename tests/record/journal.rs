//! The journal in one process: what is entered comes back, and what makes no sense is refused.

use super::{TOOK, date, name, new_job, plan};
use farrier::image::{ByteAddress, Image};
use farrier::record::{End, Held, JobId, Journal, NewJob, RecordError};
use std::fs;
use std::path::PathBuf;
use tempfile::{TempDir, tempdir};

fn journal() -> (TempDir, Journal) {
    let folder = tempdir().unwrap();
    let journal = Journal::open(folder.path().join("state/journal")).unwrap();
    (folder, journal)
}

#[test]
fn what_is_entered_comes_back() {
    let (_folder, mut journal) = journal();
    let plan = plan(1);
    let new = new_job(&plan);
    let job = journal.begin(&new).unwrap();
    journal.step_begun(job, 0, date(1)).unwrap();
    journal.step_finished(job, 0, date(2), TOOK).unwrap();
    journal.step_begun(job, 1, date(3)).unwrap();
    let store = Image::of(ByteAddress(0), b"open at 24 C");
    journal.settings_verified(job, &store).unwrap();

    let path = journal.path().to_owned();
    drop(journal);
    let record = Journal::open(path).unwrap().job(job).unwrap();
    let got = &record.job;
    assert_eq!(got.id, JobId(1));
    assert_eq!((got.begun, &got.ended), (date(0), &None));
    assert_eq!((&got.board, &got.chip, &got.command), (&new.board, &new.chip, &new.command));
    assert_eq!((&got.tag, got.id_bytes, got.calibration), (&new.tag, new.id_bytes, new.calibration));
    assert_eq!((&got.bridge, &got.holder, got.simulated, &got.made_by), (&new.bridge, &new.holder, true, &new.made_by));
    assert_eq!((&got.baseline, &got.before, got.inherits), (&new.baseline, &new.before, None));
    assert_eq!(got.accepted, new.accepted);
    assert_eq!((&got.serial_number, got.held, got.leaves), (&new.serial_number, new.held, new.leaves));
    assert_eq!((got.estimate, got.took, &got.stopped), (Some(plan.estimate()), None, &None));
    assert_eq!((&record.images, &record.findings), (&new.images, &new.findings));
    assert_eq!((got.plan_steps, got.finished_steps(), got.step_in_hand()), (3, 1, Some(1)));
    let times: Vec<_> = got.steps.iter().map(|step| (step.index, step.begun, step.finished, step.took)).collect();
    assert_eq!(times, [(0, date(1), Some(date(2)), Some(TOOK)), (1, date(3), None, None)]);
    assert_eq!(record.plan, plan);
    assert_eq!(record.settings_verified, Some(store));
}

#[test]
fn what_is_not_known_stays_unknown() {
    let (_folder, mut journal) = journal();
    let plan = plan(1);
    let mut new = new_job(&plan);
    (new.tag, new.id_bytes, new.calibration) = (None, None, None);
    new.accepted.clear();
    let job = journal.begin(&new).unwrap();
    let record = journal.job(job).unwrap();
    assert_eq!((&record.job.tag, record.job.id_bytes, record.job.calibration), (&None, None, None));
    assert_eq!((record.job.accepted.len(), &record.settings_verified), (0, &None));
    assert_eq!((record.job.steps.len(), record.job.step_in_hand()), (0, None));
}

/// As a write through a fitted loader: nothing can be read, so there is no snapshot.
#[test]
fn a_job_may_have_no_snapshot_and_the_same_command_again_takes_it_over() {
    let (_folder, mut journal) = journal();
    let plan = plan(1);
    let new = NewJob { baseline: None, before: None, ..new_job(&plan) };
    let cut = journal.begin(&new).unwrap();
    let got = journal.job(cut).unwrap().job;
    assert_eq!((got.baseline, got.before), (None, None));
    assert!(journal.knows_no_snapshot().unwrap());
    let other = NewJob { inherits: Some(cut), ..new_job(&plan) };
    assert!(matches!(journal.begin(&other), Err(RecordError::OtherBaseline { .. })));
    let again = journal.begin(&NewJob { inherits: Some(cut), ..new }).unwrap();
    assert_eq!(journal.job(cut).unwrap().job.ended, Some((date(0), End::TakenOver(again))));
    journal.begin(&new_job(&plan)).unwrap();
    assert!(!journal.knows_no_snapshot().unwrap());
}

#[test]
fn only_a_job_that_changed_nothing_is_ended_as_one_that_changed_nothing() {
    let (_folder, mut journal) = journal();
    let plan = plan(1);
    let refused = |journal: &mut Journal, job| matches!(journal.end_unchanged(job, date(9)), Err(RecordError::MayHaveChanged { .. }));

    let entered = journal.begin(&new_job(&plan)).unwrap();
    journal.step_begun(entered, 0, date(1)).unwrap();
    journal.step_finished(entered, 0, date(2), TOOK).unwrap();
    assert!(journal.job(entered).unwrap().changed_nothing());
    journal.end_unchanged(entered, date(2)).unwrap();
    assert_eq!(journal.job(entered).unwrap().job.ended, Some((date(2), End::Unchanged)));

    let erasing = journal.begin(&new_job(&plan)).unwrap();
    journal.step_begun(erasing, 0, date(3)).unwrap();
    journal.step_finished(erasing, 0, date(3), TOOK).unwrap();
    journal.step_begun(erasing, 1, date(4)).unwrap();
    assert!(refused(&mut journal, erasing), "the erase may have been carried out");

    let heir = journal.begin(&NewJob { inherits: Some(erasing), ..new_job(&plan) }).unwrap();
    assert!(refused(&mut journal, heir), "the job before it has changed the board");
    assert_eq!(journal.unfinished(&[]).unwrap().iter().map(|record| record.job.id).collect::<Vec<_>>(), [heir]);
}

#[test]
fn finished_and_closed_jobs_are_not_unfinished() {
    let (_folder, mut journal) = journal();
    let plan = plan(1);
    let jobs: Vec<JobId> = (0..3).map(|_| journal.begin(&new_job(&plan)).unwrap()).collect();
    journal.finish(jobs[0], date(5), "read back", TOOK).unwrap();
    journal.close(jobs[2], date(6)).unwrap();

    let unfinished: Vec<JobId> = journal.unfinished(&[]).unwrap().iter().map(|record| record.job.id).collect();
    assert_eq!(unfinished, [jobs[1]]);
    let ends: Vec<_> = journal.jobs().unwrap().into_iter().map(|job| job.ended).collect();
    assert_eq!(ends, [Some((date(5), End::Finished("read back".to_owned()))), None, Some((date(6), End::Closed))]);
}

#[test]
fn a_job_that_inherits_ends_the_other() {
    let (_folder, mut journal) = journal();
    let (first_plan, second_plan) = (plan(1), plan(2));
    let first = journal.begin(&new_job(&first_plan)).unwrap();
    let mut new = new_job(&second_plan);
    new.date = date(9);
    new.inherits = Some(first);
    new.before = Some(name("2025-11-25-080009-vent"));
    let second = journal.begin(&new).unwrap();

    assert_eq!(journal.job(first).unwrap().job.ended, Some((date(9), End::TakenOver(second))));
    let unfinished = journal.unfinished(&[]).unwrap();
    assert_eq!(unfinished.len(), 1);
    assert_eq!((unfinished[0].job.id, unfinished[0].job.inherits), (second, Some(first)));
    assert_eq!(unfinished[0].job.baseline, Some(name("2025-11-25-080001-vent")));

    // The other process that wanted it comes too late, and nothing of its job is entered.
    let late = journal.begin(&new).unwrap_err();
    assert_eq!(late.to_string(), "job 1 has ended already (taken over), so nothing more is recorded for it");
    assert_eq!(journal.jobs().unwrap().len(), 2);
}

#[test]
fn an_inherited_baseline_cannot_be_another() {
    let (_folder, mut journal) = journal();
    let plan = plan(1);
    let first = journal.begin(&new_job(&plan)).unwrap();
    let mut new = new_job(&plan);
    new.inherits = Some(first);
    new.baseline = Some(name("2025-11-25-080009-vent"));
    assert!(matches!(journal.begin(&new), Err(RecordError::OtherBaseline { inherited, .. }) if inherited == first));
    let jobs = journal.jobs().unwrap();
    assert_eq!((jobs.len(), &jobs[0].ended), (1, &None));
}

#[test]
fn a_running_job_is_not_unfinished() {
    let (_folder, mut journal) = journal();
    let plan = plan(1);
    let mut on = |bridge: &str, holder: &str| {
        let mut new = new_job(&plan);
        (new.bridge, new.holder) = (bridge.to_owned(), holder.to_owned());
        journal.begin(&new).unwrap()
    };
    // The dead process's job; then two of a process that lives and gave up the first; then one elsewhere.
    let dead = on("/dev/ttyS1", "process 7");
    let given_up = on("/dev/ttyS1", "process 8");
    let running = on("/dev/ttyS1", "process 8");
    let elsewhere = on("/dev/ttyS2", "process 9");

    let held = |bridge: &str, holder: &str| Held { bridge: bridge.to_owned(), holder: holder.to_owned() };
    let ids = |held: &[Held]| journal.unfinished(held).unwrap().iter().map(|record| record.job.id).collect::<Vec<_>>();
    assert_eq!(ids(&[]), [dead, given_up, running, elsewhere]);
    assert_eq!(ids(&[held("/dev/ttyS1", "process 8")]), [dead, given_up, elsewhere]);
    assert_eq!(ids(&[held("/dev/ttyS2", "process 9"), held("/dev/ttyS1", "process 8")]), [dead, given_up]);
    // Somebody who began no job there (an inspect) does not make a cut-off job look as if it ran.
    assert_eq!(ids(&[held("/dev/ttyS1", "process 10")]), [dead, given_up, running, elsewhere]);
}

#[test]
fn steps_come_in_order() {
    let (_folder, mut journal) = journal();
    let plan = plan(1);
    let job = journal.begin(&new_job(&plan)).unwrap();
    let refused = |result: Result<(), RecordError>, words: &str| assert_eq!(result.unwrap_err().to_string(), words);
    refused(journal.step_begun(job, 1, date(1)), "job 1: step 1 cannot begin now; 0 of its 3 steps are finished");
    refused(journal.step_finished(job, 0, date(1), TOOK), "job 1: step 0 cannot finish now; 0 of its 3 steps are finished");
    for step in 0..3 {
        journal.step_begun(job, step, date(1)).unwrap();
        journal.step_finished(job, step, date(2), TOOK).unwrap();
    }
    refused(journal.step_begun(job, 3, date(3)), "job 1: step 3 cannot begin now; 3 of its 3 steps are finished");
    refused(journal.step_finished(job, 2, date(3), TOOK), "job 1: step 2 cannot finish now; 3 of its 3 steps are finished");
}

#[test]
fn a_step_that_begins_again_undoes_what_came_after() {
    let (_folder, mut journal) = journal();
    let plan = plan(1);
    let job = journal.begin(&new_job(&plan)).unwrap();
    for step in 0..2 {
        journal.step_begun(job, step, date(1)).unwrap();
        journal.step_finished(job, step, date(2), TOOK).unwrap();
    }
    journal.step_begun(job, 2, date(3)).unwrap();
    journal.step_begun(job, 1, date(4)).unwrap();
    let got = journal.job(job).unwrap().job;
    assert_eq!((got.finished_steps(), got.step_in_hand(), got.steps.len()), (1, Some(1), 2));
    journal.step_begun(job, 1, date(5)).unwrap();
    assert_eq!(journal.job(job).unwrap().job.steps[1].begun, date(5));
}

#[test]
fn nothing_is_recorded_for_a_job_that_ended_or_never_was() {
    let (_folder, mut journal) = journal();
    let plan = plan(1);
    let job = journal.begin(&new_job(&plan)).unwrap();
    journal.step_begun(job, 0, date(1)).unwrap();
    journal.finish(job, date(2), "read back", TOOK).unwrap();
    let store = Image::default();
    for result in [
        journal.step_begun(job, 0, date(3)),
        journal.step_finished(job, 0, date(3), TOOK),
        journal.settings_verified(job, &store),
        journal.finish(job, date(3), "again", TOOK),
        journal.close(job, date(3)),
    ] {
        assert!(matches!(result, Err(RecordError::JobEnded { .. })), "{result:?}");
    }
    assert!(matches!(journal.close(JobId(7), date(3)), Err(RecordError::NoSuchJob { job: JobId(7) })));
    assert!(matches!(journal.job(JobId(7)), Err(RecordError::NoSuchJob { job: JobId(7) })));
    assert_eq!(journal.job(job).unwrap().job.ended, Some((date(2), End::Finished("read back".to_owned()))));
}

/// A journal's file after `sql` was run on it behind its back.
fn tampered(sql: &str) -> (TempDir, PathBuf) {
    let (folder, mut journal) = journal();
    let plan = plan(1);
    journal.begin(&new_job(&plan)).unwrap();
    let path = journal.path().to_owned();
    drop(journal);
    rusqlite::Connection::open(&path).unwrap().execute_batch(sql).unwrap();
    (folder, path)
}

#[test]
fn a_newer_journal_is_said_and_left_alone() {
    let (_folder, path) = tampered("pragma user_version = 3");
    let before = fs::read(&path).unwrap();
    let error = Journal::open(&path).unwrap_err();
    assert!(matches!(&error, RecordError::TooNew { newest: 2, found: 3, .. }), "{error}");
    assert!(Journal::open_existing(&path).is_err());
    assert_eq!(fs::read(&path).unwrap(), before);
}

#[test]
fn another_file_is_no_journal_and_left_alone() {
    let (_folder, path) = tampered("pragma application_id = 5");
    assert!(matches!(Journal::open(&path), Err(RecordError::NotAJournal { .. })));
    fs::write(&path, "notes about the vents, longer than the header of any database file is: it has 100 bytes at the beginning").unwrap();
    assert!(matches!(Journal::open(&path), Err(RecordError::NotAJournal { .. })));
    assert!(fs::read_to_string(&path).unwrap().starts_with("notes"));
}

#[test]
fn contents_that_make_no_sense_are_said() {
    for (sql, words) in [
        ("update jobs set begun = 'yesterday'", "\"yesterday\" is not a date"),
        ("update jobs set plan = '{}'", "missing field"),
        ("update jobs set baseline = '../elsewhere'", "cannot be the name of a snapshot"),
    ] {
        let (_folder, path) = tampered(sql);
        let error = Journal::open(&path).unwrap().job(JobId(1)).unwrap_err();
        let text = error.to_string();
        assert!(text.contains(words) && text.contains(path.to_str().unwrap()), "{text}");
    }
}

#[test]
fn looking_makes_no_journal() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("journal");
    assert!(Journal::open_existing(&path).unwrap().is_none());
    assert!(!path.exists());
}

#[test]
fn a_folder_in_the_way_is_named() {
    let folder = tempdir().unwrap();
    let error = Journal::open(folder.path()).unwrap_err();
    assert!(error.to_string().contains(folder.path().to_str().unwrap()), "{error}");
    fs::write(folder.path().join("file"), "").unwrap();
    let error = Journal::open(folder.path().join("file/journal")).unwrap_err();
    assert!(error.to_string().contains("file"), "{error}");
}

/// Made by the first version of this program.
#[test]
fn a_journal_of_the_first_format_is_read_and_gone_on_with() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("journal.sqlite");
    fs::copy("tests/record/data/journal-1.sqlite", &path).unwrap();
    let mut journal = Journal::open_existing(&path).unwrap().expect("it is there");
    let jobs = journal.jobs().unwrap();
    let ended = Some((date(9), End::Finished("1024 bytes read to the host".to_owned())));
    assert_eq!((jobs.len(), &jobs[0].ended, &jobs[1].ended), (2, &ended, &None));
    assert_eq!((jobs[0].tag.as_deref(), jobs[0].finished_steps(), jobs[1].step_in_hand()), (Some("north wall"), 3, Some(1)));
    assert_eq!((jobs[0].estimate, jobs[0].took, jobs[0].held, jobs[0].leaves), (None, None, None, None));
    let record = journal.job(JobId(1)).unwrap();
    assert_eq!((&record.plan, record.images.len(), record.findings.len()), (&plan(1), 0, 0));
    assert_eq!(record.settings_verified, Some(Image::of(ByteAddress(0), b"open at 24 C")));

    let unfinished = journal.unfinished(&[]).unwrap();
    assert_eq!(unfinished.len(), 1);
    journal.step_finished(JobId(2), 1, date(200), TOOK).unwrap();
    journal.finish(JobId(2), date(201), "read back", TOOK).unwrap();
    let plan = plan(3);
    assert_eq!(journal.begin(&new_job(&plan)).unwrap(), JobId(3));
    assert_eq!(journal.job(JobId(3)).unwrap().job.leaves, new_job(&plan).leaves);
    drop(journal);
    assert_eq!(Journal::open(&path).unwrap().jobs().unwrap()[1].took, Some(TOOK));
}

#[test]
fn why_a_run_stopped_is_kept() {
    let (_folder, mut journal) = journal();
    let plan = plan(1);
    let job = journal.begin(&new_job(&plan)).unwrap();
    journal.stopped(job, "the board has no power").unwrap();
    let kept = journal.job(job).unwrap().job;
    assert_eq!((kept.stopped.as_deref(), kept.ended), (Some("the board has no power"), None));
    journal.close(job, date(1)).unwrap();
    assert!(matches!(journal.stopped(job, "again"), Err(RecordError::JobEnded { .. })));
}
