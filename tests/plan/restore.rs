//! Back to a snapshot: what comes from it, what stays, what is refused; over random boards, snapshots and cuts.

use super::made_up::*;
use super::properties::{ComputedFrom, run, survives_cuts};
use farrier::board::Chip;
use farrier::finding::{Finding, Kind as K, Severity};
use farrier::image::{ByteAddress, Image, Memory, Span};
use farrier::plan::*;
use proptest::prelude::*;
use proptest::test_runner::{Config, TestCaseError, TestError, TestRunner};

/// A snapshot of this state, tagged like the board in hand, all of it wanted.
pub fn of(held: &Observed) -> Restore {
    Restore {
        name: "2026-11-25-090001-vent".into(),
        chip: "ATmade2".into(),
        held: held.clone(),
        parts: Part::ALL.to_vec(),
        tag: Some("bed 4".into()),
        board_tag: Some("bed 4".into()),
        doubt: None,
    }
}

pub fn changed(mut restore: Restore, change: impl FnOnce(&mut Restore)) -> Restore {
    change(&mut restore);
    restore
}

fn back(restore: Restore) -> Intent {
    Intent { restore: Some(restore), ..Intent::default() }
}

/// A board whose flash and EEPROM hold only this byte.
fn full_of(byte: u8) -> Observed {
    let contents = |bytes: u32| Contents { bytes: Image::of(ByteAddress(0), &vec![byte; bytes as usize]), unreadable: None };
    Observed { flash: contents(FLASH), eeprom: contents(EEPROM), ..factory(&chip(Kind::Usual)) }
}

fn desired(restore: Restore, baseline: &Observed) -> (Desired, Vec<Finding>) {
    desire(&back(restore), baseline, &chip(Kind::Usual), &board()).expect("nothing is refused")
}

fn refused(restore: Restore, baseline: &Observed) -> Vec<K> {
    let (chip, board) = (chip(Kind::Usual), board());
    let findings = match desire(&back(restore), baseline, &chip, &board) {
        Err(DesireError::Refused(findings)) => findings,
        Err(error) => panic!("{error}"),
        Ok((desired, _)) => reconcile(baseline, &desired, &target(&chip, &board)).expect_err("it is refused"),
    };
    findings.iter().filter(|finding| finding.severity() == Severity::Refuse).map(|finding| finding.kind).collect()
}

/// The serial number of the made-up board.
const SERIAL: std::ops::Range<u32> = 48..56;

#[test]
fn what_a_snapshot_does_not_hold_stays_as_it_was() {
    let baseline = full_of(0x11);
    let mut held = full_of(0x22);
    held.flash = Contents { bytes: Image::of(ByteAddress(64), &[0x22; 64]), unreadable: Some("a made-up reason".into()) };
    held.eeprom = Contents { bytes: Image::default(), unreadable: Some("a made-up reason".into()) };
    held.lock = None;
    let (desired, findings) = desired(of(&held), &baseline);
    let mut flash = baseline.flash.bytes.clone();
    flash.overwrite(ByteAddress(64), &[0x22; 64]);
    assert_eq!((&desired.flash, &desired.eeprom), (&flash, &baseline.eeprom.bytes));
    assert_eq!(desired.lock, 0xFF);
    let said = findings.iter().find(|finding| finding.kind == K::SnapshotIncomplete).expect("it is said");
    assert!(said.sentence.contains("1984 bytes of flash (a made-up reason), 64 bytes of EEPROM"), "{}", said.sentence);
    assert!(said.sentence.contains("the lock byte"), "{}", said.sentence);
}

#[test]
fn only_the_parts_that_are_named_change() {
    let baseline = full_of(0x11);
    let held = Observed { configuration: Some(vec![0xFE, 0xDC, 0xFC]), lock: Some(0xEF), ..full_of(0x22) };
    // The same board: its serial number is the same.
    let held = changed(of(&held), |back| back.held.eeprom.bytes.overwrite(ByteAddress(SERIAL.start), &[0x11; 8])).held;
    for part in Part::ALL {
        let (desired, _) = desired(changed(of(&held), |back| back.parts = vec![part]), &baseline);
        let from = |mine| if part == mine { &held } else { &baseline };
        assert_eq!(desired.flash, from(Part::Flash).flash.bytes, "{part:?}");
        assert_eq!(desired.eeprom, from(Part::Eeprom).eeprom.bytes, "{part:?}");
        let configuration = from(Part::Configuration);
        assert_eq!(Some(&desired.configuration), configuration.configuration.as_ref(), "{part:?}");
        assert_eq!(Some(desired.lock), configuration.lock, "{part:?}");
    }
}

#[test]
fn another_boards_serial_number_does_not_come_along_and_the_own_one_comes_back() {
    let (mine, blank, held) = (full_of(0x11), full_of(0xFF), full_of(0x22));
    let serial = |desired: &Desired| SERIAL.map(|at| desired.eeprom.byte(ByteAddress(at)).unwrap()).collect::<Vec<u8>>();
    let other = |findings: &[Finding]| findings.iter().any(|finding| finding.kind == K::AnotherBoardsSnapshot);

    // It differs, and that alone shows another board.
    let (state, findings) = desired(of(&held), &mine);
    assert!(other(&findings));
    assert_eq!(serial(&state), [0x11; 8]);
    assert_eq!(state.eeprom.byte(ByteAddress(47)), Some(0x22), "the rest comes");

    // A blank one speaks for nothing: an erased board gets its own back, and another board keeps its blank one.
    let (state, findings) = desired(of(&held), &blank);
    assert!(!other(&findings));
    assert_eq!(serial(&state), [0x22; 8]);
    let (state, findings) = desired(changed(of(&held), |back| back.board_tag = Some("bed 5".into())), &blank);
    assert!(other(&findings));
    assert_eq!(serial(&state), [0xFF; 8]);
}

#[test]
fn a_tag_that_is_missing_on_one_side_speaks_for_nothing() {
    let held = full_of(0x11);
    for (tag, board_tag) in [(None, Some("bed 4")), (Some("bed 4"), None), (None, None)] {
        let restore = Restore { tag: tag.map(str::to_owned), board_tag: board_tag.map(str::to_owned), ..of(&held) };
        assert_eq!(desired(restore, &held).1, []);
    }
}

#[test]
fn the_refusals_hold_for_snapshots_too() {
    let baseline = full_of(0x11);
    // RSTDISBL programmed; SPIEN unprogrammed.
    for high in [0x5F, 0xFF] {
        let shut = Observed { configuration: Some(vec![0x7A, high, 0xFF]), ..baseline.clone() };
        assert_eq!(refused(of(&shut), &baseline), [K::LosesProgrammingAccess], "{high:02X}");
    }
    let other = Observed { id: Some([0x1E, 0x93, 0x07]), ..baseline.clone() };
    assert_eq!(refused(of(&other), &baseline), [K::WrongChip]);
    let unread = Observed { id: None, ..baseline.clone() };
    assert_eq!(refused(changed(of(&unread), |back| back.chip = "ATmade4".into()), &baseline), [K::WrongChip]);
}

#[test]
fn a_loader_that_the_snapshot_lacks_and_a_lock_that_it_has_need_consent() {
    let chip = chip(Kind::Usual);
    let before = factory(&chip);
    let (fitted, _) = desire(&install(), &before, &chip, &board()).unwrap();
    let fitted = Observed {
        flash: Contents { bytes: fitted.flash, unreadable: None },
        configuration: Some(fitted.configuration),
        lock: Some(fitted.lock),
        ..before.clone()
    };
    let kinds = |restore, baseline| desired(restore, baseline).1.iter().map(|finding| finding.kind).collect::<Vec<_>>();
    assert!(kinds(of(&before), &fitted).contains(&K::LoaderRemoved));
    assert!(!kinds(of(&fitted), &fitted).contains(&K::LoaderRemoved));
    assert!(!kinds(of(&fitted), &before).contains(&K::LoaderRemoved));
    let locked =
        Observed { lock: Some(0xFC), flash: Contents { bytes: Image::default(), unreadable: Some("locked".into()) }, ..fitted.clone() };
    let (board, target_board) = (board(), board());
    let (state, _) = desire(&back(of(&locked)), &fitted, &chip, &board).unwrap();
    let (_, findings) = reconcile(&fitted, &state, &target(&chip, &target_board)).unwrap();
    assert!(findings.iter().any(|finding| finding.kind == K::ReadoutLocked), "{findings:#?}");
}

#[test]
fn each_changed_byte_names_the_snapshot_as_its_origin() {
    let (baseline, mut held) = (full_of(0x11), full_of(0x11));
    held.flash.bytes.overwrite(ByteAddress(130), &[0x22]);
    let (desired, _) = desired(of(&held), &baseline);
    let origin = |memory, at| desired.origin(memory, ByteAddress(at)).cloned();
    let snapshot = Some(Origin::Snapshot("2026-11-25-090001-vent".into()));
    assert_eq!(origin(Memory::Flash, 130), snapshot);
    assert_eq!(origin(Memory::Flash, 127), Some(Origin::Baseline));
    assert_eq!(origin(Memory::Eeprom, 0), Some(Origin::Baseline));
}

/// Two states of a board, parts and gaps.
#[derive(Debug, Clone)]
struct Case {
    kind: Kind,
    before: Raw,
    held: Raw,
    parts: Vec<Part>,
    gap: (u32, u32),
    calibration: u8,
    seed: u64,
}

#[derive(Debug, Clone)]
struct Raw {
    flash: u64,
    /// Share of the flash that is set.
    filled: usize,
    eeprom: u64,
    configuration: u64,
    lock: u8,
}

impl Raw {
    fn state(&self, chip: &Chip) -> State {
        let random = |seed, set: usize, all: u32| {
            let mut random = fastrand::Rng::with_seed(seed);
            (0..all as usize).map(|n| Some(if n < set { random.u8(..) } else { 0xFF })).collect()
        };
        let mut choice = fastrand::Rng::with_seed(self.configuration);
        let mut configuration = vec![0xFF; chip.configuration.len()];
        for field in &chip.fields {
            let open: Vec<_> = field.values.iter().filter(|value| value.shuts.is_empty()).collect();
            field.set(&mut configuration, choice.choice(open).unwrap().bits);
        }
        State {
            flash: random(self.flash, self.filled, chip.flash.bytes),
            eeprom: random(self.eeprom, 40, chip.eeprom.bytes),
            in_force: configuration.iter().copied().map(Bits::known).collect(),
            configuration: configuration.into_iter().map(Bits::known).collect(),
            lock: Bits::known(self.lock),
            entered: false,
            clock_unproven: false,
        }
    }
}

fn raw() -> impl Strategy<Value = Raw> {
    let lock = prop_oneof![4 => Just(0xFFu8), 2 => Just(0xFE), 1 => Just(0xFC), 1 => Just(0xEF)];
    (0u64..6, 0..FLASH as usize, 0u64..6, any::<u64>(), lock).prop_map(|(flash, filled, eeprom, configuration, lock)| Raw {
        flash,
        filled,
        eeprom,
        configuration,
        lock,
    })
}

fn case() -> impl Strategy<Value = Case> {
    let kind = prop_oneof![Just(Kind::Usual), Just(Kind::Cramped), Just(Kind::Unprotected)];
    let parts = proptest::sample::subsequence(Part::ALL.to_vec(), 1..=3);
    let gap = prop_oneof![2 => Just((0, 0)), 1 => (0..FLASH, 1u32..300)];
    (kind, raw(), raw(), parts, gap, 0x9Au8..0x9C, any::<u64>()).prop_map(|(kind, before, held, parts, gap, calibration, seed)| Case {
        kind,
        before,
        held,
        parts,
        gap,
        calibration,
        seed,
    })
}

impl Case {
    fn restore(&self, chip: &Chip) -> Restore {
        let mut held = observe(&self.held.state(chip), chip);
        held.flash.bytes.remove(Span::sized(ByteAddress(self.gap.0), self.gap.1).unwrap());
        held.calibration = Some(self.calibration);
        changed(of(&held), |back| back.parts = self.parts.clone())
    }
}

fn check(body: impl Fn(Case) -> Result<(), TestCaseError>) -> Result<(), Box<TestError<Case>>> {
    let config = Config { failure_persistence: None, max_global_rejects: 100_000, ..Config::with_cases(500) };
    TestRunner::new(config).run(&case(), body).map_err(Box::new)
}

/// The oracle is written from the words of the command, byte by byte, and not from the planner.
#[test]
fn every_accepted_restore_ends_in_the_snapshot_where_it_holds_something_and_in_the_baseline_elsewhere() {
    let outcome = check(|case| {
        let (chip, board) = (chip(case.kind), board());
        let (start, back_to) = (case.before.state(&chip), case.restore(&chip));
        let baseline = observe(&start, &chip);
        let Ok((desired, _)) = desire(&back(back_to.clone()), &baseline, &chip, &board) else {
            return Err(TestCaseError::reject("refused"));
        };
        let Ok((plan, found)) = reconcile(&baseline, &desired, &target(&chip, &board)) else {
            return Err(TestCaseError::reject("refused"));
        };
        let lost = found.iter().any(|finding| finding.kind == K::KeptContentsUnreadable);
        let mut state = start.clone();
        let target = target(&chip, &board);
        run(&plan, &mut state, &Interpreter { chip: &chip, way_in: target.way_in, desired: &desired })?;
        let wants = |part| case.parts.contains(&part);
        for at in 0..FLASH {
            let came = back_to.held.flash.bytes.byte(ByteAddress(at)).filter(|_| wants(Part::Flash));
            let expected = came.or(start.flash[at as usize]);
            prop_assert!(state.flash[at as usize] == expected || came.is_none() && lost, "flash {at:04X}");
        }
        let other = back_to.held.calibration != baseline.calibration || serials_differ(&back_to.held, &baseline);
        for at in 0..EEPROM {
            let stays = other && SERIAL.contains(&at);
            let came = back_to.held.eeprom.bytes.byte(ByteAddress(at)).filter(|_| wants(Part::Eeprom) && !stays);
            let expected = came.or(start.eeprom[at as usize]);
            let unread = found.iter().any(|finding| finding.kind == K::SettingsLost) || lost;
            prop_assert!(state.eeprom[at as usize] == expected || came.is_none() && unread, "EEPROM {at:04X}");
        }
        let from = if wants(Part::Configuration) { &case.held } else { &case.before }.state(&chip);
        let values = |state: &State| state.configuration.iter().map(|bits| bits.value).collect::<Vec<_>>();
        for ((now, then), of) in values(&state).iter().zip(values(&from)).zip(&chip.configuration) {
            prop_assert_eq!(now & of.used, then & of.used);
        }
        prop_assert_eq!(state.lock.value & chip.lock.used, from.lock.value & chip.lock.used);
        Ok(())
    });
    outcome.unwrap();
}

fn serials_differ(one: &Observed, other: &Observed) -> bool {
    let serial = |state: &Observed| SERIAL.map(|at| state.eeprom.bytes.byte(ByteAddress(at))).collect::<Option<Vec<u8>>>();
    let set = |bytes: &Vec<u8>| bytes.iter().any(|byte| *byte != 0xFF);
    matches!((serial(one).filter(set), serial(other).filter(set)), (Some(one), Some(other)) if one != other)
}

#[test]
fn a_restore_that_was_cut_anywhere_reaches_its_end() {
    let outcome = check(|case| {
        let (chip, board) = (chip(case.kind), board());
        let intent = back(case.restore(&chip));
        survives_cuts(&target(&chip, &board), &case.before.state(&chip), &intent, ComputedFrom::Baseline, case.seed)
    });
    outcome.unwrap();
}
