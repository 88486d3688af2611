//! Every kind of bricked board on every demo board that can have it.

use super::reviver::{Ended, Given, bricked, everything, revive, wrong};
use crate::job::workbench::{Command, Workbench, install, random_bytes};
use farrier::board::Catalog;
use farrier::image::{ByteAddress, Image};
use farrier::plan::{Contents, Observed};
use farrier::sim::{BRICKED, Bricked, Fault, MendedBy, Used};

const BOARDS: [&str; 3] = ["vent", "pump", "frost"];
const SEED: u64 = 11;

/// The cause that leads the diagnosis, by what is wrong and by what the bridge can see of it; not by the sim's code. Where several
/// things look alike from the bridge it is their class.
const CAUSES: &[(&str, &str)] = &[
    ("half-written-application", "application-half-written"),
    ("erased-application", "application-missing"),
    ("wrong-offset", "application-misplaced"),
    ("other-application", "application-of-another-board"),
    ("half-written-loader", "loader-half-written"),
    ("erased-loader", "loader-missing"),
    ("overwritten-loader", "loader-overwritten"),
    ("erased-chip", "chip-erased"),
    ("wiped-settings", "settings-blank"),
    ("bypassed-loader", "loader-bypassed"),
    ("small-boot-section", "reset-beside-loader"),
    ("endless-watchdog", "configuration-differs"),
    // With the bridge's clock output at the clock pin.
    ("missing-clock", "no-clock"),
    ("slow-clock", "clock-slow"),
    ("brown-out-above-supply", "brown-out-above-supply"),
    ("brown-out-deaf", "no-answer"),
    ("locked-chip", "locked-chip"),
    ("reset-disabled", "no-answer"),
    ("serial-programming-off", "no-answer"),
    ("debug-wire", "no-answer"),
    ("open-miso", "no-answer"),
    ("joined-data", "data-lines-joined"),
    ("crossed-data", "no-answer"),
    ("held-reset", "line-held"),
    // The bridge's wire for the supply ends at another pin then.
    ("reversed-cable", "no-supply"),
    ("no-supply", "no-supply"),
    ("weak-supply", "wrong-supply"),
    ("weak-cells", "page-damaged"),
    ("other-chip", "another-chip"),
];

fn cause(kind: &Bricked) -> &'static str {
    let row = CAUSES.iter().find(|(name, _)| *name == kind.name);
    row.unwrap_or_else(|| panic!("no expected cause for {}", kind.name)).1
}

fn each(mut test: impl FnMut(&str, &'static Bricked)) {
    let mut tested = 0;
    for name in BOARDS {
        let (board, chip) = Catalog::built_in().board(name).expect("a demo board");
        for kind in Bricked::of(&board, &chip) {
            test(name, kind);
            tested += 1;
        }
    }
    assert!(tested >= 3 * 24, "only {tested} bricked boards");
}

#[test]
fn the_table_has_every_kind() {
    assert_eq!(CAUSES.len(), BRICKED.len());
    assert!(BRICKED.iter().all(|kind| !cause(kind).is_empty()));
}

/// Nothing is given, nothing is accepted.
#[test]
fn each_is_named_and_looking_changes_nothing() {
    each(|name, kind| {
        let (mut bench, _) = bricked(name, SEED, &[kind]).expect("it can be bricked so");
        let before = bench.sim.contents();
        let outcome = revive(&mut bench, Given { clock_output: true, ..Given::default() }).expect("a diagnosis");
        let told = format!("{name} {}: {:?}, {:?}", kind.name, outcome.kinds(), outcome.ended);
        assert_eq!(outcome.kinds().first(), Some(&cause(kind)), "{told}");
        if !matches!(outcome.ended, Ended::Done | Ended::Failed(_)) {
            assert_eq!(bench.sim.contents(), before, "{told}");
        }
        assert_eq!(bench.sim.contents().eeprom, before.eeprom, "{told}");
        assert_eq!(bench.sim.violations().count, 0, "{told}: {:?}", bench.sim.violations());
        assert!(!bench.sim.in_reset(), "{told}");
    });
}

/// The image that should be there is given, and every consent: what a programming header can mend is mended, and the others end with what
/// else would.
#[test]
fn each_is_mended_or_told_what_would() {
    let everything = everything();
    each(|name, kind| {
        let (mut bench, used) = bricked(name, SEED, &[kind]).expect("it can be bricked so");
        let before = bench.sim.contents();
        let given = Given { to: Some(&used.application), accept: &everything, clock_output: true, tag: None };
        let outcome = revive(&mut bench, given).expect("a diagnosis");
        let now = bench.sim.contents();
        let told = format!("{name} {}: {:?}, {:?}, left {:?}", kind.name, outcome.kinds(), outcome.ended, outcome.diagnosis.remedy.left);
        assert_eq!(outcome.kinds().first(), Some(&cause(kind)), "{told}");
        assert_eq!(bench.sim.violations().count, 0, "{told}: {:?}", bench.sim.violations());
        assert_eq!(now.eeprom, before.eeprom, "{told}");
        if kind.mended_by == MendedBy::ProgrammingHeader {
            let eeprom = wrong(&before, &used.contents, &bench.chip)[1];
            assert_eq!(wrong(&now, &used.contents, &bench.chip), [0, eeprom, 0, 0], "{told}");
            let settings_only = kind.name == "wiped-settings";
            assert!(matches!(outcome.ended, Ended::Done) || settings_only, "{told}");
            // Settings that nothing has kept do not come back, and that is said.
            assert_eq!(outcome.diagnosis.remedy.left.is_empty(), eeprom == 0, "{told}");
        } else if kind.name == "weak-cells" {
            assert!(matches!(outcome.ended, Ended::Failed(farrier::job::JobError::Differs(_))), "{told}");
        } else {
            assert!(matches!(outcome.ended, Ended::NoPlan) && !outcome.diagnosis.remedy.left.is_empty(), "{told}");
            assert_eq!(now, before, "{told}");
        }
    });
}

/// A snapshot from before is there, and the board has a tag, so an erased chip is known too: nothing need be given, and the settings come
/// back as well.
#[test]
fn each_comes_back_from_its_own_snapshot() {
    each(|name, kind| {
        if kind.mended_by != MendedBy::ProgrammingHeader {
            return;
        }
        let (mut bench, used) = bricked(name, SEED, &[kind]).expect("it can be bricked so");
        keep(&bench, &used, Some("1187"));
        let outcome = revive(&mut bench, Given { tag: Some("1187"), clock_output: true, ..Given::default() }).expect("a diagnosis");
        let told = format!("{name} {}: {:?}, {:?}, left {:?}", kind.name, outcome.kinds(), outcome.ended, outcome.diagnosis.remedy.left);
        // Only an erase lifts a lock, and nobody has consented.
        let (mended, state) = (kind.name != "locked-chip", wrong(&bench.sim.contents(), &used.contents, &bench.chip));
        assert_eq!(state == [0; 4], mended, "{told}: {state:?}");
        assert_eq!(matches!(outcome.ended, Ended::Done), mended, "{told}");
        assert_eq!(bench.sim.violations().count, 0, "{told}");
    });
}

/// Without a tag nothing tells an erased board from another of the same batch, so its snapshot is named and not used.
#[test]
fn a_snapshot_that_may_be_another_boards_is_not_used_unasked() {
    let kind = Bricked::named("erased-chip").expect("a kind");
    let (mut bench, used) = bricked("frost", SEED, &[kind]).expect("it can be bricked so");
    let name = keep(&bench, &used, None);
    let outcome = revive(&mut bench, Given::default()).expect("a diagnosis");
    let left = outcome.diagnosis.remedy.left.join(" ");
    assert!(left.contains(&format!("{name} may be this board's")), "{left}");
    assert!(bench.sim.contents().eeprom.iter().all(|byte| *byte == 0xFF));
    // With another calibration byte it is another board's for certain.
    let (mut bench, _) = bricked("frost", SEED + 1, &[kind]).expect("it can be bricked so");
    keep(&bench, &used, None);
    let outcome = revive(&mut bench, Given::default()).expect("a diagnosis");
    assert!(!outcome.diagnosis.remedy.left.join(" ").contains("may be this board's"), "{:?}", outcome.diagnosis.remedy.left);
}

/// Takes a snapshot of the board as it was.
fn keep(bench: &Workbench, used: &Used, tag: Option<&str>) -> String {
    let held = &used.contents;
    let whole = |bytes: &[u8]| Contents { bytes: Image::of(ByteAddress(0), bytes), unreadable: None };
    let observed = Observed {
        id: Some(bench.chip.id),
        calibration: Some(held.calibration),
        flash: whole(&held.flash),
        eeprom: whole(&held.eeprom),
        configuration: Some(held.fuses.clone()),
        lock: Some(held.lock),
        access: None,
    };
    bench.records.keep_tagged(&bench.board, &bench.chip, &observed, tag).expect("a snapshot").as_str().to_owned()
}

/// An install that was cut: revive alone carries it to its end, and settings and application are kept.
#[test]
fn a_job_that_was_cut_off_is_carried_to_its_end() {
    let mut cuts = 0;
    for operation in (1..).step_by(9) {
        let mut bench = Workbench::new("frost", SEED);
        let application = random_bytes(900, 3);
        bench.sim.edit(|contents| {
            contents.eeprom = random_bytes(contents.eeprom.len(), 4);
            contents.flash[..900].copy_from_slice(&application);
        });
        let before = bench.sim.contents();
        bench.sim.damage(Fault::PowerCut(operation));
        let install = install(&bench.board);
        let result = bench.run(&Command::of(&install));
        if result.is_ok() {
            break;
        }
        bench.sim.restore_power();
        let changed = bench.sim.contents() != before;
        let outcome = revive(&mut bench, Given { accept: &everything(), ..Given::default() }).expect("a diagnosis");
        let now = bench.sim.contents();
        let told = format!("cut after {operation}: {:?}, {:?}", outcome.kinds(), outcome.ended);
        assert_eq!((&now.eeprom, &now.flash[..900]), (&before.eeprom, &application[..]), "{told}");
        if changed {
            assert_eq!(outcome.kinds().first(), Some(&"job-unfinished"), "{told}");
            assert!(matches!(outcome.ended, Ended::Done | Ended::Already), "{told}");
            let again = bench.run(&Command::of(&install)).expect("the install");
            assert!(again.job.is_none(), "{told}: something was left to do");
            cuts += 1;
        }
    }
    assert!(cuts >= 5, "only {cuts} cuts");
}
