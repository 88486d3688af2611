//! Wires and what can be wrapped around them.

use super::bridges::*;
use farrier::bus::{Bus, BusError, Operation};
use farrier::frame::{Request, Sequence};
use farrier::link::{DelayedWire, MemoryWire, Noise, NoisyWire, TracedWire, UnpluggedWire, Wire};
use farrier::time::{Clock, Moment, SharedClock};
use std::cell::RefCell;
use std::io;
use std::rc::Rc;
use std::time::Duration;

/// A wire that several hosts can be put on, one after another.
pub struct Lent(pub Rc<RefCell<MemoryWire>>);

impl Wire for Lent {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.0.borrow_mut().send(bytes)
    }
    fn receive(&mut self, into: &mut Vec<u8>, deadline: Moment) -> io::Result<()> {
        self.0.borrow_mut().receive(into, deadline)
    }
    fn clock(&self) -> SharedClock {
        self.0.borrow().clock()
    }
    fn bytes_per_second(&self) -> u32 {
        self.0.borrow().bytes_per_second()
    }
}

fn at(milliseconds: u64) -> Moment {
    Moment(Duration::from_millis(milliseconds))
}

#[test]
fn bytes_take_their_time_each_way() {
    // 1000 bytes a second: 1 ms a byte.
    let clock = Rc::new(farrier::time::VirtualClock::default());
    let arrivals = Rc::new(RefCell::new(Vec::new()));
    let seen = arrivals.clone();
    let far = Answering::with(move |bytes: &[u8]| {
        seen.borrow_mut().push(bytes.to_vec());
        vec![9; 3]
    });
    let mut wire = MemoryWire::new(Box::new(far), clock.clone(), 1000);
    wire.send(&[1, 2, 0]).unwrap();
    wire.send(&[3, 0]).unwrap();
    assert_eq!(*arrivals.borrow(), [vec![1, 2, 0], vec![3, 0]]);
    assert_eq!(clock.now(), at(0), "sending does not wait");
    let mut got = Vec::new();
    // The first answer sets off at 3 ms; its bytes arrive at 4, 5 and 6 ms.
    wire.receive(&mut got, at(3)).unwrap();
    assert_eq!((got.len(), clock.now()), (0, at(3)));
    wire.receive(&mut got, at(5)).unwrap();
    assert_eq!((got.len(), clock.now()), (2, at(5)));
    wire.receive(&mut got, at(100)).unwrap();
    assert_eq!((got.len(), clock.now()), (3, at(6)));
    // The second was ready at 5 ms, but the line is busy until 6 ms.
    wire.receive(&mut got, at(100)).unwrap();
    assert_eq!((got.len(), clock.now()), (6, at(9)));
    wire.receive(&mut got, at(100)).unwrap();
    assert_eq!((got.len(), clock.now()), (6, at(100)), "nothing more comes");
}

#[test]
fn an_unplugged_wire_carries_so_many_bytes_and_then_nothing() {
    let carried = Rc::new(RefCell::new(0));
    let seen = carried.clone();
    let (inner, _) = wire_to(Answering::with(move |bytes: &[u8]| {
        *seen.borrow_mut() += bytes.len();
        vec![]
    }));
    let mut wire = UnpluggedWire::after(Box::new(inner), 5);
    wire.send(&[1, 0]).unwrap();
    assert_eq!(wire.send(&[1, 2, 3, 4]).unwrap_err().kind(), io::ErrorKind::BrokenPipe);
    assert!(wire.send(&[1]).is_err() && wire.receive(&mut Vec::new(), at(1)).is_err());
    assert_eq!(*carried.borrow(), 5);
}

#[test]
fn a_delayed_wire_answers_later_and_loses_nothing() {
    let (inner, log, clock) = wire();
    let mut near = client(inner);
    let (_, at_once) = time_of(&clock, || near.run(&[numbered(1)]).unwrap());
    let (inner, far_log, clock) = wire();
    let mut far = client(DelayedWire::new(Box::new(inner), Duration::from_millis(30)));
    let (_, later) = time_of(&clock, || far.run(&[numbered(1)]).unwrap());
    assert_eq!(later - at_once, Duration::from_millis(30));
    let list: Vec<Operation> = (0..500).map(numbered).collect();
    far.run(&list).unwrap();
    assert_eq!((log.borrow().numbers.len(), far_log.borrow().numbers.len()), (1, 501));
}

#[test]
fn a_trace_tells_every_frame_both_ways() {
    let lines = Rc::new(RefCell::new(Vec::new()));
    let kept = lines.clone();
    let (inner, _, _) = wire();
    let mut client = client(TracedWire::new(Box::new(inner), move |line: &str| kept.borrow_mut().push(line.to_owned())));
    let list = [numbered(1), Operation::Transfer(FAILS.to_vec())];
    assert!(matches!(client.run(&list), Err(BusError::Failed { operation: 1, .. })));
    let told = lines.borrow().join("\n");
    let told: Vec<&str> = told.lines().map(|line| line.split_once(" s ").unwrap().1).collect();
    assert!(told[0].starts_with("> #0 HELLO version 1, mark "), "{told:?}");
    assert!(told[1].starts_with("< #0 HELLO from \"bench\", mark "), "{told:?}");
    assert_eq!(told[2], "> #0 RUN SPI clock 1 MHz");
    assert_eq!(told[3], "< #0 REPLIES clock 1 MHz");
    assert_eq!(told[4], "> #1 RUN send 00 00 00 01; send EE EE");
    assert_eq!(told[5], "< #1 FAILED at operation 1: the value waited for did not come in time; the last byte was 0xEE");
}

#[test]
fn noise_comes_at_its_rate_and_the_same_for_the_same_seed() {
    let frame = Request::Ask.seal(Sequence(7)).unwrap().to_wire();
    let through = |noise: Noise, seed: u64| {
        let arrived = Rc::new(RefCell::new(Vec::new()));
        let seen = arrived.clone();
        let (inner, _) = wire_to(Answering::with(move |bytes: &[u8]| {
            seen.borrow_mut().extend_from_slice(bytes);
            vec![]
        }));
        let mut wire = NoisyWire::new(Box::new(inner), noise, seed);
        (0..10_000).for_each(|_| wire.send(&frame).unwrap());
        drop(wire);
        Rc::try_unwrap(arrived).unwrap().into_inner()
    };
    let clean = frame.repeat(10_000);
    assert_eq!(through(Noise::NONE, 1), clean);
    let lost = through(Noise { lose_frame_in: 100, ..Noise::NONE }, 1);
    assert!((50..200).contains(&((clean.len() - lost.len()) / frame.len())));
    let repeated = through(Noise { repeat_frame_in: 100, ..Noise::NONE }, 1);
    assert!((50..200).contains(&((repeated.len() - clean.len()) / frame.len())));
    let changed = through(Noise { change_byte_in: 100, ..Noise::NONE }, 1);
    assert_eq!(changed.len(), clean.len());
    assert!((400..1000).contains(&changed.iter().zip(&clean).filter(|(a, b)| a != b).count()));
    let doubled = through(Noise { double_byte_in: 100, ..Noise::NONE }, 1);
    assert!((400..1000).contains(&(doubled.len() - clean.len())));
    assert_eq!(changed, through(Noise { change_byte_in: 100, ..Noise::NONE }, 1));
    assert_ne!(changed, through(Noise { change_byte_in: 100, ..Noise::NONE }, 2));
}
