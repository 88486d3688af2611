//! A disk that takes no more: an error that names the file, and nothing half-written. A limit on the size of a process's files stands
//! for the full disk: it needs no rights, and the system refuses the same write calls in the middle.

use super::{AT, date, new_job, plan, process, vent, vent_info};
use farrier::image::{ByteAddress, Image};
use farrier::plan::Observed;
use farrier::record::{JobId, Journal, RecordError, Snapshots};
use std::fs;
use std::io::Read;
use std::path::Path;
use tempfile::tempdir;

/// Runs what follows with files of at most 16 KiB, and lets it live when it meets the limit.
const LIMITED: &[&str] = &["sh", "-c", "trap '' XFSZ; ulimit -f 32; exec \"$0\" \"$@\""];

/// Runs a test of this file under the limit, on `at`; gives what it said.
fn limited(test: &str, at: &Path) -> String {
    let mut child = process(LIMITED, &format!("record::full_disk::{test}"), at);
    let mut said = String::new();
    child.stdout.take().unwrap().read_to_string(&mut said).unwrap();
    assert!(child.wait().unwrap().success(), "{said}");
    said
}

/// A board whose HEX file is larger than the limit, and which no limit keeps from being saved.
fn large() -> Observed {
    let mut observed = vent();
    observed.flash.bytes = Image::of(ByteAddress(0), &[0x5A; 0x2_0000]);
    observed
}

#[test]
fn a_large_snapshot_is_saved() {
    if let Some(root) = std::env::var_os(AT) {
        let error = Snapshots::open(&root).save(&large(), &vent_info()).unwrap_err();
        let named = matches!(&error, RecordError::File { doing: "write", path, .. } if path.ends_with("flash.hex"));
        assert!(named && error.to_string().contains("File too large"), "{error}");
        println!("refused as it should be");
        return;
    }
    let root = tempdir().unwrap();
    let snapshots = Snapshots::open(root.path());
    let saved = snapshots.save(&large(), &vent_info()).unwrap();
    assert_eq!(snapshots.load(saved).unwrap().observed, large());
}

#[test]
fn a_snapshot_that_does_not_fit_leaves_nothing() {
    let root = tempdir().unwrap();
    assert!(limited("a_large_snapshot_is_saved", root.path()).contains("refused as it should be"));
    let left: Vec<_> = fs::read_dir(root.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(left, [".writing"], "nothing but the file whose lock writers hold");
}

#[test]
fn a_hundred_jobs_are_entered() {
    let plan = plan(1);
    let mut new = new_job(&plan);
    new.command = "x".repeat(1000);
    if let Some(path) = std::env::var_os(AT) {
        let mut journal = Journal::open(&path).unwrap();
        let error = (0..100).find_map(|_| journal.begin(&new).err()).expect("100 jobs of 1000 bytes in 16 KiB");
        assert!(error.to_string().starts_with(&format!("cannot write the journal {}: ", path.display())), "{error}");
        println!("{} jobs before it was full", journal.jobs().unwrap().len());
        return;
    }
    let folder = tempdir().unwrap();
    let mut journal = Journal::open(folder.path().join("journal")).unwrap();
    for _ in 0..100 {
        journal.begin(&new).unwrap();
    }
    assert_eq!(journal.jobs().unwrap().len(), 100);
}

#[test]
fn a_job_that_does_not_fit_is_not_entered() {
    let folder = tempdir().unwrap();
    let path = folder.path().join("journal");
    // The journal is begun with room, so that what is refused is the job and not the tables.
    drop(Journal::open(&path).unwrap());
    let size = fs::metadata(&path).unwrap().len();
    let said = limited("a_hundred_jobs_are_entered", &path);
    println!("{said} ({size} bytes at first)");
    let mut journal = Journal::open(&path).unwrap();
    let jobs = journal.jobs().unwrap();
    assert!(said.contains(&format!("{} jobs before it was full", jobs.len())), "{said}: now {}", jobs.len());
    let plan = plan(2);
    assert_eq!(journal.begin(&new_job(&plan)).unwrap(), JobId(jobs.len() as i64 + 1));
    journal.step_begun(JobId(jobs.len() as i64 + 1), 0, date(1)).unwrap();
}
