//! Bridges that restart, fall silent, hang, speak another version, or are none.

use super::bridges::*;
use farrier::bus::{Bus, BusError, Operation, Ticket};
use farrier::frame::{Answer, Decoder, Request, Sequence};
use farrier::link::{Client, MemoryWire, UnpluggedWire, Wire};
use farrier::time::{Clock, Moment, SharedClock, VirtualClock};
use std::ops::ControlFlow;
use std::rc::Rc;
use std::time::Duration;

/// A wire that loses all that is sent after so many times.
struct CutShort {
    inner: MemoryWire,
    sends_left: u32,
}

impl Wire for CutShort {
    fn send(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        let Some(left) = self.sends_left.checked_sub(1) else { return Ok(()) };
        self.sends_left = left;
        self.inner.send(bytes)
    }

    fn receive(&mut self, into: &mut Vec<u8>, until: Moment) -> std::io::Result<()> {
        self.inner.receive(into, until)
    }

    fn bytes_per_second(&self) -> u32 {
        self.inner.bytes_per_second()
    }

    fn clock(&self) -> SharedClock {
        self.inner.clock()
    }
}

fn connect(wire: MemoryWire) -> Result<Client, BusError> {
    Client::connect(Box::new(wire))
}

#[test]
fn a_restart_is_reported_once_and_the_next_submission_starts_afresh() {
    let log = SharedLog::default();
    let (wire, clock) = wire_to(Resetting::at(Moment(Duration::from_millis(500)), log.clone()));
    let mut client = client(wire);
    assert_eq!(client.run(&[numbered(1)]).unwrap(), [reply_to(1)]);
    clock.wait_until(Moment(Duration::from_millis(600)));
    let tickets: Vec<Ticket> = (2..5).map(|number| client.submit(&[numbered(number)]).unwrap()).collect();
    assert!(matches!(client.collect(tickets[0]), Err(BusError::Restarted)));
    assert!(matches!(client.collect(tickets[1]), Err(BusError::NotBegun)));
    assert!(matches!(client.collect(tickets[2]), Err(BusError::NotBegun)));
    assert_eq!(client.run(&[numbered(9)]).unwrap(), [reply_to(9)]);
    assert_eq!(log.borrow().numbers, [1, 9]);
}

#[test]
fn a_restart_in_the_middle_of_long_work_is_noticed() {
    let log = SharedLog::default();
    let (wire, clock) = wire_to(Resetting::at(Moment(Duration::from_secs(1)), log));
    let mut client = client(wire);
    let (result, took) = time_of(&clock, || client.run(&[Operation::Delay(Duration::from_secs(300))]));
    assert!(matches!(result, Err(BusError::Restarted)), "{result:?}");
    assert!(took < Duration::from_secs(3), "{took:?}");
}

#[test]
fn a_bridge_whose_host_was_silent_has_let_go_and_says_so() {
    let (wire, log, clock) = wire();
    let mut client = client(wire);
    let before = log.borrow().released.len();
    let idle_since = clock.now();
    clock.wait_until(idle_since.plus(Duration::from_millis(4_900)));
    assert_eq!(client.run(&[numbered(1)]).unwrap(), [reply_to(1)], "not yet");
    let idle_since = clock.now();
    clock.wait_until(idle_since.plus(Duration::from_secs(6)));
    assert!(matches!(client.run(&[numbered(2)]), Err(BusError::Restarted)));
    // Before the HELLO of a new session, by itself, 5 s after it was last spoken to.
    let released = log.borrow().released[before].since(idle_since);
    assert!((4_990..5_010).contains(&released.as_millis()), "{released:?}");
    assert_eq!(client.run(&[numbered(3)]).unwrap(), [reply_to(3)]);
    assert_eq!(log.borrow().numbers, [1, 3]);
}

#[test]
fn nobody_there_is_told_within_seconds() {
    let (wire, clock) = wire_to(Answering::with(|_: &[u8]| vec![]));
    let (result, took) = time_of(&clock, || connect(wire));
    match result.err() {
        Some(BusError::NoAnswer { waited, tries }) => {
            assert!(tries > 10);
            assert_eq!(waited, took);
            assert!((3..8).contains(&took.as_secs()), "{took:?}");
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn another_version_is_named() {
    let answer = Answer::OtherVersion { version: 7 }.seal(Sequence(0)).to_wire();
    let (wire, _) = wire_to(Answering::with(move |_: &[u8]| answer.clone()));
    assert!(matches!(connect(wire).err(), Some(BusError::Version { found: 7, expected: 1 })));
}

#[test]
fn something_that_only_chatters_is_no_bridge() {
    let (wire, _) = wire_to(Answering::with(|_: &[u8]| b"vent controller 3.1 ready\r\n\0".to_vec()));
    match connect(wire).err() {
        Some(BusError::Nonsense { what }) => assert!(what.contains("no answer to HELLO"), "{what}"),
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_wire_that_gives_back_what_is_sent_is_no_bridge() {
    let (wire, _) = wire_to(Answering::with(|bytes: &[u8]| bytes.to_vec()));
    match connect(wire).err() {
        Some(BusError::Nonsense { what }) => assert!(what.contains("kind 0x01"), "{what}"),
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_bridge_that_takes_two_seconds_to_start_is_waited_for() {
    let log = SharedLog::default();
    let mut bridge = farrier::link::BridgeEnd::new(hello(1), Counting(log));
    let mut dropped = 0;
    // The first frames fall into the time in which the bridge starts.
    let (wire, _) = wire_to(Answering::with(move |bytes: &[u8]| {
        use farrier::link::FarEnd;
        dropped += 1;
        if dropped < 20 {
            return vec![];
        }
        bridge.deliver(Moment::default(), bytes);
        bridge.take_output(Moment::default()).map(|(_, bytes)| bytes).unwrap_or_default()
    }));
    assert!(connect(wire).is_ok());
}

#[test]
fn a_bridge_that_falls_silent_is_given_up_within_seconds_even_in_long_work() {
    let log = SharedLog::default();
    let mut bridge = farrier::link::BridgeEnd::new(hello(1), Counting(log));
    let mut frames = 0;
    let (wire, clock) = wire_to(Answering::with(move |bytes: &[u8]| {
        use farrier::link::FarEnd;
        frames += bytes.len().min(1);
        if frames > 3 {
            return vec![];
        }
        bridge.deliver(Moment::default(), bytes);
        bridge.take_output(Moment::default()).map(|(_, bytes)| bytes).unwrap_or_default()
    }));
    let mut client = client(wire);
    let (result, took) = time_of(&clock, || client.run(&[Operation::Delay(Duration::from_secs(300))]));
    assert!(matches!(result, Err(BusError::NoAnswer { .. })), "{result:?}");
    assert!(took < Duration::from_secs(10), "{took:?}");
}

#[test]
fn a_bridge_that_hangs_in_an_operation_is_given_up() {
    let (wire, _, clock) = wire();
    let mut client = client(wire);
    let (result, took) = time_of(&clock, || client.run(&[Operation::Transfer(HANGS.to_vec())]));
    assert!(matches!(result, Err(BusError::NoAnswer { .. })), "{result:?}");
    assert!((2..4).contains(&took.as_secs()), "{took:?}");
}

#[test]
fn an_unplugged_bridge_gives_the_wires_error_to_the_list_at_hand() {
    let mut ends = Vec::new();
    for bytes in 1..400 {
        let (inner, log, _) = wire();
        let wire = UnpluggedWire::after(Box::new(inner), bytes);
        let Ok(mut client) = Client::connect(Box::new(wire)) else { continue };
        let tickets: Vec<Ticket> = (0..40).map_while(|number| client.submit(&[numbered(number)]).ok()).collect();
        let results: Vec<_> = tickets.into_iter().map(|ticket| client.collect(ticket)).collect();
        let done = results.iter().take_while(|result| result.is_ok()).count();
        assert!(matches!(results[done], Err(BusError::Wire(_))), "{bytes}: {:?}", results[done]);
        assert!(results[done + 1..].iter().all(|result| matches!(result, Err(BusError::NotBegun))), "{bytes}");
        assert!(log.borrow().numbers.len() >= done);
        assert!(matches!(client.submit(&[numbered(99)]), Err(BusError::Wire(_))));
        ends.push(done);
    }
    assert!(ends.len() > 300 && ends.last() > Some(&10), "the cut came at every stage: {ends:?}");
}

#[test]
fn replies_of_the_wrong_kind_are_nonsense_and_the_session_is_left() {
    let log = SharedLog::default();
    let mut bridge = farrier::link::BridgeEnd::new(hello(1), Counting(log));
    let clock = Rc::new(VirtualClock::default());
    let mut runs = 0;
    let far = Answering::with(move |bytes: &[u8]| {
        use farrier::link::FarEnd;
        bridge.deliver(Moment::default(), bytes);
        let answer = bridge.take_output(Moment(Duration::from_secs(1))).map(|(_, bytes)| bytes).unwrap_or_default();
        let mut decoder = Decoder::new(330);
        let is_run = bytes.iter().any(|byte| match decoder.push(*byte) {
            Some(Ok(envelope)) => matches!(Request::open(&envelope), Ok(Request::Run(_))),
            _ => false,
        });
        runs += u32::from(is_run);
        if is_run && runs == 1 { Answer::Replies(vec![]).seal(Sequence(0)).to_wire() } else { answer }
    });
    let mut client = connect(MemoryWire::new(Box::new(far), clock, BYTES_PER_SECOND)).unwrap();
    let ticket = client.submit(&[numbered(0x0101_0101), numbered(0x0202_0202)]).unwrap();
    assert!(matches!(client.collect(ticket), Err(BusError::Nonsense { .. })));
    assert!(client.run(&[numbered(3)]).is_ok());
}

/// A far end that answers HELLO as the protocol says, and everything else with what `answer` makes up.
fn answering_hello(mut answer: impl FnMut() -> Vec<u8> + 'static) -> MemoryWire {
    let mut decoder = Decoder::new(330);
    let far = Answering::with(move |bytes: &[u8]| {
        let mut out = Vec::new();
        for result in bytes.iter().filter_map(|byte| decoder.push(*byte)) {
            match result.map(|envelope| Request::open(&envelope)) {
                Ok(Ok(Request::Hello { mark, .. })) => {
                    out.extend(Answer::Hello(farrier::frame::Hello { mark, ..hello(1) }).seal(Sequence(0)).to_wire());
                }
                _ => out.extend(answer()),
            }
        }
        out
    });
    wire_to(far).0
}

#[test]
fn a_hello_that_nobody_asked_for_with_another_start_number_is_a_restart() {
    let mut client = connect(answering_hello(|| Answer::Hello(hello(2)).seal(Sequence(0)).to_wire())).unwrap();
    assert!(matches!(client.run(&[numbered(1)]), Err(BusError::Restarted)));
    // With the same one it is a late repetition, and means nothing.
    let mut client = connect(answering_hello(|| Answer::Hello(hello(1)).seal(Sequence(0)).to_wire())).unwrap();
    assert!(matches!(client.run(&[numbered(1)]), Err(BusError::NoAnswer { .. })));
}

#[test]
fn a_bridge_that_began_anew_and_stays_silent_is_waited_for_only_until_that_is_stopped() {
    let mut heard = 0;
    // HELLO is answered once; then it says that it knows of no session, once, and nothing more.
    let hello_first = answering_hello(|| Answer::HelloFirst.seal(Sequence(0)).to_wire());
    let silent_after_two = CutShort { inner: hello_first, sends_left: 2 };
    let waiting = move |_| {
        heard += 1;
        if heard < 3 { ControlFlow::Continue(()) } else { ControlFlow::Break(()) }
    };
    let mut client = Client::connect_waiting(Box::new(silent_after_two), Box::new(waiting)).unwrap();
    assert!(matches!(client.run(&[numbered(1)]), Err(BusError::Restarted)));
    match client.run(&[numbered(2)]) {
        Err(BusError::Stopped { waited }) => assert!(waited < Duration::from_secs(1), "{waited:?}"),
        other => panic!("{other:?}"),
    }
}

#[test]
fn undamaged_frames_of_any_content_end_in_a_result() {
    for seed in 0..300 {
        let mut random = fastrand::Rng::with_seed(seed);
        let wire = answering_hello(move || {
            let kind = *random.choice(&[0x02, 0x82, 0x82, 0x83, 0x84, 0x85, 0x86, 0x88]).unwrap();
            let bytes = random.usize(0..6);
            let body = std::iter::repeat_with(|| random.u8(0..6)).take(bytes).collect();
            farrier::frame::Envelope { kind, sequence: Sequence(random.u8(0..4)), body }.to_wire()
        });
        let mut client = connect(wire).unwrap();
        for number in 0..5 {
            // The bridge has carried nothing out, so no reply can be right but one that was guessed.
            let result = client.run(&[numbered(number), Operation::MeasureSupply]);
            assert!(result.is_err(), "seed {seed}: {result:?}");
        }
    }
}
