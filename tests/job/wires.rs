//! Jobs over a bad connection: a bridge that begins anew in the middle, and noise.

use super::workbench::{Command, Failure, Workbench, random_bytes, write};
use farrier::image::{ByteAddress, Image, Span};
use farrier::job::JobError;
use farrier::link::{Noise, NoisyWire, Wire};
use farrier::sim::{Fault, Sim};
use farrier::time::{Moment, SharedClock};
use std::cell::Cell;
use std::io;
use std::rc::Rc;

fn application(bytes: usize) -> Image {
    let mut image = Image::default();
    image.overwrite(ByteAddress(0), &random_bytes(bytes, 5));
    image
}

/// A wire to a bridge that begins anew once, after it has taken so many bytes.
struct RestartingWire {
    sim: Sim,
    bridge: Box<dyn Wire>,
    bytes_left: usize,
    restarted: Rc<Cell<bool>>,
}

impl Wire for RestartingWire {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        if !self.restarted.get() && bytes.len() >= self.bytes_left {
            self.restarted.set(true);
            self.sim.host_vanishes();
            self.bridge = self.sim.wire();
        }
        self.bytes_left = self.bytes_left.saturating_sub(bytes.len());
        self.bridge.send(bytes)
    }

    fn receive(&mut self, into: &mut Vec<u8>, deadline: Moment) -> io::Result<()> {
        self.bridge.receive(into, deadline)
    }

    fn clock(&self) -> SharedClock {
        self.bridge.clock()
    }

    fn bytes_per_second(&self) -> u32 {
        self.bridge.bytes_per_second()
    }
}

#[test]
fn a_bridge_that_begins_anew_while_pages_are_written_costs_the_step_and_not_the_job() {
    let image = application(8 << 10);
    let intent = write(image.clone());
    let mut restarts = 0;
    // 8 KiB of pages travel, so these fall into the writing of pages; what goes before are a few hundred bytes of requests to read.
    for bytes in [4000, 5000, 7000] {
        let mut bench = Workbench::new("frost", 1);
        let restarted = Rc::new(Cell::new(false));
        let wire = RestartingWire { sim: bench.sim.clone(), bridge: bench.sim.wire(), bytes_left: bytes, restarted: restarted.clone() };
        let done = bench.run_over(Box::new(wire), &Command::of(&intent), &mut |_| {});
        done.unwrap_or_else(|why| panic!("restarted after {bytes} bytes: {why}"));
        restarts += u32::from(restarted.get());
        let held = bench.sim.contents().flash;
        assert_eq!(held, image.filled(Span::first(held.len() as u32), 0xFF), "restarted after {bytes} bytes");
        assert!(bench.records.journal.unfinished(&[]).expect("the journal").is_empty());
        assert_eq!(bench.sim.violations().count, 0, "{:?}", bench.sim.violations());
    }
    assert_eq!(restarts, 3);
}

/// What the bridge had in hand may be torn then; that the same command sets right, so it is no failed check.
#[test]
fn a_difference_after_the_bridge_began_anew_is_told_as_such() {
    let mut bench = Workbench::new("frost", 1);
    bench.sim.damage(Fault::WeakCells(5));
    let restarted = Rc::new(Cell::new(false));
    let wire = RestartingWire { sim: bench.sim.clone(), bridge: bench.sim.wire(), bytes_left: 4000, restarted: restarted.clone() };
    let intent = write(application(8 << 10));
    let failed = bench.run_over(Box::new(wire), &Command::of(&intent), &mut |_| {}).err();
    assert!(restarted.get());
    let Some(Failure::Job(JobError::Torn(differences))) = failed else { panic!("{failed:?}") };
    assert_eq!((differences.len(), differences[0].span.start()), (1, ByteAddress(5 * 128)));
    let message = JobError::Torn(differences).to_string();
    assert!(message.contains("began anew"), "{message}");
    assert_eq!(bench.records.journal.unfinished(&[]).expect("the journal").len(), 1, "the same command goes on from there");
}

#[test]
fn short_jobs_are_done_where_one_byte_in_a_thousand_is_lost_one_changed_and_one_doubled() {
    let image = application(1024);
    let intent = write(image.clone());
    let noise = Noise::bytes(1_000);
    for seed in 0..50 {
        let mut bench = Workbench::new("frost", 1);
        let wire = NoisyWire::new(bench.sim.wire(), noise, seed);
        let result = bench.run_over(Box::new(wire), &Command::of(&intent), &mut |_| {});
        result.unwrap_or_else(|why| panic!("seed {seed}: {why}"));
        let held = bench.sim.contents().flash;
        assert!(held == image.filled(Span::first(held.len() as u32), 0xFF), "seed {seed}: called done, and the flash is wrong");
        assert_eq!(bench.sim.violations().count, 0, "seed {seed}: {:?}", bench.sim.violations());
    }
}
