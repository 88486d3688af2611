//! What may be driven at all: the bridge's level against what the board's description and its supply say. Nothing else keeps a 5 V
//! bridge from driving a 3.3 V board.

use farrier::board::{Board, Catalog, Chip, LevelFit};
use farrier::bus::{Abilities, Bus};
use farrier::finding::Kind;
use farrier::job::{Bench, JobError};
use farrier::link::DirectBus;
use farrier::plan::levels_differ;
use farrier::sim::{Fault, Sim, SimBridge};
use farrier::units::Millivolts;
use std::sync::atomic::AtomicBool;

const ANY_1284P: &str = "generic-atmega1284p";
/// Its supply begins at 4.5 V, so it cannot be one at 3.3 V.
const ANY_2560: &str = "generic-atmega2560";

fn board(name: &str) -> (Board, Chip) {
    Catalog::built_in().board(name).expect("a built-in board")
}

/// A bridge with pins at this level, before a board that really has this supply.
fn bridge(sim: &Sim, pins: u16, measures_supply: bool) -> DirectBus<SimBridge> {
    let abilities = Abilities { pin_level: Millivolts(pins), measures_supply, ..sim.direct_bus().abilities().clone() };
    DirectBus::new(sim.hands(), abilities, sim.clock())
}

fn with_supply(board: &Board, chip: &Chip, supply: u16) -> Sim {
    let sim = Sim::new(board, chip, 5);
    sim.damage(Fault::WrongSupply(Millivolts(supply)));
    sim
}

/// Looks at a board, and gives whether that was allowed. Refused, no more than the supply was looked at.
fn allowed(name: &str, supply: u16, pins: u16, measures_supply: bool) -> bool {
    let (board, chip) = board(name);
    let sim = with_supply(&board, &chip, supply);
    let mut bus = bridge(&sim, pins, measures_supply);
    let (mut listener, stop) = (|_: &_| {}, AtomicBool::new(false));
    let mut bench = Bench::new(&mut bus, &board, &chip, &mut listener, &stop);
    let results = [bench.measure().map(drop), bench.observe().map(drop)];
    let refused = |result: &Result<(), JobError>| matches!(result, Err(JobError::Refused(finding)) if finding.kind == Kind::LevelsDiffer);
    drop(bench);
    match results.iter().all(refused) {
        true => {
            assert_eq!(sim.operations(), if measures_supply { 2 } else { 0 }, "{name}: more than the supply was looked at");
            false
        }
        false => {
            assert!(results.iter().all(|result| !refused(result)), "{name}: {results:?}");
            true
        }
    }
}

#[test]
fn where_the_supply_is_measured_it_decides_for_a_generic_board() {
    assert!(allowed(ANY_1284P, 5_000, 5_000, true));
    assert!(allowed(ANY_1284P, 3_300, 3_300, true));
    assert!(!allowed(ANY_1284P, 3_300, 5_000, true), "5 V into a board that runs at 3.3 V");
    assert!(!allowed(ANY_1284P, 2_700, 3_300, true), "3.3 V into a board that runs at 2.7 V");
    // The other way round nothing is harmed by looking; the plan and the commands refuse it.
    let differ = |pins, supply, name: &str| levels_differ(Millivolts(pins), Some(Millivolts(supply)), &board(name).0);
    assert!(
        differ(3_300, 5_000, ANY_1284P).is_some_and(|finding| finding.sentence.contains("5.0 V at its programming header, as its supply"))
    );
    assert_eq!(differ(3_300, 3_300, ANY_1284P), None);
    assert_eq!(differ(3_300, 3_000, ANY_1284P), None, "a tenth apart");
}

#[test]
fn where_it_is_not_measured_the_range_of_the_board_decides() {
    assert!(!allowed(ANY_1284P, 3_300, 5_000, false), "it may be a board at 3.3 V, and it is one");
    assert!(!allowed(ANY_1284P, 5_000, 5_000, false), "it may be a board at 3.3 V");
    assert!(allowed(ANY_2560, 5_000, 5_000, false), "no board of this chip runs at 3.3 V");
    assert!(allowed(ANY_1284P, 3_300, 3_300, false));
    let (any, _) = board(ANY_1284P);
    let differ = |pins, board: &Board| levels_differ(Millivolts(pins), None, board);
    assert!(differ(5_000, &any).is_some_and(|finding| finding.sentence.contains("may be 3.3 V or 5.0 V")));
    assert_eq!(differ(3_300, &any), None);
    assert!(differ(3_300, &board(ANY_2560).0).is_some(), "no board of this chip runs at 3.3 V");
    // What a meter showed counts as a measurement.
    assert_eq!(differ(5_000, &any.at_supply(Some(Millivolts(5_000)))), None);
    assert!(differ(5_000, &any.at_supply(Some(Millivolts(3_300)))).is_some());
}

#[test]
fn a_supply_below_the_range_of_a_board_counts_for_more_than_its_description() {
    assert!(!allowed("vent", 3_300, 5_000, true), "called a 5 V board, and runs at 3.3 V");
    assert!(allowed("vent", 4_900, 5_000, true));
    assert!(allowed("frost", 3_300, 3_300, true));
    assert!(!allowed("frost", 3_300, 5_000, true));
    assert!(!allowed("frost", 5_000, 5_000, true), "a supply that is too high does not make its inputs bear more");
}

#[test]
fn a_level_that_is_not_known_never_fits_pins_that_may_be_too_high() {
    let (mut any, _) = board(ANY_1284P);
    for (range, possible) in [((1_800, 5_500), vec![3_300, 5_000]), ((4_500, 5_500), vec![5_000]), ((1_800, 2_700), vec![1_800, 2_700])] {
        any.supply = (Millivolts(range.0), Millivolts(range.1));
        assert_eq!(any.possible_levels(), possible.iter().map(|mv| Millivolts(*mv)).collect::<Vec<_>>());
        for pins in (1_500..=5_500).step_by(100).map(Millivolts) {
            let fit = any.level_fit(pins);
            let too_high = possible.iter().any(|own| pins.0 > *own && (pins.0 - own) * 10 > *own);
            assert_eq!(fit == LevelFit::TooHigh, too_high, "{pins} on {range:?}: {fit:?}");
        }
    }
}
