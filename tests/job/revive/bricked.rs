//! Every kind of bricked board on every demo board that can have it.

use super::reviver::{Ended, Given, bricked, everything, revive};
use super::trial::{CAUSES, SEED, Trial, keep};
use crate::job::workbench::{Command, Workbench, install, random_bytes};
use farrier::board::Catalog;
use farrier::sim::{BRICKED, Bricked, Fault};

const BOARDS: [&str; 3] = ["vent", "pump", "frost"];

fn each(test: impl Fn(&mut Trial) -> Result<(), String>) {
    let mut tested = 0;
    for name in BOARDS {
        let (board, chip) = Catalog::built_in().board(name).expect("a demo board");
        for kind in Bricked::of(&board, &chip) {
            let mut trial = Trial::of(&board, &chip, kind).expect("it can be bricked so");
            test(&mut trial).unwrap_or_else(|why| panic!("{why}"));
            tested += 1;
        }
    }
    assert!(tested >= 3 * 24, "only {tested} bricked boards");
}

#[test]
fn the_table_has_every_kind() {
    assert_eq!(CAUSES.len(), BRICKED.len());
    assert!(BRICKED.iter().all(|kind| CAUSES.iter().any(|(name, _)| *name == kind.name)));
}

#[test]
fn each_is_named_and_looking_changes_nothing() {
    each(Trial::is_named);
}

#[test]
fn each_is_mended_or_told_what_would() {
    each(Trial::is_mended_or_told_what_would);
}

#[test]
fn each_comes_back_from_its_own_snapshot() {
    each(Trial::comes_back_from_its_snapshot);
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
