//! The pure part of `revive`: from observed states to rungs, causes and remedies, without a bus.

mod beside;
mod generic;
mod silent;

use farrier::algorithm::avr_spi::{Attempt, Evidence, Feed, Lines, NoAnswer, Rung as Try, Wiring};
use farrier::board::{Board, Catalog, Chip};
use farrier::bus::LineLevels;
use farrier::diagnosis::{Answer, Case, Diagnosis, From, Kept, Known, Recognised, Seen, Unfinished, Verdict, diagnose};
use farrier::image::{ByteAddress, Image, Span};
use farrier::plan::{Access, Contents, LoaderIntent, Observed, Part};
use farrier::sim::Used;
use farrier::units::{Hertz, Millivolts};

fn vent() -> (Board, Chip) {
    Catalog::built_in().board("vent").expect("a demo board")
}

/// What a vent in use holds.
fn used() -> Observed {
    used_of(&vent())
}

/// What such a board in use holds.
fn used_of((board, chip): &(Board, Chip)) -> Observed {
    let held = Used::of(board, chip, 1).contents;
    let whole = |bytes: &[u8]| Contents { bytes: Image::of(ByteAddress(0), bytes), unreadable: None };
    Observed {
        id: Some(chip.id),
        calibration: Some(held.calibration),
        flash: whole(&held.flash),
        eeprom: whole(&held.eeprom),
        configuration: Some(held.fuses),
        lock: Some(held.lock),
        access: Some(Access {
            way: farrier::board::Way::Spi,
            programming_clock: Hertz(1_000_000),
            clock_output: None,
            tries: 1,
            supply: Some(Millivolts(5_000)),
            pin_level: Some(Millivolts(5_000)),
        }),
    }
}

fn seen(answer: Answer) -> Seen {
    Seen { bridge: "a bridge".into(), pin_level: Millivolts(5_000), answer }
}

#[derive(Clone, Copy, Default)]
struct Given<'a> {
    known: &'a [Known],
    snapshots: &'a [Kept],
    tag: Option<&'a str>,
    recognised: Option<&'a Recognised>,
    unfinished: Option<&'a Unfinished>,
}

fn diagnosed(answer: Answer, given: Given) -> Diagnosis {
    diagnosed_of(&vent(), answer, given)
}

fn diagnosed_of((board, chip): &(Board, Chip), answer: Answer, given: Given) -> Diagnosis {
    diagnose(&Case {
        seen: &seen(answer),
        board,
        chip,
        known: given.known,
        snapshots: given.snapshots,
        back_to: None,
        tag: given.tag,
        recognised: given.recognised,
        unfinished: given.unfinished,
    })
}

fn read(observed: Observed) -> Answer {
    Answer::Read(Box::new(observed))
}

fn kinds(diagnosis: &Diagnosis) -> Vec<&'static str> {
    diagnosis.causes.iter().map(|cause| cause.kind.name()).collect()
}

/// The names of the rungs that came out wrong.
fn wrong(diagnosis: &Diagnosis) -> Vec<&'static str> {
    diagnosis.rungs.iter().filter(|rung| rung.verdict == Verdict::Wrong).map(|rung| rung.name).collect()
}

fn silent(evidence: Evidence, clock_output: Option<Hertz>, feed: Feed) -> Answer {
    let low = LineLevels { reset: false, sck: false, mosi: false, miso: true };
    let lines = Lines { with_reset_high: LineLevels { reset: true, ..low }, with_reset_low: low, back: [0xFF; 4] };
    let wiring = Wiring { supply: Some(Millivolts(5_000)), lines: Some(lines) };
    let attempt = Attempt { rung: Try { programming_clock: Hertz(10_000), clock_output }, answer: [0xFF; 4], evidence };
    Answer::Silent(Box::new(NoAnswer { attempts: vec![attempt], wiring, evidence, feed }))
}

#[test]
fn each_evidence_leads_to_its_cause_and_its_rung() {
    use Evidence::*;
    for (evidence, cause, rung) in [
        (AllZeros, "no-answer", "answer"),
        (AllOnes, "no-answer", "answer"),
        (OtherBytes, "garbled-answer", "answer"),
        (ShiftedByABit, "garbled-answer", "answer"),
        (BlankId, "garbled-answer", "answer"),
        (Unsteady, "garbled-answer", "answer"),
        (SentComesBack, "data-lines-joined", "lines"),
        (SckHeldHigh, "line-held", "lines"),
        (MosiHeldHigh, "line-held", "lines"),
        (ResetHeldLow, "line-held", "reset"),
        (ResetHeldHigh, "line-held", "reset"),
        (NoPower, "no-supply", "supply"),
    ] {
        let diagnosis = diagnosed(silent(evidence, None, Feed::NoOutput), Given::default());
        assert_eq!(kinds(&diagnosis), [cause], "{evidence:?}");
        assert_eq!(wrong(&diagnosis).first(), Some(&rung), "{evidence:?}");
        assert!(diagnosis.remedy.intent.is_none() && !diagnosis.remedy.left.is_empty(), "{evidence:?}");
    }
}

/// What was tried is no possibility any more, and what can be tried here comes first.
#[test]
fn a_silent_chip_may_lack_its_clock_until_the_bridge_has_fed_it_one() {
    let first = |answer: Answer| diagnosed(answer, Given::default()).causes[0].could_be[0].clone();
    assert!(first(silent(Evidence::AllOnes, None, Feed::Possible)).contains("--clock-output"));
    assert!(first(silent(Evidence::AllOnes, None, Feed::NoOutput)).contains("a bridge with a clock output"));
    assert!(first(silent(Evidence::AllOnes, Some(Hertz(1_000_000)), Feed::Possible)).starts_with("A wire"));
}

#[test]
fn id_bytes_of_another_chip_and_id_bytes_that_come_shifted() {
    let with = |id: [u8; 3]| diagnosed(read(Observed { id: Some(id), ..used() }), Given::default());
    let other = with([0x1E, 0x95, 0x0F]);
    assert_eq!(kinds(&other), ["another-chip"]);
    assert!(other.sentence().contains("an ATmega328P; the board file says ATmega1284P (1E 97 05)"), "{}", other.sentence());
    let shared = with([0x1E, 0x93, 0x07]);
    assert_eq!(kinds(&shared), ["another-chip"]);
    assert!(shared.sentence().contains("an ATmega8 or an ATmega8A"), "{}", shared.sentence());
    assert!(shared.sentence().contains("--board generic-atmega8 or --board generic-atmega8a"), "{}", shared.sentence());
    let refused = with([0x1E, 0x91, 0x01]);
    assert_eq!(kinds(&refused), ["another-chip"]);
    assert!(refused.sentence().contains("an AT90S2313") && refused.sentence().contains("because it writes its flash byte by byte"));
    let unknown = with([0x1E, 0x99, 0x99]);
    assert_eq!(kinds(&unknown), ["another-chip"]);
    assert!(unknown.sentence().contains("Read what is printed on the chip. If it is ATmega1284P"), "{}", unknown.sentence());
    let nobodys = with([0x53, 0x02, 0x9F]);
    assert_eq!(kinds(&nobodys), ["garbled-answer"]);
    assert!(nobodys.sentence().contains("no chip's ID that is known begins with 53, but with 1E"), "{}", nobodys.sentence());
    // 1E 97 05, a bit early and a bit late.
    assert_eq!(kinds(&with([0x3D, 0x2E, 0x0A])), ["garbled-answer"]);
    assert_eq!(kinds(&with([0x0F, 0x4B, 0x82])), ["garbled-answer"]);
}

#[test]
fn a_board_in_use_is_no_patient_and_neither_is_one_without_a_loader() {
    let demo = demo();
    let known = [demo];
    let fine = diagnosed(read(used()), Given { known: &known, ..Given::default() });
    assert_eq!((kinds(&fine), fine.remedy.left.len()), (vec![], 0), "{:?}", fine.sentence());
    let (board, chip) = vent();
    let mut bare = used();
    let reserved = board.reservation.as_ref().expect("a reservation").span;
    bare.flash.bytes.overwrite(reserved.start(), &vec![0xFF; reserved.len() as usize]);
    let start = chip.field("reset-start").expect("a field");
    start.set(bare.configuration.as_mut().expect("read"), start.value("application").expect("a value").bits);
    assert_eq!(kinds(&diagnosed(read(bare), Given { known: &known, ..Given::default() })), Vec::<&str>::new());
}

/// Somebody's own loader and own application are open questions and no faults.
#[test]
fn what_is_not_known_and_starts_is_left_alone() {
    let mut own = used();
    let jump = |to: u32| vec![0x0C, 0x94, (to / 2) as u8, ((to / 2) >> 8) as u8];
    let code = [jump(4), vec![0x11, 0x24, 0x1F, 0xBE]].concat();
    own.flash.bytes.overwrite(ByteAddress(0), &[0xFF; 0x1_0000]);
    own.flash.bytes.overwrite(ByteAddress(0), &code);
    own.flash.bytes.overwrite(ByteAddress(0x1_F800), &[0xFF; 0x800]);
    own.flash.bytes.overwrite(ByteAddress(0x1_F800), &[0xF8, 0x94, 0x11, 0x24]);
    let diagnosis = diagnosed(read(own), Given { known: &[demo()], ..Given::default() });
    assert_eq!((kinds(&diagnosis), wrong(&diagnosis)), (vec!["loader-unknown"], vec![]), "{:?}", diagnosis.rungs);
    assert!(diagnosis.remedy.intent.is_none(), "{:?}", diagnosis.remedy);
}

#[test]
fn lock_bits_against_writing_alone_hide_nothing() {
    let locked = Observed { lock: Some(0xEE), ..used() };
    let diagnosis = diagnosed(read(locked), Given { known: &[demo()], ..Given::default() });
    assert_eq!(kinds(&diagnosis), Vec::<&str>::new());
}

/// What such a job had put right is wrong in its baseline, so an intent that keeps the rest would bring it back.
#[test]
fn a_job_that_was_cut_off_goes_before_everything_else() {
    let job = Unfinished { job: 7, command: "farrier loader install".into(), ends_as_wanted: false };
    let wanted = Known { name: "other.hex".into(), image: Image::of(ByteAddress(0), &[1, 2, 3, 4]), from: From::Wanted };
    let diagnosis = diagnosed(read(used()), Given { known: std::slice::from_ref(&wanted), unfinished: Some(&job), ..Given::default() });
    assert_eq!(diagnosis.causes[0].kind.name(), "job-unfinished");
    assert_eq!((diagnosis.remedy.go_on, diagnosis.remedy.intent), (Some(7), None));
    assert!(diagnosis.remedy.left[0].contains("--to"));
    let job = Unfinished { ends_as_wanted: true, ..job };
    let diagnosis = diagnosed(read(used()), Given { known: &[wanted], unfinished: Some(&job), ..Given::default() });
    assert_eq!((diagnosis.remedy.go_on, diagnosis.remedy.left), (Some(7), Vec::new()));
}

/// By its tag, by its content with the calibration byte, or not at all.
#[test]
fn only_the_boards_own_snapshot_is_used_unasked() {
    let mut broken = used();
    broken.flash.bytes.overwrite(ByteAddress(0), &[0xFF; 0x1_0000]);
    let used_by = |tag: Option<&str>, of: Option<&str>, calibration: u8| {
        let held = Observed { calibration: Some(calibration), ..used() };
        let snapshots = [Kept::of("kept".into(), "ATmega1284P", of, held)];
        let diagnosis = diagnosed(read(broken.clone()), Given { snapshots: &snapshots, tag, ..Given::default() });
        diagnosis.remedy.intent.is_some_and(|intent| intent.restore.is_some())
    };
    let calibration = used().calibration.expect("read");
    assert!(used_by(None, None, calibration), "its EEPROM is there");
    assert!(used_by(Some("1187"), Some("1187"), calibration));
    assert!(!used_by(Some("1187"), Some("1188"), calibration), "another tag");
    assert!(!used_by(None, None, !calibration), "another chip");
    assert!(!used_by(Some("1187"), Some("1187"), !calibration), "the tag of another chip");
}

/// Boards of one batch have the same firmware, so the flash tells nothing: another board's settings must not come to this one.
#[test]
fn the_same_firmware_tells_no_board_and_the_journal_does() {
    let store = Span::first(vent().1.eeprom.bytes);
    let mut wiped = used();
    wiped.eeprom.bytes.overwrite(store.start(), &vec![0xFF; store.len() as usize]);
    let snapshots = [Kept::of("kept".into(), "ATmega1284P", None, used())];
    let known = [demo()];
    let given = Given { known: &known, snapshots: &snapshots, ..Given::default() };
    let unknown = diagnosed(read(wiped.clone()), Given { ..given });
    assert_eq!(kinds(&unknown), ["settings-blank"]);
    assert!(unknown.remedy.intent.is_none() && unknown.remedy.left[0].contains("kept may be this board's"), "{:?}", unknown.remedy);
    let left = |snapshots: &[&str]| Recognised {
        words: "holds exactly what job 41 left".into(),
        settings: true,
        tag: None,
        snapshots: snapshots.iter().map(|name| (*name).to_owned()).collect(),
    };
    let its = diagnosed(read(wiped.clone()), Given { recognised: Some(&left(&["kept"])), ..given });
    assert!(its.remedy.intent.is_some_and(|intent| intent.restore.is_some()), "{:?}", its.rungs);
    // The store is as the last job left it, and no snapshot is this board's: nothing was lost.
    let blank = diagnosed(read(wiped), Given { recognised: Some(&left(&["another"])), ..given });
    assert_eq!(kinds(&blank), Vec::<&str>::new());
}

/// What is kept before a repair holds what was ill, and must not come back; its settings may.
#[test]
fn a_snapshot_of_an_ill_board_gives_nothing_but_its_settings() {
    let (_, chip) = vent();
    let ill = |field: &str, value: &str| {
        let field = chip.field(field).expect("a field");
        let mut held = used();
        field.set(held.configuration.as_mut().expect("read"), field.value(value).expect("a value").bits);
        [Kept::of("ill".into(), "ATmega1284P", Some("1187"), held)]
    };
    let mut torn = used();
    torn.flash.bytes.overwrite(ByteAddress(0), &[0xFF; 0x1_0000]);
    let mut wiped = used();
    wiped.eeprom.bytes.overwrite(ByteAddress(0), &vec![0xFF; chip.eeprom.bytes as usize]);
    for (field, value) in [("watchdog", "always-on"), ("clock", "external"), ("clock-divider", "on"), ("reset-start", "application")] {
        let (known, snapshots) = ([demo()], ill(field, value));
        let given = Given { known: &known, snapshots: &snapshots, tag: Some("1187"), ..Given::default() };
        let application = diagnosed(read(torn.clone()), given);
        assert!(application.remedy.intent.is_none_or(|intent| intent.restore.is_none()), "{field}: {:?}", application.remedy.does);
        let settings = diagnosed(read(wiped.clone()), given).remedy.intent.expect("a plan").restore.expect("from the snapshot");
        assert_eq!(settings.parts, [Part::Eeprom], "{field}");
    }
}

/// A board without an application has had nobody to store settings.
#[test]
fn a_new_board_with_nothing_but_a_loader_is_not_ill_for_want_of_settings() {
    let (board, chip) = vent();
    let mut new = used();
    let room = board.application(&chip);
    new.flash.bytes.overwrite(room.start(), &vec![0xFF; room.len() as usize]);
    new.eeprom.bytes.overwrite(ByteAddress(0), &vec![0xFF; chip.eeprom.bytes as usize]);
    let diagnosis = diagnosed(read(new), Given::default());
    assert_eq!(kinds(&diagnosis), ["application-missing"], "{:?}", diagnosis.rungs);
}

/// A loader that reset does not start counts as the application's flash, so writing an application must bring it along.
#[test]
fn a_loader_that_is_bypassed_is_not_written_over() {
    let (_, chip) = vent();
    let mut bypassed = used();
    let start = chip.field("reset-start").expect("a field");
    start.set(bypassed.configuration.as_mut().expect("read"), start.value("application").expect("a value").bits);
    bypassed.flash.bytes.overwrite(ByteAddress(0), &[0xFF; 0x400]);
    let wanted = Known { from: From::Wanted, ..demo() };
    let diagnosis = diagnosed(read(bypassed), Given { known: &[wanted], ..Given::default() });
    let intent = diagnosis.remedy.intent.expect("a plan");
    assert!(matches!(intent.loader, LoaderIntent::Install(_)), "{:?}", diagnosis.remedy.does);
}

fn demo() -> Known {
    let (board, chip) = vent();
    let image = Used::of(&board, &chip, 1).application.crop(Span::first(chip.flash.bytes));
    Known { name: "the demo application".into(), image, from: From::Demo { board: "vent".into(), chip: chip.part } }
}
