//! A job through the programming header is cut off, and whoever has the board sends another application to the loader that is on it. The
//! same command again, or another one, loses neither the settings nor, unasked, that application.
//!
//! An ordinary run tries some of the cuts; with `FARRIER_CUT_STEP=1` every single operation.

use super::cuts;
use super::workbench::{Command, Decided, Failure, Workbench, install, random_bytes, write};
use farrier::finding::Kind;
use farrier::image::{ByteAddress, Image, Span};
use farrier::job::BaselineError;
use farrier::plan::{Intent, NamedImage, StepKind, loader_plan};
use farrier::record::{JobId, JobRecord, NewJob};
use farrier::sim::{Contents, Fault};
use std::time::{Duration, SystemTime};

const SEED: u64 = 23;
/// The looking before the job takes about so many operations.
const LOOKING: u64 = 40;
/// Of the last operations, in which the loader is there already, more cuts are tried.
const TAIL: u64 = 100;

/// What a board holds with its loader, an application and settings; `locked` against writing, so that every job begins with an erase.
fn fitted(locked: bool) -> Contents {
    let mut bench = Workbench::new("frost", SEED);
    bench.run(&Command::of(&install(&bench.board))).expect("it is installed");
    bench.sim.edit(|contents| {
        contents.flash[..2_000].copy_from_slice(&random_bytes(2_000, SEED + 1));
        let settings = contents.eeprom.len();
        contents.eeprom.copy_from_slice(&random_bytes(settings, SEED + 2));
        // The brown-out level is not the board file's, and an erase takes the EEPROM.
        contents.fuses[2] = 0xFF;
        contents.fuses[1] |= 0b1000;
        contents.lock &= if locked { 0xFE } else { 0xFF };
    });
    bench.sim.contents()
}

/// A board that holds this, and has a journal of its own.
fn board_with(held: &Contents) -> Workbench {
    let bench = Workbench::new("frost", SEED);
    bench.sim.edit(|contents| *contents = held.clone());
    bench
}

/// What somebody sends: shorter than what is there.
fn sent() -> Image {
    Image::of(ByteAddress(0), &random_bytes(1_500, SEED + 3))
}

/// What another command writes: longer.
fn longer() -> Image {
    Image::of(ByteAddress(0), &random_bytes(2_500, SEED + 4))
}

/// Whether a reset starts a loader that is whole.
fn has_its_loader(bench: &Workbench, contents: &Contents) -> bool {
    let reserved = bench.board.reservation.as_ref().expect("a reservation").span;
    let loader = farrier::diagnosis::own_loader(&bench.board, &bench.chip).expect("its loader").image;
    let held = &contents.flash[reserved.start().0 as usize..reserved.end().0 as usize];
    let runs = bench.chip.system_clock(&bench.board, &contents.fuses) == Some(bench.board.clock.hz);
    runs && bench.chip.started_section(&contents.fuses) == Some(reserved) && held == loader.filled(reserved, 0xFF)
}

/// The loader takes the application.
fn take(bench: &Workbench) {
    let bytes = sent().filled(Span::first(1_500), 0xFF);
    bench.sim.edit(|contents| contents.flash[..1_500].copy_from_slice(&bytes));
}

/// The same, as `write --way fitted-loader` enters it.
fn send(bench: &mut Workbench) -> JobId {
    take(bench);
    let (image, date, span) = (sent(), SystemTime::UNIX_EPOCH, Span::first(1_500));
    let plan = loader_plan(&NamedImage { name: "spring.hex".into(), image }, span, Duration::from_secs(1), &bench.chip);
    let journal = &mut bench.records.journal;
    let new = NewJob {
        date,
        board: bench.board.name.clone(),
        chip: bench.chip.part.clone(),
        command: "a test".into(),
        tag: None,
        id_bytes: None,
        calibration: None,
        serial_number: None,
        bridge: "/dev/ttyUSB1".into(),
        holder: "this process".into(),
        simulated: false,
        made_by: "tests".into(),
        baseline: None,
        before: None,
        inherits: None,
        images: Vec::new(),
        findings: Vec::new(),
        accepted: Vec::new(),
        held: None,
        leaves: None,
        plan: &plan,
    };
    let job = journal.begin(&new).expect("it is entered");
    journal.step_begun(job, 0, date).expect("it begins");
    journal.step_finished(job, 0, date, Duration::from_secs(1)).expect("it ends");
    journal.finish(job, date, "by its CRC", Duration::from_secs(1)).expect("it is finished");
    job
}

/// How the same command, or another, stood to what was sent.
#[derive(Default, Debug)]
struct Met {
    /// Whose board it is was asked.
    asked: u32,
    /// A consent was.
    consent: u32,
    /// Nothing was.
    nothing: u32,
}

fn is_asked_about(decided: &Decided) -> bool {
    decided.findings.iter().any(|finding| finding.kind == Kind::ApplicationChangedSince)
}

/// Cuts `first` after so many operations, sends where a loader is then, and gives `then`.
fn cut_send_and(before: &Contents, first: &Intent, then: &Intent, after: u64, met: &mut Met) {
    let mut bench = board_with(before);
    bench.sim.damage(Fault::PowerCut(after));
    let done = bench.run(&Command::of(first)).is_ok();
    bench.sim.restore_power();
    let cut = bench.records.journal.unfinished(&[]).expect("the journal").first().map(|record| record.job.id);
    let (Some(job), false) = (cut, done) else { return };
    if !has_its_loader(&bench, &bench.sim.contents()) {
        return;
    }
    send(&mut bench);
    let told = format!("cut after {after}");
    let held = bench.sim.contents();
    match bench.decide(&Command::of(then)) {
        Err(Failure::Baseline(BaselineError::Ask(candidates))) => {
            assert!(candidates[0].reason.contains("has sent an application to a loader since"), "{told}: {candidates:?}");
            met.asked += 1;
        }
        Ok(decided) if is_asked_about(&decided) => met.consent += 1,
        Ok(_) => met.nothing += 1,
        Err(other) => panic!("{told}: {other}"),
    }
    assert!(bench.sim.contents() == held, "{told}: asking changes nothing");
    // What the consent and the question say keeps it.
    if !matches!(bench.decide(&Command::of(then)), Ok(decided) if !is_asked_about(&decided)) {
        bench.records.journal.close(job, SystemTime::UNIX_EPOCH).expect("it is closed");
    }
    let done = bench.run(&Command::of(then)).unwrap_or_else(|why| panic!("{told}: {why}"));
    assert!(!is_asked_about(&done.decided), "{told}");
    let now = bench.sim.contents();
    assert!(now.eeprom == before.eeprom, "{told}: the settings are not kept");
    let wanted = match &then.application {
        farrier::plan::ApplicationIntent::Write(application) => application.image.clone(),
        farrier::plan::ApplicationIntent::Keep => sent(),
    };
    let span = wanted.extent().expect("bytes");
    assert!(now.flash[..span.end().0 as usize] == wanted.filled(span, 0xFF), "{told}: the application is not kept");
    assert!(has_its_loader(&bench, &now), "{told}: the loader is not kept");
    assert_eq!(bench.sim.violations().count, 0, "{told}");
}

/// Every cut that is tried.
fn every_cut(first: &Intent, then: &Intent, locked: bool) -> Met {
    let before = fitted(locked);
    let mut bench = board_with(&before);
    let begun = bench.sim.operations();
    bench.run(&Command::of(first)).expect("without a cut it is done");
    let operations = bench.sim.operations() - begun;
    let step = cuts::step(100);
    let tried = |after: &u64| after.is_multiple_of(step) || after + TAIL > operations && after.is_multiple_of(step.div_ceil(10));
    let mut met = Met::default();
    for after in (LOOKING..operations).filter(tried) {
        cut_send_and(&before, first, then, after, &mut met);
    }
    met
}

fn brown_out() -> Intent {
    Intent { configuration: vec![("brown-out".into(), "below-1v8".into())], ..Intent::default() }
}

#[test]
fn an_install_that_was_cut_keeps_settings_and_what_was_sent_since() {
    let intent = install(&Workbench::new("frost", SEED).board);
    let met = every_cut(&intent, &intent, true);
    assert!(met.asked > 0 && met.consent > 0, "{met:?}");
}

#[test]
fn another_command_after_the_cut_keeps_them_too() {
    let met = every_cut(&write(longer()), &brown_out(), true);
    assert!(met.asked > 0 && met.consent > 0, "{met:?}");
}

#[test]
fn an_application_that_is_written_again_needs_no_consent() {
    let intent = write(longer());
    let met = every_cut(&intent, &intent, true);
    assert!(met.consent == 0 && met.nothing > 0, "{met:?}");
}

#[test]
fn a_configuration_that_was_cut_keeps_them() {
    let met = every_cut(&brown_out(), &brown_out(), false);
    assert!(met.asked + met.consent > 0, "{met:?}");
}

/// Whoever accepts it has the board from before the first job.
#[test]
fn who_goes_on_all_the_same_has_what_was_before() {
    let (intent, before) = (install(&Workbench::new("frost", SEED).board), fitted(true));
    let mut bench = in_the_application(&intent, &before);
    send(&mut bench);
    let done = bench.run(&Command::of(&intent)).expect("it goes on");
    assert!(is_asked_about(&done.decided));
    let now = bench.sim.contents();
    assert!((&now.flash[..0x7C00], &now.eeprom) == (&before.flash[..0x7C00], &before.eeprom));
}

/// Were it not for the journal, what was sent would be lost without a word.
#[test]
fn canary_what_no_job_sent_is_lost_unasked() {
    let (intent, before) = (install(&Workbench::new("frost", SEED).board), fitted(true));
    let mut bench = in_the_application(&intent, &before);
    take(&bench);
    let done = bench.run(&Command::of(&intent)).expect("it goes on");
    assert!(!is_asked_about(&done.decided));
    assert!(bench.sim.contents().flash[..0x7C00] == before.flash[..0x7C00]);
}

/// A board on which the job was cut off while it wrote the application, behind a loader that is whole.
fn in_the_application(intent: &Intent, before: &Contents) -> Workbench {
    for after in LOOKING.. {
        let mut bench = board_with(before);
        bench.sim.damage(Fault::PowerCut(after));
        assert!(bench.run(&Command::of(intent)).is_err(), "no cut falls there");
        bench.sim.restore_power();
        let unfinished = bench.records.journal.unfinished(&[]).expect("the journal");
        let of_application = |kind: &StepKind| matches!(kind, StepKind::WriteFlash { region, .. } if region == "application");
        let step = |record: &JobRecord| record.plan.steps().get(record.job.step_in_hand()?).map(|step| of_application(&step.kind));
        if unfinished.first().and_then(step) == Some(true) && has_its_loader(&bench, &bench.sim.contents()) {
            return bench;
        }
    }
    unreachable!("there is an end to every job")
}
