//! The bridge's side: order, at most once, kept answers, failure, silence.

use super::codec::decoded;
use farrier::bus::{Operation, Reply, Why};
use farrier::frame::{Answer, Envelope, Heard, Hello, Request, Sequence, Session};
use proptest::prelude::*;
use std::time::Duration;

/// Window 4, blocks of 512, frames of 600.
fn hello() -> Hello {
    super::vectors::hello_answer()
}

/// A session that a host has opened.
fn open() -> Session {
    let mut session = Session::new(hello());
    assert_eq!(session.hear(&bytes(0, &Request::Hello { version: 1, mark: 5 })), Heard::NewHost);
    session.take_output();
    session
}

fn bytes(sequence: u8, request: &Request) -> Vec<u8> {
    request.seal(Sequence(sequence)).unwrap().to_wire()
}

fn run(number: u8) -> Request {
    Request::Run(vec![Operation::Delay(Duration::from_micros(number.into()))])
}

/// What the session says, with the sequence numbers.
fn said(session: &mut Session) -> Vec<(u8, Answer)> {
    decoded(&session.take_output())
        .into_iter()
        .map(|envelope| envelope.map(|envelope| (envelope.sequence.0, Answer::open(&envelope).unwrap())).unwrap())
        .collect()
}

fn done() -> Answer {
    Answer::Replies(vec![Reply::Done])
}

fn finish(session: &mut Session) {
    session.finish(Ok(vec![Reply::Done]));
}

#[test]
fn without_hello_nothing_is_carried_out() {
    let mut session = Session::new(hello());
    for request in [run(0), Request::Clear, Request::Ask] {
        session.hear(&bytes(9, &request));
        assert_eq!(said(&mut session), [(9, Answer::HelloFirst)]);
    }
    session.hear(&[1, 2, 3, 0]);
    assert!(said(&mut session).is_empty(), "damage is no reason to speak");
    assert_eq!(session.begin(), None);
}

#[test]
fn hello_is_answered_with_the_hosts_mark_and_opens_a_session_once() {
    let mut session = Session::new(hello());
    let hello_5 = bytes(0, &Request::Hello { version: 1, mark: 5 });
    assert_eq!(session.hear(&hello_5), Heard::NewHost);
    assert_eq!(said(&mut session), [(0, Answer::Hello(Hello { mark: 5, ..hello() }))]);
    session.hear(&bytes(0, &run(0)));
    assert!(session.begin().is_some());
    assert_eq!(session.hear(&hello_5), Heard::Host, "the same host again");
    assert_eq!(said(&mut session), [(1, Answer::Hello(Hello { mark: 5, ..hello() }))]);
    finish(&mut session);
    assert_eq!(said(&mut session), [(0, done())], "the work in hand went on");
}

#[test]
fn another_host_ends_the_session_of_the_first() {
    let mut session = open();
    session.hear(&[bytes(0, &run(0)), bytes(1, &run(1))].concat());
    assert!(session.begin().is_some());
    assert_eq!(session.hear(&bytes(0, &Request::Hello { version: 1, mark: 6 })), Heard::NewHost);
    said(&mut session);
    finish(&mut session);
    assert!(said(&mut session).is_empty(), "the old host's answer is not given to the new one");
    assert_eq!(session.begin(), None);
    session.hear(&bytes(0, &Request::Ask));
    assert_eq!(said(&mut session), [(0, Answer::Again)], "nor kept");
}

#[test]
fn a_host_of_another_version_is_told_and_changes_nothing() {
    let mut session = open();
    session.hear(&bytes(0, &run(0)));
    let other = Envelope { kind: 1, sequence: Sequence(0), body: vec![0, 2, 9, 9, 9] };
    assert_eq!(session.hear(&other.to_wire()), Heard::Host);
    assert!(matches!(said(&mut session).as_slice(), [(1, Answer::Hello(_))]));
    assert!(session.begin().is_some());
}

#[test]
fn a_repeated_request_is_answered_from_what_was_kept() {
    let mut session = open();
    session.hear(&bytes(0, &run(0)));
    session.hear(&bytes(0, &run(0)));
    assert_eq!(said(&mut session), [(0, Answer::Working)]);
    assert!(session.begin().is_some());
    session.hear(&bytes(0, &Request::Ask));
    assert_eq!(said(&mut session), [(0, Answer::Working)]);
    finish(&mut session);
    assert_eq!(said(&mut session), [(0, done())]);
    session.hear(&bytes(0, &run(0)));
    session.hear(&bytes(0, &Request::Ask));
    assert_eq!(said(&mut session), [(0, done()), (0, done())]);
    assert_eq!(session.begin(), None);
}

#[test]
fn a_gap_and_damage_are_asked_for() {
    let mut session = open();
    session.hear(&bytes(1, &run(1)));
    assert_eq!(said(&mut session), [(0, Answer::Again)]);
    let mut damaged = bytes(0, &run(0));
    damaged[2] ^= 0x10;
    session.hear(&damaged);
    assert_eq!(said(&mut session), [(0, Answer::Again)]);
    session.hear(&bytes(0, &Request::Ask));
    assert_eq!(said(&mut session), [(0, Answer::Again)]);
    assert_eq!(session.begin(), None);
    session.hear(&[bytes(0, &run(0)), bytes(1, &run(1))].concat());
    assert!(said(&mut session).is_empty());
    assert!(session.begin().is_some());
}

#[test]
fn answers_are_kept_for_the_window_and_no_longer() {
    let mut session = open();
    for number in 0..6 {
        session.hear(&bytes(number, &run(number)));
        assert!(session.begin().is_some());
        finish(&mut session);
    }
    said(&mut session);
    for number in 2..6 {
        session.hear(&bytes(number, &Request::Ask));
        assert_eq!(said(&mut session), [(number, done())]);
    }
    session.hear(&bytes(1, &Request::Ask));
    assert_eq!(said(&mut session), [(6, Answer::Again)]);
}

#[test]
fn more_than_the_window_is_not_accepted() {
    let mut session = open();
    let all: Vec<u8> = (0..5).flat_map(|number| bytes(number, &run(number))).collect();
    session.hear(&all);
    assert_eq!(said(&mut session), [(4, Answer::Again)]);
    for _ in 0..4 {
        assert!(session.begin().is_some());
        finish(&mut session);
    }
    assert_eq!(session.begin(), None);
}

#[test]
fn after_a_failure_nothing_is_begun_until_clear() {
    let mut session = open();
    session.hear(&[bytes(0, &run(0)), bytes(1, &run(1)), bytes(2, &Request::Clear), bytes(3, &run(3))].concat());
    assert!(session.begin().is_some());
    session.finish(Err((0, Why::NoPower)));
    let failed = Answer::Failed { operation: 0, why: Why::NoPower };
    assert_eq!(said(&mut session), [(0, failed.clone()), (1, Answer::NotBegun), (2, Answer::Replies(vec![]))]);
    assert_eq!(session.begin(), Some(vec![Operation::Delay(Duration::from_micros(3))]));
    session.hear(&[bytes(0, &run(0)), bytes(1, &run(1))].concat());
    assert_eq!(said(&mut session), [(0, failed), (1, Answer::NotBegun)], "kept like any other answer");
}

#[test]
fn a_list_that_makes_no_sense_fails_in_its_turn_and_nothing_of_it_is_begun() {
    let mut session = open();
    let mut senseless = Request::Run(vec![Operation::MeasureSupply]).seal(Sequence(1)).unwrap();
    senseless.body.push(0x7F);
    session.hear(&[bytes(0, &run(0)), senseless.to_wire(), bytes(2, &run(2))].concat());
    assert!(said(&mut session).is_empty());
    assert!(session.begin().is_some());
    finish(&mut session);
    let failed = Answer::Failed { operation: 1, why: Why::BadOperation };
    assert_eq!(said(&mut session), [(0, done()), (1, failed), (2, Answer::NotBegun)]);
    assert_eq!(session.begin(), None);
}

#[test]
fn what_is_too_large_for_the_bridge_is_refused() {
    let refused = |operations: Vec<Operation>| {
        let mut session = open();
        session.hear(&bytes(0, &Request::Run(operations)));
        match said(&mut session).as_slice() {
            [(0, Answer::Failed { operation, why: Why::BadOperation })] => Some(*operation),
            [] => None,
            other => panic!("{other:?}"),
        }
    };
    let transfer = |bytes: usize| Operation::Transfer(vec![0; bytes]);
    assert_eq!(refused(vec![transfer(512)]), None);
    assert_eq!(refused(vec![Operation::MeasureSupply, transfer(513)]), Some(1), "a block");
    // Three replies of 200 bytes need 3 * 203 bytes of an answer of 600.
    let read = farrier::bus::Pattern {
        template: vec![0],
        slots: vec![farrier::bus::Slot { kind: farrier::bus::SlotKind::Capture, bit: 0, width: 8 }],
        first: 0,
        repeat: 200,
        data: vec![],
        outcome: farrier::bus::Outcome::Return,
    };
    assert_eq!(refused(vec![Operation::Pattern(read.clone()); 2]), None);
    assert_eq!(refused(vec![Operation::Pattern(read); 3]), Some(2), "the answer");
}

#[test]
fn a_lost_host_is_forgotten_and_the_start_number_changes() {
    let mut session = open();
    assert!(session.is_idle());
    session.hear(&bytes(0, &run(0)));
    assert!(!session.is_idle());
    assert!(session.begin().is_some());
    assert!(!session.is_idle());
    finish(&mut session);
    assert!(session.is_idle());
    said(&mut session);
    session.lose();
    assert!(!session.is_idle());
    session.hear(&bytes(1, &run(1)));
    assert_eq!(said(&mut session), [(1, Answer::HelloFirst)]);
    session.hear(&bytes(0, &Request::Hello { version: 1, mark: 5 }));
    assert_eq!(said(&mut session), [(0, Answer::Hello(Hello { mark: 5, start: 8, ..hello() }))]);
}

#[test]
fn frames_of_unknown_kind_are_dropped() {
    let mut session = open();
    for (kind, body) in [(0x05, vec![]), (0x82, vec![]), (0x03, vec![1]), (0x04, vec![1]), (0x01, vec![0])] {
        assert_eq!(session.hear(&Envelope { kind, sequence: Sequence(0), body }.to_wire()), Heard::Nothing);
        assert!(said(&mut session).is_empty(), "kind {kind}");
    }
}

proptest! {
    /// Whatever arrives, undamaged or not: what the session says are whole frames with a meaning.
    #[test]
    fn any_frames_are_answered_or_dropped(frames in prop::collection::vec((0u8..8, 0u8..8, super::any::bytes(40), any::<bool>()), 0..60)) {
        let mut session = open();
        for (kind, sequence, body, whole) in frames {
            let bytes = Envelope { kind, sequence: Sequence(sequence), body }.to_wire();
            session.hear(if whole { &bytes } else { &bytes[1..] });
            if session.begin().is_some() {
                finish(&mut session);
            }
            said(&mut session);
        }
    }

    /// Whatever a host sends, in whatever order and however often: lists are begun in the order of their numbers, none twice.
    #[test]
    fn lists_are_begun_in_order_and_at_most_once(sent in prop::collection::vec((any::<bool>(), 0u8..8, any::<bool>()), 0..400)) {
        let mut session = open();
        let (mut begun, mut next_sent) = (Vec::new(), 0u8);
        for (new, back, finishes) in sent {
            let number = if new { next_sent } else { next_sent.wrapping_sub(back) };
            if new {
                next_sent = next_sent.wrapping_add(1);
            }
            session.hear(&bytes(number, &run(number)));
            if let Some(list) = session.begin() {
                begun.push(list);
            }
            if finishes {
                finish(&mut session);
            }
        }
        let expected: Vec<_> = (0..begun.len()).map(|n| vec![Operation::Delay(Duration::from_micros(n as u64 % 256))]).collect();
        prop_assert_eq!(begun, expected);
    }
}
