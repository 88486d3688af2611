//! The demo boards with their real chips: cuts at every step of the main jobs.

use super::made_up::*;
use super::properties::{ComputedFrom, run, survives_cuts};
use farrier::board::{Board, Catalog, Chip};
use farrier::image::{ByteAddress, Image};
use farrier::plan::*;

const DEMO: [&str; 3] = ["vent", "pump", "frost"];

/// An application of 4,000 bytes, settings everywhere, and the programming lock in mode 2.
fn used_board(chip: &Chip) -> Observed {
    let mut observed = factory(chip);
    observed.flash.bytes.overlay(&program(0, 4_000, 0x29));
    observed.eeprom.bytes = Image::of(ByteAddress(0), &vec![0x42; chip.eeprom.bytes as usize]);
    let lock = chip.lock_field("programming-lock").unwrap();
    let mode_2 = lock.values.iter().find(|value| value.forbids_writing && !value.forbids_reading).unwrap();
    let mut bytes = [0xFF];
    lock.set(&mut bytes, mode_2.bits);
    observed.lock = Some(bytes[0]);
    observed
}

fn loader_for(board: &Board) -> NamedImage {
    let reserved = board.reservation.as_ref().unwrap().span;
    named("loader", program(reserved.start().0, 700, 0x5B))
}

fn jobs(board: &Board) -> Vec<Intent> {
    let install = Intent { loader: LoaderIntent::Install(loader_for(board)), ..Intent::default() };
    let with = Intent { application: ApplicationIntent::Write(application(9_000)), ..install.clone() };
    let remove = Intent { loader: LoaderIntent::Remove, ..Intent::default() };
    vec![install, with, remove, write(application(2_500)), configure("brown-out", "off")]
}

fn state(observed: &Observed, target: &Target) -> State {
    let (desired, _) = desire(&Intent::default(), observed, target.chip, target.board).unwrap();
    Interpreter { chip: target.chip, way_in: target.way_in, desired: &desired }.begin(observed)
}

#[test]
fn the_main_jobs_survive_a_cut_at_every_step() {
    for name in DEMO {
        let (board, chip) = Catalog::built_in().board(name).unwrap();
        let target = target(&chip, &board);
        for (seed, intent) in jobs(&board).iter().enumerate() {
            let start = state(&used_board(&chip), &target);
            survives_cuts(&target, &start, intent, ComputedFrom::Baseline, seed as u64).unwrap_or_else(|error| panic!("{name}: {error}"));
        }
    }
}

#[test]
fn installing_twice_changes_nothing_the_second_time() {
    for name in DEMO {
        let (board, chip) = Catalog::built_in().board(name).unwrap();
        let target = target(&chip, &board);
        let install = &jobs(&board)[0];
        let mut state = state(&used_board(&chip), &target);
        for steps in [true, false] {
            let observed = observe(&state, &chip);
            let (desired, _) = desire(install, &observed, &chip, &board).unwrap();
            let (plan, _) = reconcile(&observed, &desired, &target).unwrap();
            assert_eq!(!plan.changes_nothing(), steps, "{name}: {:?}", plan.steps());
            if steps {
                run(&plan, &mut state, &Interpreter { chip: &chip, way_in: target.way_in, desired: &desired }).unwrap();
            }
        }
    }
}

#[test]
fn a_bare_board_of_each_kind_takes_its_loader_without_a_consent() {
    for name in DEMO {
        let (board, chip) = Catalog::built_in().board(name).unwrap();
        let observed = Observed { access: None, ..factory(&chip) };
        let (desired, mut findings) = desire(&jobs(&board)[0], &observed, &chip, &board).unwrap();
        findings.extend(reconcile(&observed, &desired, &target(&chip, &board)).unwrap().1);
        let asks = findings.iter().filter(|finding| finding.severity() != farrier::finding::Severity::Note).collect::<Vec<_>>();
        assert!(asks.is_empty(), "{name}: {asks:#?}");
    }
}
