//! Every list is carried out exactly once, in order, whatever the wire does.

use super::bridges::*;
use farrier::bus::{Bus, BusError, Operation, Outcome, Pattern, Reply, Slot, SlotKind, Ticket, Why};
use farrier::link::{DelayedWire, Noise, NoisyWire};
use std::time::Duration;

/// Runs lists of one to nine numbered transfers with several in flight, and checks each reply and what the bridge did.
fn work_through(noise: Noise, seed: u64, latency: Duration) {
    let (inner, log, _) = wire();
    let noisy = NoisyWire::new(Box::new(inner), noise, seed);
    let mut client = client(DelayedWire::new(Box::new(noisy), latency));
    let told = format!("seed {seed}, {noise:?}, latency {latency:?}");
    let mut flying: Vec<(Ticket, u32, u32)> = Vec::new();
    let mut next = 0;
    for round in 0..150 {
        let count = 1 + round % 9;
        let list: Vec<Operation> = (next..next + count).map(numbered).collect();
        flying.push((client.submit(&list).unwrap_or_else(|error| panic!("{error}; {told}")), next, count));
        next += count;
        while flying.len() > 5 || (round == 149 && !flying.is_empty()) {
            let (ticket, first, count) = flying.remove(0);
            let replies = client.collect(ticket).unwrap_or_else(|error| panic!("{error}; {told}"));
            assert_eq!(replies, (first..first + count).map(reply_to).collect::<Vec<_>>(), "{told}");
        }
    }
    assert_eq!(log.borrow().numbers, (0..next).collect::<Vec<u32>>(), "{told}");
}

const RATES: [Noise; 9] = [
    Noise { lose_frame_in: 100, ..Noise::NONE },
    Noise { repeat_frame_in: 100, ..Noise::NONE },
    Noise { lose_byte_in: 100, ..Noise::NONE },
    Noise { change_byte_in: 100, ..Noise::NONE },
    Noise { double_byte_in: 100, ..Noise::NONE },
    Noise::bytes(300),
    Noise { lose_frame_in: 100, repeat_frame_in: 100, ..Noise::bytes(1000) },
    Noise { lose_frame_in: 10, repeat_frame_in: 10, ..Noise::NONE },
    Noise { repeat_frame_in: 3, ..Noise::NONE },
];

#[test]
fn lists_are_carried_out_exactly_once_over_a_noisy_wire() {
    for noise in RATES {
        for seed in 0..20 {
            work_through(noise, seed, Duration::ZERO);
        }
    }
}

#[test]
fn lists_are_carried_out_exactly_once_over_a_noisy_and_slow_wire() {
    for noise in RATES {
        for seed in 100..105 {
            work_through(noise, seed, Duration::from_millis(400));
        }
    }
}

#[test]
fn the_wire_of_these_tests_does_lose_frames() {
    // Without this the tests above would pass on a wire that loses nothing.
    let (inner, log, clock) = wire();
    let noise = Noise { lose_frame_in: 4, ..Noise::NONE };
    let mut client = client(NoisyWire::new(Box::new(inner), noise, 3));
    let (_, took) = time_of(&clock, || client.run(&[numbered(1)]).unwrap());
    let (clean, _, clean_clock) = wire();
    let mut clean_client = super::bridges::client(clean);
    let (_, clean_took) = time_of(&clean_clock, || clean_client.run(&[numbered(1)]).unwrap());
    let (_, lossy) = time_of(&clock, || (2..20).for_each(|number| drop(client.run(&[numbered(number)]).unwrap())));
    assert!(took + lossy > clean_took * 19 + Duration::from_millis(500));
    assert_eq!(log.borrow().numbers, (1..20).collect::<Vec<u32>>());
}

/// 100 repetitions, counted from 40 000; each captures two bytes of what comes back. `data` is what it carries.
fn counted(outcome: Outcome, data: Vec<u8>, data_slot: bool) -> Operation {
    let slot = |kind, bit, width| Slot { kind, bit, width };
    let mut slots = vec![slot(SlotKind::Counter, 8, 16), slot(SlotKind::Capture, 8, 8), slot(SlotKind::Capture, 16, 8)];
    if data_slot {
        slots.push(slot(SlotKind::Data, 24, 8));
    }
    Operation::Pattern(Pattern { template: vec![0x20, 0, 0, 0], slots, first: 40_000, repeat: 100, data, outcome })
}

/// What the bridge of these tests sends back for those repetitions, as the host's own arithmetic has it.
fn captured() -> Vec<u8> {
    (40_000_u16..40_100).flat_map(|n| (!n).to_be_bytes()).collect()
}

#[test]
fn patterns_come_to_the_same_in_pieces() {
    let sums = |every: usize| captured().chunks(every).map(crc32).collect::<Vec<u32>>();
    let mut wrong = captured();
    wrong[177] ^= 1;
    let cases: [(Operation, Result<Reply, Why>); 7] = [
        (counted(Outcome::Return, vec![], false), Ok(Reply::Bytes(captured()))),
        (counted(Outcome::Return, (0..100).collect(), true), Ok(Reply::Bytes(captured()))),
        (counted(Outcome::Discard, (0..100).collect(), true), Ok(Reply::Done)),
        (counted(Outcome::Compare, captured(), false), Ok(Reply::Done)),
        (counted(Outcome::Compare, wrong.clone(), false), Err(Why::Differs { index: 177, expected: wrong[177], found: captured()[177] })),
        (counted(Outcome::Crc32 { every: 5 }, vec![], false), Ok(Reply::Crc32(sums(5)))),
        (counted(Outcome::Crc32 { every: 7 }, (0..100).collect(), true), Ok(Reply::Crc32(sums(7)))),
    ];
    let (inner, log, _) = wire();
    let mut client = client(NoisyWire::new(Box::new(inner), Noise::bytes(150), 5));
    // Until frames are as small as they get.
    for number in 0..200 {
        client.run(&[numbered(number)]).unwrap();
    }
    for (n, (operation, wanted)) in cases.iter().enumerate() {
        let before = log.borrow().operations;
        let list = [numbered(1), operation.clone(), numbered(2)];
        match (client.run(&list), wanted) {
            (Ok(replies), Ok(wanted)) => assert_eq!(replies, [reply_to(1), wanted.clone(), reply_to(2)], "case {n}"),
            (Err(BusError::Failed { operation: 1, why }), Err(wanted)) => assert_eq!(why, *wanted, "case {n}"),
            other => panic!("case {n}: {other:?}"),
        }
        assert!(log.borrow().operations > before + 3, "case {n} was cut into pieces");
    }
}

/// CRC-32/ISO-HDLC bit by bit, as its catalogue entry describes it.
fn crc32(bytes: &[u8]) -> u32 {
    let mut crc = u32::MAX;
    for byte in bytes {
        crc ^= u32::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 { crc >> 1 ^ 0xEDB8_8320 } else { crc >> 1 };
        }
    }
    !crc
}
