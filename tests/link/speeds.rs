//! Finding the speed of a bridge, and ports that take nothing, on pseudo-terminals and in virtual time.

use super::bridges::{BYTES_PER_SECOND, numbered, reply_to, wire};
use farrier::bus::{Bus, BusError};
use farrier::frame::SILENCE;
use farrier::link::{Client, MemoryWire, OpenError, SerialWire, SpeedWire, Waiting, Wire};
use farrier::sim::{Pty, Sim};
use farrier::time::{Moment, SharedClock};
use std::cell::Cell;
use std::io::{self, Read, Write};
use std::ops::ControlFlow;
use std::rc::Rc;
use std::sync::atomic::AtomicBool;
use std::sync::mpsc;
use std::time::Duration;

/// A wire that carries garbage at every speed but one, and does not go at some.
struct AtSpeed {
    inner: MemoryWire,
    right: u32,
    now: u32,
    impossible: &'static [u32],
}

impl AtSpeed {
    fn garbled(&self, bytes: &[u8]) -> Vec<u8> {
        if self.now == self.right { bytes.to_vec() } else { bytes.iter().map(|byte| byte.rotate_left(3) ^ 0x55).collect() }
    }
}

impl Wire for AtSpeed {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        let garbled = self.garbled(bytes);
        self.inner.send(&garbled)
    }

    fn receive(&mut self, into: &mut Vec<u8>, deadline: Moment) -> io::Result<()> {
        let mut arrived = Vec::new();
        self.inner.receive(&mut arrived, deadline)?;
        into.extend(self.garbled(&arrived));
        Ok(())
    }

    fn clock(&self) -> SharedClock {
        self.inner.clock()
    }

    fn bytes_per_second(&self) -> u32 {
        BYTES_PER_SECOND
    }
}

impl SpeedWire for AtSpeed {
    fn set_speed(&mut self, baud: u32) -> io::Result<()> {
        if self.impossible.contains(&baud) {
            return Err(io::Error::other(format!("cannot be set to {baud} baud")));
        }
        self.now = baud;
        Ok(())
    }
}

/// Waits as long as it takes, and how long that has been.
fn told_waiting() -> (Rc<Cell<Duration>>, Waiting) {
    let lasted = Rc::new(Cell::new(Duration::ZERO));
    let told = lasted.clone();
    let waiting = move |waited| {
        told.set(waited);
        ControlFlow::Continue(())
    };
    (lasted, Box::new(waiting))
}

fn meet(right: u32, impossible: &'static [u32]) -> (Result<Client, BusError>, Duration) {
    let (inner, _, _) = wire();
    let wire = Box::new(AtSpeed { inner, right, now: 0, impossible });
    let (lasted, waiting) = told_waiting();
    let met = Client::connect_at(wire, &[1_000_000, 500_000, 115_200], waiting);
    (met, lasted.get())
}

#[test]
fn a_bridge_is_found_at_each_of_the_speeds_tried() {
    for (right, tries_before) in [(1_000_000, 0), (500_000, 1), (115_200, 2)] {
        let (met, lasted) = meet(right, &[]);
        let mut client = met.expect("it is found");
        assert_eq!(client.run(&[numbered(7)]).expect("it works"), [reply_to(7)]);
        assert_eq!(lasted.is_zero(), tries_before == 0, "{right}: {lasted:?}");
        assert!(lasted < Duration::from_millis(600), "{right}: {lasted:?}");
    }
}

#[test]
fn a_bridge_with_an_open_session_answers_garbage_at_wrong_speeds_and_is_found_all_the_same() {
    let (inner, _, _) = wire();
    let mut wire = AtSpeed { inner, right: 115_200, now: 115_200, impossible: &[] };
    // An earlier host: HELLO of the worked examples, with a session opened.
    wire.send(&[0x02, 0x01, 0x01, 0x08, 0x01, 0x12, 0x34, 0x56, 0x78, 0x97, 0x6F, 0x00]).expect("sent");
    let mut client = Client::connect_at(Box::new(wire), &[1_000_000, 500_000, 115_200], told_waiting().1).expect("it is found");
    assert_eq!(client.run(&[numbered(7)]).expect("it works"), [reply_to(7)]);
}

#[test]
fn speeds_that_a_port_does_not_go_at_are_passed_over() {
    assert!(meet(115_200, &[1_000_000, 500_000]).0.is_ok());
    let none = meet(115_200, &[1_000_000, 500_000, 115_200]).0.err();
    assert!(matches!(&none, Some(BusError::Wire(error)) if error.to_string().contains("cannot be set to")), "{none:?}");
}

#[test]
fn a_bridge_at_another_speed_is_given_up_after_about_five_seconds() {
    let (met, lasted) = meet(9600, &[]);
    assert!(met.is_err());
    assert!((3..8).contains(&lasted.as_secs()), "{lasted:?}");
}

#[test]
fn waiting_for_a_bridge_ends_at_the_next_hello_once_that_is_asked() {
    let (inner, _, _) = wire();
    let wire = Box::new(AtSpeed { inner, right: 9600, now: 0, impossible: &[] });
    let enough = Duration::from_secs(1);
    let waiting = move |waited| if waited < enough { ControlFlow::Continue(()) } else { ControlFlow::Break(()) };
    match Client::connect_at(wire, &[1_000_000, 115_200], Box::new(waiting)).err() {
        Some(BusError::Stopped { waited }) => assert!((1000..1300).contains(&waited.as_millis()), "{waited:?}"),
        other => panic!("{other:?}"),
    }
}

/// A thread that serves a simulated bridge on a pseudo-terminal for each program that opens it.
fn served(before: Duration) -> (Pty, impl FnOnce()) {
    let pty = Pty::open().expect("a pty");
    let (mut own, (tell_stop, stopped)) = (pty.try_clone().expect("a second handle"), mpsc::channel::<()>());
    let thread = std::thread::spawn(move || {
        let (board, chip) = farrier::board::Catalog::built_in().board("frost").expect("a demo board");
        let mut served = Sim::new(&board, &chip, 1).serve();
        std::thread::sleep(before);
        let never = AtomicBool::new(false);
        while stopped.try_recv().is_err() {
            if own.is_open() {
                let _ = served.talk(own.reader().expect("a reader"), &mut own.writer(), &never);
            } else {
                served.rest();
            }
        }
    });
    let end = move || {
        let _ = tell_stop.send(());
        thread.join().expect("the thread ends");
    };
    (pty, end)
}

fn open(pty: &Pty) -> Result<SerialWire, OpenError> {
    SerialWire::open(&pty.path().display().to_string(), 115_200)
}

#[test]
fn a_bridge_that_begins_late_is_waited_for_and_one_whose_host_is_gone_lets_go() {
    let (pty, end) = served(Duration::from_secs(2));
    let wire = Box::new(open(&pty).expect("it opens"));
    let (lasted, waiting) = told_waiting();
    let client = Client::connect_at(wire, &[115_200], waiting).expect("it answers in the end");
    assert!((1..4).contains(&lasted.get().as_secs()), "{lasted:?}");
    let start = client.hello().start;
    drop(client);
    let soon = Client::connect(Box::new(open(&pty).expect("it opens again"))).expect("it answers");
    assert_eq!(soon.hello().start, start, "nothing was forgotten in so short a time");
    drop(soon);
    std::thread::sleep(SILENCE + Duration::from_millis(500));
    let later = Client::connect(Box::new(open(&pty).expect("it opens once more"))).expect("it answers");
    assert_ne!(later.hello().start, start, "the bridge let go of the board by itself");
    drop(later);
    end();
}

#[test]
fn a_port_that_is_open_already_is_in_use() {
    let pty = Pty::open().expect("a pty");
    let first = open(&pty).expect("it opens");
    let own = format!("process {}", std::process::id());
    assert!(matches!(open(&pty), Err(OpenError::InUse { holder, .. }) if holder.contains(&own)));
    drop(first);
    drop(open(&pty).expect("it is free again"));
}

#[test]
fn a_port_whose_other_end_reads_nothing_does_not_hang() {
    let pty = Pty::open().expect("a pty");
    let mut wire = open(&pty).expect("it opens");
    let begun = wire.clock().now();
    let error = wire.send(&[0x55; 200_000]).expect_err("nobody reads");
    assert!(error.to_string().contains("takes no more bytes"), "{error}");
    assert!(wire.clock().now().since(begun) < Duration::from_secs(20));
}

#[test]
fn bytes_go_both_ways_unchanged_and_a_closed_end_is_told() {
    let mut pty = Pty::open().expect("a pty");
    let mut wire = open(&pty).expect("it opens");
    let all: Vec<u8> = (0..=255).collect();
    wire.send(&all).expect("sent");
    let mut heard = vec![0; 256];
    pty.reader().expect("a reader").read_exact(&mut heard).expect("they arrive");
    assert_eq!(heard, all);
    pty.writer().write_all(&all).expect("sent");
    let mut back = Vec::new();
    while back.len() < 256 {
        let before = back.len();
        wire.receive(&mut back, wire.clock().now().plus(Duration::from_secs(5))).expect("they arrive");
        assert!(back.len() > before, "{back:?}");
    }
    assert_eq!(back, all);
    drop(pty);
    let gone = wire.receive(&mut back, wire.clock().now().plus(Duration::from_secs(5))).expect_err("it was closed");
    assert!(gone.to_string().contains("is gone"), "{gone}");
}
