//! Whose unfinished job it is.

use super::made_up::*;
use farrier::board::{Board, Chip};
use farrier::finding::{Finding, Kind as K};
use farrier::image::{ByteAddress, Image};
use farrier::plan::*;

/// A board with an application, settings and a lock in mode 2, on which `loader install` was begun.
struct Bench {
    chip: Chip,
    board: Board,
    baseline: Observed,
    plan: Plan,
}

impl Bench {
    fn new() -> Bench {
        let chip = chip(Kind::Usual);
        let board = board();
        let mut baseline = factory(&chip);
        baseline.flash.bytes.overlay(&application(700).image);
        baseline.eeprom.bytes = Image::of(ByteAddress(0), &[0x42; EEPROM as usize]);
        baseline.lock = Some(0xFE);
        let (desired, _) = desire(&install(), &baseline, &chip, &board).unwrap();
        let (plan, _) = reconcile(&baseline, &desired, &target(&chip, &board)).unwrap();
        Bench { chip, board, baseline, plan }
    }

    /// The job, stopped after `finished` steps.
    fn stopped_after(&self, finished: usize) -> UnfinishedJob {
        UnfinishedJob {
            id: 7,
            tag: None,
            baseline: self.baseline.clone(),
            began_with: self.baseline.clone(),
            plan: self.plan.clone(),
            finished,
            in_hand: true,
            verified_settings: None,
            answered_none: false,
            sent_since: Vec::new(),
        }
    }

    fn step(&self, wanted: impl Fn(&StepKind) -> bool) -> usize {
        self.plan.steps().iter().position(|step| wanted(&step.kind)).unwrap()
    }

    /// The board as the job left it when it stopped inside the step after the finished ones, what is undefined being `fill`.
    fn left_by(&self, job: &UnfinishedJob, fill: u8) -> Observed {
        let target = target(&self.chip, &self.board);
        let interpreter = Interpreter { chip: &self.chip, way_in: target.way_in, desired: self.plan.desired() };
        let mut state = interpreter.begin(&job.began_with);
        self.plan.steps()[..job.finished].iter().for_each(|step| interpreter.apply(&mut state, &step.kind));
        let mut state = interpreter.after_cut(&state, &self.plan.steps()[job.finished].kind);
        settle(&mut state, || fill);
        observe(&state, &self.chip)
    }

    fn takeover<'j>(&self, jobs: &'j [UnfinishedJob], observed: &Observed, tag: Option<&str>, answer: Resume) -> Takeover<'j> {
        takeover(jobs, observed, tag, answer, &target(&self.chip, &self.board)).unwrap()
    }
}

/// For the loop over all findings: a store that changed after the job had verified it, and one that did not.
pub fn settings_changed_since() -> (Vec<Finding>, Vec<Finding>) {
    let bench = Bench::new();
    let mut job = bench.stopped_after(bench.plan.steps().len() - 1);
    let left = bench.left_by(&job, 0);
    job.verified_settings = Some(left.eeprom.bytes.clone());
    let mut changed = left.clone();
    changed.eeprom.bytes.overwrite(ByteAddress(3), &[0xFF]);
    let findings = |observed: &Observed| match bench.takeover(std::slice::from_ref(&job), observed, None, Resume::Unasked) {
        Takeover::Resume { findings, .. } => findings,
        other => panic!("not taken over: {other:?}"),
    };
    (findings(&changed), findings(&left))
}

/// For the loop over all findings: an application went to the loader since, and is on the board or not any more.
pub fn application_changed_since() -> (Vec<Finding>, Vec<Finding>) {
    let bench = Bench::new();
    let sent = [Sent { job: 8, name: "spring.hex".into(), flash: program(0, 500, 9) }];
    let findings = |flash: &Image| {
        let mut observed = bench.baseline.clone();
        observed.flash.bytes.overlay(flash);
        application_changed(&sent, 7, &observed, bench.plan.desired()).into_iter().collect()
    };
    (findings(&sent[0].flash), findings(&sent[0].flash.crop(span(0, 499))))
}

#[test]
fn an_application_that_was_sent_since_is_no_loss_where_the_same_comes_or_another_was_asked_for() {
    let bench = Bench::new();
    let sent = [Sent { job: 8, name: "spring.hex".into(), flash: program(0, 500, 9) }];
    let mut observed = bench.baseline.clone();
    observed.flash.bytes.overlay(&sent[0].flash);
    let wants = |intent: &Intent| {
        let (desired, _) = desire(intent, &bench.baseline, &bench.chip, &bench.board).unwrap();
        application_changed(&sent, 7, &observed, &desired)
    };
    let found = wants(&install()).expect("it is lost");
    assert!(found.sentence.contains("Job 8 sent spring.hex") && found.sentence.contains("farrier journal close 7"), "{found:?}");
    let with = |image| Intent { application: ApplicationIntent::Write(named("summer.hex", image)), ..install() };
    assert_eq!(wants(&with(program(0, 500, 9))), None, "the same comes");
    assert_eq!(wants(&with(program(0, 300, 8))), None, "another was asked for");
}

#[test]
fn who_is_asked_whose_board_it_is_hears_what_was_sent_since() {
    let bench = Bench::new();
    let mut job = bench.stopped_after(bench.plan.steps().len() - 1);
    let mut observed = bench.left_by(&job, 0);
    job.sent_since = vec![Sent { job: 8, name: "spring.hex".into(), flash: program(0, 500, 9) }];
    observed.flash.bytes.overlay(&job.sent_since[0].flash);
    let jobs = [job];
    let Takeover::Ask(candidates) = bench.takeover(&jobs, &observed, None, Resume::Unasked) else { panic!("not asked") };
    assert!(candidates[0].reason.contains("job 8 has sent spring.hex to a loader since"), "{candidates:?}");
}

/// The step numbers at which the plan erases, and writes flash.
fn erase(kind: &StepKind) -> bool {
    *kind == StepKind::Erase
}

fn flash(kind: &StepKind) -> bool {
    matches!(kind, StepKind::WriteFlash { region, .. } if region == "application")
}

fn asked(takeover: Takeover) -> Vec<u64> {
    match takeover {
        Takeover::Ask(candidates) => candidates.iter().map(|candidate| candidate.job).collect(),
        other => panic!("not asked: {other:?}"),
    }
}

fn resumed(takeover: Takeover) -> (u64, Vec<K>) {
    match takeover {
        Takeover::Resume { job, findings } => (job.id, findings.iter().map(|finding| finding.kind).collect()),
        other => panic!("not resumed: {other:?}"),
    }
}

#[test]
fn an_erased_board_without_a_tag_is_asked_about_and_a_tag_answers() {
    let bench = Bench::new();
    let job = bench.stopped_after(bench.step(erase) + 1);
    let left = bench.left_by(&job, 0xFF);
    let jobs = [job.clone()];
    assert_eq!(asked(bench.takeover(&jobs, &left, None, Resume::Unasked)), [7]);
    assert_eq!(resumed(bench.takeover(&jobs, &left, None, Resume::Job(7))), (7, vec![]));
    assert_eq!(bench.takeover(&jobs, &left, None, Resume::None), Takeover::Fresh);

    let tagged = [UnfinishedJob { tag: Some("bed 4".into()), ..job }];
    assert_eq!(resumed(bench.takeover(&tagged, &left, Some("bed 4"), Resume::Unasked)), (7, vec![]));
    assert_eq!(bench.takeover(&tagged, &left, Some("bed 5"), Resume::Unasked), Takeover::Fresh);
    assert_eq!(asked(bench.takeover(&tagged, &left, None, Resume::Unasked)), [7]);
}

#[test]
fn a_new_blank_board_is_not_given_the_old_ones_contents() {
    let bench = Bench::new();
    let jobs = [bench.stopped_after(bench.step(erase) + 1)];
    let new = factory(&bench.chip);
    assert_eq!(asked(bench.takeover(&jobs, &new, None, Resume::Unasked)), [7]);
    let other = Observed { calibration: Some(0x9B), ..new };
    assert_eq!(bench.takeover(&jobs, &other, None, Resume::Unasked), Takeover::Fresh);
    let refused = takeover(&jobs, &other, None, Resume::Job(7), &target(&bench.chip, &bench.board));
    assert!(matches!(refused, Err(TakeoverError::AnotherBoard { asked: 7, .. })), "{refused:?}");
}

#[test]
fn what_the_baseline_left_on_the_board_names_it() {
    let bench = Bench::new();
    let jobs = [bench.stopped_after(bench.step(flash))];
    assert_eq!(resumed(bench.takeover(&jobs, &bench.left_by(&jobs[0], 0x00), None, Resume::Unasked)), (7, vec![]));
}

#[test]
fn in_the_middle_of_an_erase_another_board_with_the_same_firmware_is_asked_about() {
    let bench = Bench::new();
    let jobs = [bench.stopped_after(bench.step(erase))];
    assert_eq!(resumed(bench.takeover(&jobs, &bench.baseline, None, Resume::Unasked)), (7, vec![]), "the erase had not begun");
    let mut torn = bench.baseline.clone();
    torn.flash.bytes.overwrite(ByteAddress(300), &[0xFF; 8]);
    torn.eeprom.bytes.overwrite(ByteAddress(2), &[0x43, 0xFF, 0xC2]);
    assert_eq!(resumed(bench.takeover(&jobs, &torn, None, Resume::Unasked)), (7, vec![]), "it had set some bits");

    let mut settings = bench.baseline.clone();
    settings.eeprom.bytes.overwrite(ByteAddress(2), &[0x41]);
    let mut firmware = bench.baseline.clone();
    firmware.flash.bytes.overwrite(ByteAddress(300), &[0x00; 8]);
    for sister in [settings, firmware] {
        assert_eq!(asked(bench.takeover(&jobs, &sister, None, Resume::Unasked)), [7]);
        assert_eq!(bench.takeover(&jobs, &sister, None, Resume::None), Takeover::Fresh);
    }
}

#[test]
fn the_answer_none_does_not_mean_a_job_that_was_begun_with_it() {
    let bench = Bench::new();
    let mut job = bench.stopped_after(bench.step(erase) + 1);
    job.answered_none = true;
    let left = bench.left_by(&job, 0xFF);
    assert_eq!(asked(bench.takeover(std::slice::from_ref(&job), &left, None, Resume::None)), [7]);
    job.baseline = factory(&bench.chip);
    assert_eq!(bench.takeover(&[job], &left, None, Resume::None), Takeover::Fresh, "nothing is lost with a blank baseline");
}

#[test]
fn two_jobs_that_fit_are_asked_about() {
    let bench = Bench::new();
    let one = bench.stopped_after(bench.step(flash));
    let jobs = [one.clone(), UnfinishedJob { id: 8, ..one }];
    assert_eq!(asked(bench.takeover(&jobs, &bench.left_by(&jobs[0], 0x00), None, Resume::Unasked)), [7, 8]);
}

#[test]
fn a_board_that_is_not_as_the_job_left_it_is_asked_about_only_where_something_points_to_it() {
    let bench = Bench::new();
    let job = bench.stopped_after(bench.step(erase) + 1);
    let mut stranger = factory(&bench.chip);
    stranger.flash.bytes.overlay(&program(0, 900, 0x71));
    assert_eq!(bench.takeover(std::slice::from_ref(&job), &stranger, None, Resume::Unasked), Takeover::Fresh);
    let tagged = [UnfinishedJob { tag: Some("bed 4".into()), ..job.clone() }];
    assert_eq!(asked(bench.takeover(&tagged, &stranger, Some("bed 4"), Resume::Unasked)), [7]);
    assert_eq!(asked(bench.takeover(&[job], &bench.baseline, None, Resume::Unasked)), [7]);
}

#[test]
fn a_job_that_changed_nothing_holds_nobody_up() {
    let bench = Bench::new();
    let mut job = bench.stopped_after(bench.step(erase));
    job.in_hand = false;
    assert!(!job.changed_anything());
    assert_eq!(bench.takeover(&[job], &bench.baseline, None, Resume::Unasked), Takeover::Fresh);
}

#[test]
fn a_job_that_took_over_another_keeps_the_first_baseline_in_use() {
    let bench = Bench::new();
    let first = bench.stopped_after(bench.step(flash));
    let left = bench.left_by(&first, 0x00);
    let (plan, _) = reconcile(&left, bench.plan.desired(), &target(&bench.chip, &bench.board)).unwrap();
    let second = UnfinishedJob { id: 9, began_with: left.clone(), plan, finished: 0, in_hand: false, ..first };
    assert!(second.changed_anything());
    assert_eq!(resumed(bench.takeover(&[second], &left, None, Resume::Unasked)), (9, vec![]));
}

#[test]
fn settings_that_nobody_put_there_are_not_overwritten_unasked() {
    let bench = Bench::new();
    let jobs = [bench.stopped_after(bench.step(flash))];
    let mut left = bench.left_by(&jobs[0], 0x00);
    left.eeprom.bytes.overwrite(ByteAddress(5), &[1, 2, 3]);
    assert_eq!(resumed(bench.takeover(&jobs, &left, None, Resume::Unasked)), (7, vec![K::SettingsChangedSince]));
}

#[test]
fn an_answer_that_names_no_unfinished_job_is_an_error() {
    let bench = Bench::new();
    let jobs = [bench.stopped_after(1)];
    let wrong = takeover(&jobs, &bench.baseline, None, Resume::Job(3), &target(&bench.chip, &bench.board));
    assert_eq!(wrong, Err(TakeoverError::NoSuchJob { asked: 3, known: vec![7] }));
}
