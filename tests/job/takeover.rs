//! Whose unfinished job is it? The rule, through the real journal and snapshots.

use super::workbench::{Command, Failure, Workbench, install, random_bytes};
use farrier::job::BaselineError;
use farrier::plan::{Resume, TakeoverError};
use farrier::sim::{Contents, Fault, Sim};

const SEED: u64 = 11;

/// A board with an application and settings, on which `loader install` was cut when all of both was erased.
fn cut(tag: Option<&str>) -> (Workbench, Contents) {
    let whole = |bench: &Workbench| {
        bench.sim.edit(|contents| {
            contents.flash[..1024].copy_from_slice(&random_bytes(1024, SEED));
            // Lock bits in mode 2 make the job begin with an erase.
            contents.lock = 0xFE;
            contents.eeprom.copy_from_slice(&random_bytes(1024, SEED + 1));
        });
    };
    for operations in 1..200 {
        let mut bench = Workbench::new("frost", SEED);
        whole(&bench);
        let before = bench.sim.contents();
        let intent = install(&bench.board);
        // Looking takes 40 operations or so.
        bench.sim.damage(Fault::PowerCut(40 + operations));
        let command = Command { tag, ..Command::of(&intent) };
        let failure = bench.run(&command).err().expect("a cut falls right after the erase");
        assert!(!matches!(failure, Failure::Desire(_)), "{failure:?}");
        bench.sim.restore_power();
        let now = bench.sim.contents();
        if now.flash.iter().chain(&now.eeprom).all(|byte| *byte == 0xFF) {
            return (bench, before);
        }
    }
    panic!("no cut fell right after the erase")
}

/// The settings and the application are as before the first run.
#[track_caller]
fn kept(bench: &Workbench, before: &Contents) {
    let now = bench.sim.contents();
    assert_eq!(now.flash[..0x7C00], before.flash[..0x7C00]);
    assert_eq!(now.eeprom, before.eeprom);
    assert_eq!(bench.sim.violations().count, 0);
}

#[test]
fn a_tag_answers() {
    let (mut bench, before) = cut(Some("left"));
    let intent = install(&bench.board);
    let done = bench.run(&Command::of(&intent).tagged("left")).expect("it goes on");
    assert!(done.decided.baseline.inherited.is_some());
    kept(&bench, &before);
}

#[test]
fn without_a_tag_an_erased_board_is_asked_about_and_a_job_number_answers() {
    let (mut bench, before) = cut(None);
    let held = bench.sim.contents();
    let intent = install(&bench.board);
    let asked = bench.run(&Command::of(&intent)).err();
    let Some(Failure::Baseline(BaselineError::Ask(candidates))) = asked else { panic!("{asked:?}") };
    assert_eq!(candidates.len(), 1);
    assert!(bench.sim.contents() == held, "nothing was changed");
    bench.run(&Command { resume: Resume::Job(candidates[0].job), ..Command::of(&intent) }).expect("it goes on");
    kept(&bench, &before);
}

#[test]
fn the_answer_none_begins_afresh() {
    let (mut bench, _) = cut(None);
    let intent = install(&bench.board);
    let done = bench.run(&Command { resume: Resume::None, ..Command::of(&intent) }).expect("it begins");
    assert!(done.decided.baseline.inherited.is_none());
    let now = bench.sim.contents();
    assert!(now.flash[..0x7C00].iter().chain(&now.eeprom).all(|byte| *byte == 0xFF), "nothing of another board came here");
}

#[test]
fn an_answer_that_names_no_unfinished_job_changes_nothing() {
    let (mut bench, _) = cut(None);
    let held = bench.sim.contents();
    let intent = install(&bench.board);
    let refused = bench.run(&Command { resume: Resume::Job(99), ..Command::of(&intent) }).err();
    let no_such = matches!(refused, Some(Failure::Baseline(BaselineError::Answer(TakeoverError::NoSuchJob { asked: 99, .. }))));
    assert!(no_such, "{refused:?}");
    assert!(bench.sim.contents() == held);
}

/// Puts a new blank board in the place of the old one.
fn new_board(bench: &mut Workbench, calibration: impl Fn(u8) -> u8) {
    let old = bench.sim.contents().calibration;
    bench.sim = Sim::new(&bench.board, &bench.chip, SEED + 2);
    bench.sim.edit(|contents| contents.calibration = calibration(old));
}

#[test]
fn another_calibration_byte_is_another_board_even_with_the_same_tag() {
    for tag in [None, Some("left")] {
        let (mut bench, _) = cut(tag);
        new_board(&mut bench, |old| old ^ 1);
        let intent = install(&bench.board);
        let done = bench.run(&Command { tag, ..Command::of(&intent) }).expect("it begins");
        assert!(done.decided.baseline.inherited.is_none());
        let now = bench.sim.contents();
        assert!(now.flash[..0x7C00].iter().chain(&now.eeprom).all(|byte| *byte == 0xFF), "the old board's contents did not come here");
        assert_eq!(bench.records.journal.unfinished(&[]).expect("the journal").len(), 1, "the old board's job still waits for it");
    }
}

#[test]
fn a_new_blank_board_that_looks_the_same_is_asked_about() {
    let (mut bench, _) = cut(None);
    new_board(&mut bench, |old| old);
    let intent = install(&bench.board);
    let asked = bench.run(&Command::of(&intent)).err();
    assert!(matches!(asked, Some(Failure::Baseline(BaselineError::Ask(_)))), "{asked:?}");
    assert!(bench.sim.contents().flash.iter().all(|byte| *byte == 0xFF));
}
