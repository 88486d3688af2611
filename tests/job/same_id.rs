//! A chip that is taken for another part with the same ID bytes: what the sim of the real part comes to under the plans of the wrong one.

use super::workbench::{Command, Workbench};
use crate::plan::same_id::pairs;
use farrier::board::{Board, Catalog, Chip, ClockSource, Field, FieldValue, Way, generic_board};
use farrier::job::Bench;
use farrier::link::Client;
use farrier::plan::{Intent, part_of_same_id};
use farrier::sim::{Fault, Sim};
use farrier::units::Millivolts;

/// The generic board of a chip, at a supply that each of them bears or is taken to bear.
fn board(chip: &Chip) -> Board {
    let (board, _) = Catalog::built_in().board(&generic_board(&chip.part)).expect("a generic board");
    Board { supply: (Millivolts(1_800), Millivolts(5_500)), levels: Millivolts(3_300), ..board }
}

/// Whether the board's own programming header still reaches the chip, after the supply was off.
fn is_reached(sim: &Sim, board: &Board, chip: &Chip) -> bool {
    sim.damage(Fault::NoPower);
    sim.repair();
    let mut client = Client::connect(sim.wire()).expect("a bridge");
    let never = std::sync::atomic::AtomicBool::new(false);
    Bench::new(&mut client, board, chip, &mut |_: &_| {}, &never).observe().is_ok()
}

/// Byte, mask and bits of a value, the clock that it is and the ways in that it shuts.
type Bits = (usize, u8, u8, Option<ClockSource>, Vec<Way>);

/// Which bits choose a clock or shut the header. Descriptions of one oscillator differ in how fast a crystal it bears.
fn layout(chip: &Chip) -> Vec<Bits> {
    let slowest = |source: ClockSource| match source {
        ClockSource::Crystal { from_hz, .. } => ClockSource::Crystal { from_hz, to_hz: from_hz },
        other => other,
    };
    let values = |field: &Field| {
        let (byte, mask) = (field.byte, field.mask);
        let value = |value: &FieldValue| (byte, mask, value.bits, value.clock.map(slowest), value.shuts.clone());
        field.values.iter().map(value).collect::<Vec<_>>()
    };
    chip.fields.iter().flat_map(values).collect()
}

/// Whether the part that it is taken for would be reached: of a clock that the board file lacks, other consents speak.
fn would_run(bench: &Workbench, after: &[u8]) -> bool {
    bench.chip.system_clock(&bench.board, after).is_some()
}

#[test]
fn no_job_without_the_consent_ends_with_a_chip_that_the_header_does_not_reach() {
    let (mut jobs, mut asked, mut lost) = (0, 0, 0);
    for (taken, real) in pairs() {
        if layout(&taken) == layout(&real) {
            continue;
        }
        let (own, other) = (board(&real), board(&taken));
        for (field, value) in taken.fields.iter().flat_map(|field| field.values.iter().map(move |value| (field, value))) {
            let mut bench = Workbench::of(other.clone(), taken.clone(), 5);
            bench.sim = Sim::new(&own, &real, 5);
            let intent = Intent { configuration: vec![(field.name.clone(), value.name.clone())], ..Intent::default() };
            let Ok(decided) = bench.decide(&Command::of(&intent)) else { continue };
            let read = decided.observed.configuration.clone().expect("it was read");
            let kinds = decided.plan.steps().iter().map(|step| &step.kind);
            let asks = part_of_same_id(&read, kinds, &taken, std::slice::from_ref(&real)).is_some();
            let runs = would_run(&bench, &decided.plan.desired().configuration);
            // The job may well end badly: the verify of a shut chip cannot pass.
            let _ = bench.run(&Command::of(&intent));
            let reached = is_reached(&bench.sim, &own, &real);
            let case = format!("{} taken as {}: {}={}", real.part, taken.part, field.name, value.name);
            assert!(reached || asks || !runs, "{case}: it is lost, and nobody was asked");
            (jobs, asked, lost) = (jobs + 1, asked + u32::from(asks), lost + u32::from(!reached && asks));
        }
    }
    println!("{jobs} jobs, {asked} with a question, {lost} of these end with a chip that is lost");
    assert!(lost > 10, "the sims that are lost are seen: {lost} of {jobs}");
}
