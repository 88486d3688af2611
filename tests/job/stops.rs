//! Jobs that stop before they are done: asked to, because the board is damaged, or because it moved on.

use super::workbench::{Command, Failure, Workbench, install, random_bytes, write};
use farrier::image::{ByteAddress, Image, Memory, Span};
use farrier::job::{Bench, Event, JobError};
use farrier::link::Client;
use farrier::plan::StepKind;
use farrier::sim::{Contents, Fault};
use std::cell::Cell;
use std::rc::Rc;
use std::sync::atomic::{AtomicBool, Ordering};

fn application(bytes: usize) -> Image {
    let mut image = Image::default();
    image.overwrite(ByteAddress(0), &random_bytes(bytes, 3));
    image
}

#[test]
fn asked_to_stop_it_finishes_the_page_in_hand_and_goes_on_from_there() {
    let mut bench = Workbench::new("frost", 1);
    let image = application(8 << 10);
    let intent = write(image.clone());
    let stop = AtomicBool::new(false);
    let command = Command { stop: &stop, ..Command::of(&intent).tagged("left") };
    let mut listener = |event: &Event| {
        if matches!(event, Event::StepProgress { done, .. } if *done >= 2048) {
            stop.store(true, Ordering::Relaxed);
        }
    };
    let wire = bench.sim.wire();
    let stopped = bench.run_over(wire, &command, &mut listener).err();
    assert!(matches!(stopped, Some(Failure::Job(JobError::Interrupted))), "{stopped:?}");
    let held = bench.sim.contents().flash;
    let whole = image.filled(farrier::image::Span::first(held.len() as u32), 0xFF);
    let pages: Vec<bool> = held.chunks(128).zip(whole.chunks(128)).map(|(held, wanted)| held == wanted).collect();
    for (n, (page, same)) in held.chunks(128).zip(&pages).enumerate() {
        assert!(*same || page.iter().all(|byte| *byte == 0xFF), "page {n} is neither whole nor blank");
    }
    let left: Vec<ByteAddress> = (0u32..).step_by(128).zip(&pages).filter(|(_, same)| !**same).map(|(at, _)| ByteAddress(at)).collect();
    assert!((40..=48).contains(&left.len()), "{} pages are left of 64, asked to stop after 16", left.len());
    assert_eq!(bench.records.journal.unfinished(&[]).expect("the journal").len(), 1);

    let done = bench.run(&Command::of(&intent).tagged("left")).expect("the same command goes on");
    let inherited = done.decided.baseline.inherited.is_some();
    let kinds: Vec<&StepKind> = done.decided.plan.steps().iter().map(|step| &step.kind).collect();
    assert!(!kinds.iter().any(|kind| matches!(kind, StepKind::Erase)), "what is written already stays");
    let written: Vec<ByteAddress> = kinds
        .iter()
        .filter_map(|kind| if let StepKind::WriteFlash { pages, .. } = kind { Some(pages.clone()) } else { None })
        .flatten()
        .collect();
    assert_eq!(written, left, "only what differs is written (inherited: {inherited})");
    assert_eq!(bench.sim.contents().flash, whole);
    assert_eq!(bench.sim.violations().count, 0, "{:?}", bench.sim.violations());
}

#[test]
fn a_page_with_weak_cells_is_named_and_the_job_is_not_finished() {
    let mut bench = Workbench::new("frost", 1);
    bench.sim.damage(Fault::WeakCells(5));
    let intent = write(application(2048));
    let failed = bench.run(&Command::of(&intent)).err();
    let Some(Failure::Job(JobError::Differs(differences))) = failed else { panic!("{failed:?}") };
    assert_eq!(differences.len(), 1);
    let difference = &differences[0];
    assert_eq!((difference.memory, difference.span.start()), (Memory::Flash, ByteAddress(5 * 128)));
    assert!(difference.span.contains(difference.first) && difference.count > 0);
    let told = JobError::Differs(differences.clone()).to_string();
    let bit = (difference.wanted ^ difference.found).trailing_zeros();
    assert!(told.contains("in this page, written twice)") && told.contains(&format!("wrong in bit {bit} (")), "{told}");
    let unfinished = bench.records.journal.unfinished(&[]).expect("the journal");
    assert_eq!(unfinished.len(), 1, "the journal says that it is unfinished");
    assert!(unfinished[0].job.step_in_hand().is_some(), "it stands at the verify");
    assert_eq!(bench.sim.violations().count, 0);
}

/// A page did not take what was written the first time: it is written once more, with the same bytes, and then it is right.
#[test]
fn a_page_that_does_not_verify_is_tried_once_more() {
    let mut bench = Workbench::new("frost", 1);
    let intent = write(application(2048));
    let (sim, wire) = (bench.sim.clone(), bench.sim.wire());
    let mut spoiled = 0;
    let mut listener = |event: &Event| {
        // The second entry is the one before the verify.
        if let Event::StepBegun { index: 3, .. } = event {
            sim.edit(|contents| {
                contents.flash[5 * 128 + 9] |= 0x81;
                contents.flash[7 * 128] |= 0x10;
            });
            spoiled += 1;
        }
    };
    let done = bench.run_over(wire, &Command::of(&intent), &mut listener).expect("it went well");
    assert_eq!(spoiled, 1);
    let held = bench.sim.contents();
    assert_eq!(held.flash[..2048], *application(2048).filled(Span::first(2048), 0xFF));
    assert!(done.job.is_some());
    assert_eq!(bench.sim.violations().count, 0, "{:?}", bench.sim.violations());
}

/// Settings that something else has written since are no page that did not take: they are told, and not written over.
#[test]
fn a_place_that_the_job_did_not_write_is_not_tried_again() {
    let mut bench = Workbench::new("frost", 1);
    let intent = write(application(2048));
    let (sim, wire) = (bench.sim.clone(), bench.sim.wire());
    let mut listener = |event: &Event| {
        if let Event::StepBegun { index: 3, .. } = event {
            sim.edit(|contents| contents.eeprom[33] = 0x12);
        }
    };
    let failed = bench.run_over(wire, &Command::of(&intent), &mut listener).err();
    let Some(Failure::Job(JobError::Differs(differences))) = failed else { panic!("{failed:?}") };
    assert_eq!((differences[0].memory, differences[0].first, differences[0].found), (Memory::Eeprom, ByteAddress(33), 0x12));
    assert_eq!(bench.sim.contents().eeprom[33], 0x12);
}

#[test]
fn a_board_that_moved_between_looking_and_acting_stops_the_job() {
    let bench = Workbench::new("frost", 1);
    let intent = install(&bench.board);
    let decided = bench.decide(&Command::of(&intent)).expect("a plan");
    let expect = || {
        let (never, mut listener) = (AtomicBool::new(false), |_: &Event| {});
        let mut client = Client::connect(bench.sim.wire()).expect("the bridge answers");
        Bench::new(&mut client, &bench.board, &bench.chip, &mut listener, &never).expect_unchanged(&decided.observed)
    };
    assert!(expect().is_ok(), "nothing has moved");
    let held = bench.sim.contents();
    let moves: [fn(&mut Contents); 4] = [
        |contents| contents.eeprom[77] = 0x12,
        |contents| contents.calibration ^= 1,
        |contents| contents.fuses[0] ^= 0x80,
        |contents| contents.lock = 0xFE,
    ];
    for change in moves {
        bench.sim.edit(change);
        let before = bench.sim.contents();
        let moved = expect();
        assert!(matches!(moved, Err(JobError::BoardMoved)), "{moved:?}");
        assert!(bench.sim.contents() == before, "nothing was changed");
        bench.sim.edit(|contents| *contents = held.clone());
    }
    assert_eq!(bench.sim.violations().count, 0);
}

/// No entry after the first searches for the clock again, and after the change of the clock the work goes on at the new one.
#[test]
fn an_entry_at_a_known_clock_takes_one_try() {
    let mut bench = Workbench::new("vent", 1);
    let intent = install(&bench.board);
    let clock = bench.sim.clock();
    let longest = Rc::new(Cell::new(std::time::Duration::ZERO));
    let steps = bench.decide(&Command::of(&intent)).expect("a plan").plan.steps().to_vec();
    let mut began = clock.now();
    let mut listener = |event: &Event| match event {
        Event::StepBegun { .. } => began = clock.now(),
        Event::StepDone { index, .. } if matches!(steps[*index].kind, StepKind::Enter { slowest_first: false }) => {
            longest.set(longest.get().max(clock.now().since(began)));
        }
        _ => {}
    };
    let wire = bench.sim.wire();
    let done = bench.run_over(wire, &Command::of(&intent), &mut listener).expect("the loader is installed");
    // 1 ms of pulse, 20 ms of waiting, 32 instructions of identity at 230 kHz.
    assert!(longest.get().as_millis() < 30, "an entry took {:?}", longest.get());
    let (_, report) = done.job.expect("a job");
    assert_eq!(report.access.expect("it was reached").programming_clock.0, 2_666_666, "a sixth of 16 MHz");
}

#[test]
fn a_bridge_that_let_go_while_somebody_thought_is_entered_again() {
    let bench = Workbench::new("frost", 1);
    let mut client = Client::connect(bench.sim.wire()).expect("a bridge");
    let start = client.hello().start;
    let stop = AtomicBool::new(false);
    let mut listener = |_: &Event| {};
    let mut on_bench = Bench::new(&mut client, &bench.board, &bench.chip, &mut listener, &stop);
    let observed = on_bench.observe().expect("the board is read");
    on_bench.release().expect("it is let go");
    let clock = bench.sim.clock();
    clock.wait_until(clock.now().plus(std::time::Duration::from_secs(60)));
    on_bench.expect_unchanged(&observed).expect("it is reached again");
    drop(on_bench);
    assert_ne!(client.hello().start, start, "the bridge had let go by itself");
    assert_eq!(bench.sim.violations().count, 0, "{:?}", bench.sim.violations());
}
