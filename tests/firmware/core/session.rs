//! The session's rules, one by one, against the core.

use super::*;
use farrier::bus::{Bus, BusError, Drive, Line, Reply, Why};
use farrier::link::{Client, Noise, NoisyWire};

const RESET_LOW: Operation = Operation::Line { line: Line::Reset, drive: Drive::Low };

fn delay(ms: u64) -> Operation {
    Operation::Delay(Duration::from_millis(ms))
}

fn one(heard: &[Envelope]) -> (u8, u8) {
    let [one] = heard else { panic!("{heard:?}") };
    (one.kind, one.sequence.0)
}

#[test]
fn another_version_is_answered_and_changes_nothing() {
    let mut talk = Talk::open(program(), |_| 0xFF);
    talk.count_up_to(0, 2);
    for body in [vec![0, 2], vec![0, 2, 1, 2, 3, 4], vec![0, 9, 1, 2, 3, 4, 5, 6, 7]] {
        let envelope = Envelope { kind: 1, sequence: Sequence(0), body };
        talk.wire.send(&envelope.to_wire()).unwrap();
        let heard = talk.hear(Duration::from_millis(100));
        assert_eq!(one(&heard), (0x81, 2));
        assert_eq!(heard[0].body[..2], [0, 1]);
    }
    assert_eq!(talk.run(&[], 2), Answer::Replies(vec![]));
}

#[test]
fn what_is_no_message_is_dropped() {
    let mut talk = Talk::open(program(), |_| 0xFF);
    for (kind, body) in [(0x05, vec![]), (0x81, vec![]), (3, vec![1]), (4, vec![1]), (1, vec![0]), (1, vec![0, 1, 0, 0, 0, 1, 0])] {
        talk.wire.send(&Envelope { kind, sequence: Sequence(0), body }.to_wire()).unwrap();
    }
    talk.wire.send(&[0, 0, 0]).unwrap();
    assert_eq!(talk.hear(Duration::from_millis(100)), []);
    assert_eq!(talk.run(&[], 0), Answer::Replies(vec![]));
}

#[test]
fn a_repeated_request_is_answered_again_and_not_carried_out_again() {
    let mut talk = Talk::open(program(), |_| 0x5A);
    let send = |n| Request::Run(vec![Operation::Transfer(vec![n])]);
    let answers: Vec<_> = (0..4).map(|n| talk.ask(&send(n), n)).collect();
    for n in 0..4 {
        assert_eq!(talk.ask(&send(n), n), answers[usize::from(n)]);
        assert_eq!(talk.ask(&Request::Ask, n), answers[usize::from(n)]);
    }
    assert_eq!(talk.log.borrow().sent, [0, 1, 2, 3]);
    // 255 was never accepted; 5 comes too early.
    for (request, sequence) in [(Request::Ask, 255), (send(9), 255), (send(9), 5), (Request::Ask, 4), (Request::Clear, 7)] {
        assert_eq!(one(&talk.ask(&request, sequence)), (0x86, 4));
    }
    talk.ask(&send(4), 4);
    assert_eq!(one(&talk.ask(&Request::Ask, 0)), (0x86, 5), "only as many as the window are kept");
    assert_eq!(talk.log.borrow().sent, [0, 1, 2, 3, 4]);
}

#[test]
fn the_window_is_kept_while_the_bridge_works() {
    for program in [program(), tight_program()] {
        let mut talk = Talk::open(program, |_| 0xFF);
        let big = Request::Run(vec![Operation::Transfer(vec![1; 400])]);
        talk.put(&Request::Run(vec![delay(1000)]), 0);
        (1..4).for_each(|n| talk.put(&big, n));
        assert_eq!(talk.hear(Duration::from_millis(100)), []);
        for n in 0..4 {
            assert_eq!(one(&talk.ask(&Request::Ask, n)), (0x85, n));
        }
        let small = Request::Run(vec![]);
        assert_eq!(one(&talk.ask(&small, 4)), (0x86, 4), "the window is full");
        assert_eq!(one(&talk.ask(&small, 2)), (0x85, 2));
        // Sent once more although it is in hand: WORKING, or, where there is no room for it, that the next is expected.
        let again = one(&talk.ask(&big, 1));
        assert!(again == (0x85, 1) || (program == tight_program() && again == (0x86, 4)), "{again:?}");
        let heard = talk.hear(Duration::from_secs(20));
        assert_eq!(
            heard.iter().map(|answer| (answer.kind, answer.sequence.0)).collect::<Vec<_>>(),
            [(0x82, 0), (0x82, 1), (0x82, 2), (0x82, 3)]
        );
        assert_eq!(talk.log.borrow().sent.len(), 1200);
    }
}

/// Work that takes seconds, in each of the ways that there are.
fn long_work() -> [(&'static str, Operation); 4] {
    use farrier::bus::{Outcome, Pattern, Slot, SlotKind};
    let slot = Slot { kind: SlotKind::Capture, bit: 24, width: 8 };
    let pattern = |outcome, repeat| Pattern { template: vec![0x20, 0, 0, 0], slots: vec![slot], first: 0, repeat, data: vec![], outcome };
    [
        ("delay", delay(4000)),
        ("poll", Operation::Poll { send: vec![0xF0, 0, 0, 0], byte: 3, mask: 1, value: 0, limit: Duration::from_secs(4) }),
        ("pattern", Operation::Pattern(pattern(Outcome::Crc32 { every: 1_000_000 }, 100))),
        ("returning pattern", Operation::Pattern(pattern(Outcome::Return, 100))),
    ]
}

#[test]
fn questions_are_answered_within_100_ms_whatever_the_work() {
    for (what, work) in long_work() {
        let mut talk = Talk::open(program(), |_| 0xFF);
        talk.put(&Request::Run(vec![work]), 0);
        talk.hear(Duration::from_millis(50));
        for _ in 0..3 {
            assert_eq!(one(&talk.ask(&Request::Ask, 0)), (0x85, 0), "{what}");
            talk.hello(1);
            talk.wire.send(&[7, 7, 0]).unwrap();
            assert_eq!(one(&talk.hear(Duration::from_millis(100))), (0x86, 1), "{what}");
        }
    }
}

#[test]
fn hello_of_another_session_stops_any_work_and_lets_go() {
    for (what, work) in long_work() {
        let mut talk = Talk::open(program(), |_| 0xFF);
        talk.put(&Request::Run(vec![RESET_LOW, work.clone(), delay(1)]), 0);
        talk.put(&Request::Run(vec![work]), 1);
        talk.hear(Duration::from_millis(50));
        let bytes = talk.log.borrow().sent.len();
        let hello = talk.hello(2);
        assert_eq!(hello.sequence, Sequence(0), "{what}");
        assert!(!talk.log.borrow().resets.last().unwrap().1, "{what}: reset is released");
        assert!(talk.log.borrow().sent.len() <= bytes + 20, "{what}: stopped at once");
        assert_eq!(talk.hear(Duration::from_secs(4)), [], "{what}: nobody waits for the answers");
        talk.count_up_to(0, 3);
    }
}

#[test]
fn silence_lets_go_of_the_board_after_5_s_and_ends_the_session() {
    let mut talk = Talk::open(able_program(), |_| 0xFF);
    assert!(matches!(talk.run(&[RESET_LOW, Operation::ClockOutput(Some(Hertz(1_000_000)))], 0), Answer::Replies(_)));
    let quiet = talk.wire.clock.now();
    talk.hear(Duration::from_millis(4800));
    assert!(talk.log.borrow().resets.last().unwrap().1 && talk.log.borrow().clock_output == Some(Hertz(1_000_000)));
    talk.hear(Duration::from_millis(300));
    let (released, low) = *talk.log.borrow().resets.last().unwrap();
    assert!(!low && released.since(quiet) <= Duration::from_secs(5));
    assert_eq!(talk.log.borrow().clock_output, None);
    assert_eq!(one(&talk.ask(&Request::Ask, 0)), (0x87, 0));
    let start = |hello: &Envelope| hello.body[6..10].to_vec();
    assert_eq!(start(&talk.hello(1)), [0, 0, 0, 8], "another start number");
    // Work does not count as silence, and every undamaged frame ends it.
    talk.put(&Request::Run(vec![RESET_LOW, delay(7000)]), 0);
    talk.hear(Duration::from_millis(11_500));
    talk.ask(&Request::Ask, 0);
    talk.hear(Duration::from_millis(4700));
    assert!(talk.log.borrow().resets.last().unwrap().1);
    assert_eq!(start(&talk.hello(1)), [0, 0, 0, 8]);
}

#[test]
fn a_delay_is_at_least_so_long_and_hardly_longer() {
    for us in [0, 1, 100, 20_000, 3_000_000] {
        let mut talk = Talk::open(program(), |_| 0xFF);
        let begun = talk.wire.clock.now();
        let high = Operation::Line { line: Line::Reset, drive: Drive::High };
        talk.put(&Request::Run(vec![RESET_LOW, Operation::Delay(Duration::from_micros(us)), high]), 0);
        talk.hear(Duration::from_secs(4));
        let resets = talk.log.borrow().resets.clone();
        let [.., (from, true), (until, false)] = resets[..] else { panic!("{resets:?} after {begun:?}") };
        let took = until.since(from).as_micros() as u64;
        assert!((us..=us + us / 100 + 1000).contains(&took), "{us} us took {took} us");
    }
}

#[test]
fn a_failure_holds_until_clear_and_says_where() {
    let mut talk = Talk::open(program(), |_| 0xFF);
    let slow = Operation::SpiClock(Hertz(999));
    let failed = Answer::Failed { operation: 1, why: Why::NotSupported };
    assert_eq!(talk.run(&[Operation::Transfer(vec![1]), slow, Operation::Transfer(vec![2])], 0), failed);
    assert_eq!(talk.run(&[Operation::Transfer(vec![3])], 1), Answer::NotBegun);
    assert_eq!(talk.answer(&Request::Clear, 2), Answer::Replies(vec![]));
    assert_eq!(talk.run(&[Operation::Transfer(vec![4])], 3), Answer::Replies(vec![Reply::Bytes(vec![0xFF])]));
    assert_eq!(talk.log.borrow().sent, [1, 4]);
    for missing in [Operation::ClockOutput(Some(Hertz(1))), Operation::Line { line: Line::Power, drive: Drive::High }] {
        let mut talk = Talk::open(program(), |_| 0xFF);
        assert_eq!(talk.run(&[missing], 0), Answer::Failed { operation: 0, why: Why::NotSupported });
    }
}

#[test]
fn nothing_of_a_list_with_a_bad_operation_is_carried_out() {
    let good = [0x03, 1, 0x55];
    #[rustfmt::skip]
    let bad: [&[u8]; 26] = [
        &[0x00], &[0x09], &[0x0F], &[0x14], &[0x01], &[0x01, 0x20], &[0x01, 0x03], &[0x02, 0x00], &[0x02, 0x80, 0x00],
        &[0x02, 0x80, 0x80, 0x80, 0x80, 0x10], &[0x05, 0x80], &[0x03, 2, 1], &[0x03, 0x81, 0x04],
        &[0x04, 1, 0xF0, 1, 1, 1, 1], &[0x04, 0, 0, 1, 1, 1], &[0x10, 0x00, 0x00, 0, 0],
        &[0x10, 0x01, 0x00, 0x21, 0, 1, 7], &[0x10, 0x01, 0x01, 0x20, 0, 1, 7], &[0x10, 0x09, 0, 0x30, 0, 1],
        &[0x10, 0x01, 0x00, 0x91, 0, 8, 0, 1], &[0x10, 0x01, 0x00, 0x90, 1, 8, 0, 1], &[0x11, 0x00, 0x00, 0, 1],
        &[0x13, 0x01, 0x00, 0x30, 0, 1, 0], &[0x12, 0x01, 0x00, 0x20, 0, 1, 7], &[0x10, 0x02, 0x00, 0x10, 0x20, 0, 1, 7],
        &[0x10, 0x01, 0x00, 0x10, 0xFF, 0xFF, 0xFF, 0xFF, 0x0F, 2],
    ];
    for operation in bad {
        let mut talk = Talk::open(program(), |_| 0xFF);
        let body = [&good, &good, operation].concat();
        talk.wire.send(&Envelope { kind: 2, sequence: Sequence(0), body: body.clone() }.to_wire()).unwrap();
        let heard = talk.hear(Duration::from_millis(20));
        let answer = Answer::open(&heard[0]).unwrap();
        assert_eq!(answer, Answer::Failed { operation: 2, why: Why::BadOperation }, "{operation:02X?}");
        assert!(talk.log.borrow().sent.is_empty(), "{operation:02X?}");
        // The host's own reader finds it bad, too.
        let envelope = Envelope { kind: 2, sequence: Sequence(0), body };
        assert!(Request::open(&envelope).is_err(), "{operation:02X?}");
    }
}

#[test]
fn an_answer_that_is_too_large_is_a_bad_operation() {
    let mut talk = Talk::open(program(), |_| 0xFF);
    let bytes = |count| {
        Operation::Pattern(farrier::bus::Pattern {
            template: vec![0],
            slots: vec![farrier::bus::Slot { kind: farrier::bus::SlotKind::Capture, bit: 0, width: 8 }],
            first: 0,
            repeat: count,
            data: vec![],
            outcome: farrier::bus::Outcome::Return,
        })
    };
    // 600 less 4, two codes, and lengths of two bytes and of one.
    talk.run(&[Operation::SpiClock(Hertz(8_000_000))], 0);
    let fits = talk.run(&[bytes(512), bytes(79)], 1);
    assert!(matches!(fits, Answer::Replies(replies) if replies.len() == 2));
    assert_eq!(talk.run(&[bytes(512), bytes(80)], 2), Answer::Failed { operation: 1, why: Why::BadOperation });
    talk.answer(&Request::Clear, 3);
    assert_eq!(talk.run(&[bytes(513)], 4), Answer::Failed { operation: 0, why: Why::BadOperation });
}

#[test]
fn over_a_bad_line_every_request_is_carried_out_once_and_in_order() {
    for (seed, program) in [(1, program()), (2, tight_program()), (3, program())] {
        let log = Rc::new(RefCell::new(Log::default()));
        let firmware = Firmware::start(&mut Command::new(program), Scripted(Rc::clone(&log), |sent: u8| !sent));
        let noise = Noise { lose_frame_in: 40, repeat_frame_in: 40, lose_byte_in: 2000, double_byte_in: 2000, change_byte_in: 400 };
        let wire = NoisyWire::new(Box::new(FirmwareWire::new(firmware, 100_000)), noise, seed);
        let mut client = Client::connect(Box::new(wire)).unwrap();
        client.run(&[Operation::SpiClock(Hertz(1_000_000))]).unwrap();
        let numbers: Vec<[u8; 2]> = (0..3000u16).map(u16::to_be_bytes).collect();
        let mut tickets = Vec::new();
        for some in numbers.chunks(20) {
            let list: Vec<Operation> = some.iter().map(|number| Operation::Transfer(number.to_vec())).collect();
            tickets.push(client.submit(&list).unwrap());
        }
        for (ticket, some) in tickets.into_iter().zip(numbers.chunks(20)) {
            let expected: Vec<Reply> = some.iter().map(|number| Reply::Bytes(number.map(|byte| !byte).to_vec())).collect();
            assert_eq!(client.collect(ticket).unwrap(), expected, "seed {seed}");
        }
        assert_eq!(log.borrow().sent, numbers.concat(), "seed {seed}");
    }
}

#[test]
fn a_client_is_told_of_a_bridge_that_let_go() {
    let firmware = Firmware::start(&mut Command::new(program()), Scripted(Rc::default(), |_| 0));
    let mut client = Client::connect(Box::new(FirmwareWire::new(firmware, 100_000))).unwrap();
    client.run(&[RESET_LOW]).unwrap();
    let clock = client.clock();
    clock.wait_until(clock.now().plus(Duration::from_secs(6)));
    assert!(matches!(client.run(&[RESET_LOW]), Err(BusError::Restarted)));
    client.run(&[RESET_LOW]).unwrap();
}
