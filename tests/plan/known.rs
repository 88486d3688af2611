//! A board is known again by what it holds: by the job that left it, and only where one alone can have.

use super::made_up::*;
use farrier::image::{ByteAddress, Span};
use farrier::plan::*;

/// A board with this in its first flash byte and that in its first EEPROM byte.
fn held(flash: u8, settings: u8) -> Observed {
    let mut observed = factory(&chip(Kind::Usual));
    observed.flash.bytes.overwrite(ByteAddress(0), &[flash]);
    observed.eeprom.bytes.overwrite(ByteAddress(0), &[settings]);
    observed
}

fn print(observed: &Observed) -> Option<Fingerprint> {
    Fingerprint::of_observed(observed, &chip(Kind::Usual))
}

/// A job that found the one and left the other.
fn job(job: u64, before: &Observed, left: &Observed) -> Trail {
    Trail { job, tag: None, calibration: Some(0x9A), before: print(before), left: print(left) }
}

fn tagged(trail: Trail, tag: &str) -> Trail {
    Trail { tag: Some(tag.into()), ..trail }
}

/// The numbers of the jobs that are known, whether the settings are theirs too, and the tag.
fn known(trails: &[Trail], observed: &Observed) -> (Vec<u64>, bool, Option<String>) {
    let found = recognise(trails, observed, &chip(Kind::Usual));
    (found.jobs.iter().map(|trail| trail.job).collect(), found.settings, found.tag().map(str::to_owned))
}

#[test]
fn a_board_is_known_by_exactly_what_a_job_left() {
    let (bare, fitted) = (held(0xFF, 0xFF), held(1, 0xFF));
    let jobs = [tagged(job(41, &bare, &fitted), "1187")];
    assert_eq!(known(&jobs, &fitted), (vec![41], true, Some("1187".into())));
    assert_eq!(known(&jobs, &held(2, 0xFF)), (vec![], false, None));
    // Firmware that wrote its settings: still this job's firmware, but settings tell boards apart, so the tag is not theirs for sure.
    assert_eq!(known(&jobs, &held(1, 7)), (vec![41], false, None));
    let other = Observed { calibration: Some(0x9B), ..fitted.clone() };
    assert_eq!(known(&jobs, &other), (vec![], false, None), "another chip's calibration byte");
}

#[test]
fn jobs_one_after_the_other_on_one_board_leave_only_the_last() {
    let (bare, fitted) = (held(0xFF, 0xFF), held(1, 0xFF));
    let jobs = [job(1, &bare, &fitted), job(2, &fitted, &bare), job(3, &bare, &fitted)];
    assert_eq!(known(&jobs, &fitted).0, [3]);
    assert_eq!(known(&jobs[..2], &fitted).0, [0u64; 0], "job 2 changed the board that job 1 had left");
}

#[test]
fn boards_that_were_left_alike_are_not_told_apart() {
    let (bare, fitted, later) = (held(0xFF, 0xFF), held(1, 0xFF), held(2, 0xFF));
    let mut jobs = vec![tagged(job(1, &bare, &fitted), "1187"), tagged(job(2, &bare, &fitted), "1188")];
    assert_eq!(known(&jobs, &fitted), (vec![2, 1], true, None));
    // A job on one of the two: without a tag nobody knows on which.
    jobs.push(job(3, &fitted, &later));
    assert_eq!(known(&jobs, &fitted).0, [2, 1]);
    // With its tag it is clear which one is left.
    jobs[2].tag = Some("1188".into());
    assert_eq!(known(&jobs, &fitted), (vec![1], true, Some("1187".into())));
}

#[test]
fn what_was_not_read_in_full_is_nobodys() {
    let (bare, fitted) = (held(0xFF, 0xFF), held(1, 0xFF));
    let jobs = [job(1, &bare, &fitted)];
    let mut part = fitted.clone();
    part.eeprom.bytes.remove(Span::sized(ByteAddress(3), 1).unwrap());
    assert_eq!(known(&jobs, &part).0, [0u64; 0]);
    assert_eq!(known(&jobs, &Observed { lock: None, ..fitted }).0, [0u64; 0]);
}

#[test]
fn bits_without_a_meaning_do_not_count_and_all_others_do() {
    let before = held(1, 2);
    let same = Observed { lock: Some(0x3F), ..before.clone() };
    assert_eq!(print(&same), print(&before));
    let configuration = |low| Observed { configuration: Some(vec![low, 0xDF, 0xFF]), ..before.clone() };
    assert_ne!(print(&configuration(0x7B)), print(&before));
    assert_ne!(print(&Observed { lock: Some(0xFE), ..before.clone() }), print(&before));
    let settings = print(&held(1, 3)).unwrap();
    assert_eq!(settings.firmware, print(&before).unwrap().firmware);
    assert_ne!(settings.settings, print(&before).unwrap().settings);
    let (desired, _) = desire(&Intent::default(), &before, &chip(Kind::Usual), &board()).unwrap();
    assert_eq!(Fingerprint::of_desired(&desired, &chip(Kind::Usual)), print(&before), "a plan that keeps all leaves what was there");
}
