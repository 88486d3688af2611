//! Every list is carried out exactly once, in order, whatever the wire does.

use super::bridges::*;
use farrier::bus::{Bus, Operation, Ticket};
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

const RATES: [Noise; 7] = [
    Noise { lose_frame_in: 100, repeat_frame_in: 0, lose_byte_in: 0, change_byte_in: 0 },
    Noise { lose_frame_in: 0, repeat_frame_in: 100, lose_byte_in: 0, change_byte_in: 0 },
    Noise { lose_frame_in: 0, repeat_frame_in: 0, lose_byte_in: 100, change_byte_in: 0 },
    Noise { lose_frame_in: 0, repeat_frame_in: 0, lose_byte_in: 0, change_byte_in: 100 },
    Noise { lose_frame_in: 100, repeat_frame_in: 100, lose_byte_in: 1000, change_byte_in: 1000 },
    Noise { lose_frame_in: 10, repeat_frame_in: 10, lose_byte_in: 0, change_byte_in: 0 },
    Noise { lose_frame_in: 0, repeat_frame_in: 3, lose_byte_in: 0, change_byte_in: 0 },
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
    let noise = Noise { lose_frame_in: 4, ..Noise::default() };
    let mut client = client(NoisyWire::new(Box::new(inner), noise, 3));
    let (_, took) = time_of(&clock, || client.run(&[numbered(1)]).unwrap());
    let (clean, _, clean_clock) = wire();
    let mut clean_client = super::bridges::client(clean);
    let (_, clean_took) = time_of(&clean_clock, || clean_client.run(&[numbered(1)]).unwrap());
    let (_, lossy) = time_of(&clock, || (2..20).for_each(|number| drop(client.run(&[numbered(number)]).unwrap())));
    assert!(took + lossy > clean_took * 19 + Duration::from_millis(500));
    assert_eq!(log.borrow().numbers, (1..20).collect::<Vec<u32>>());
}
