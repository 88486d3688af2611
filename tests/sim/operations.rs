//! Bus operations as the sim's bridge carries them out.

use super::bench::{Bench, small};
use farrier::bus::{Bus, BusError, Operation, Outcome, Pattern, Reply, Slot, SlotKind, Why};
use farrier::units::Hertz;
use std::time::Duration;

fn slot(kind: SlotKind, bit: u8, width: u8) -> Slot {
    Slot { kind, bit, width }
}

/// Reads flash words, as the documentation of patterns has it.
fn read_words(first: u32, repeat: u32, outcome: Outcome, data: &[u8]) -> Operation {
    Operation::Pattern(Pattern {
        template: vec![0x20, 0, 0, 0, 0x28, 0, 0, 0],
        slots: vec![
            slot(SlotKind::Counter, 8, 16),
            slot(SlotKind::Counter, 40, 16),
            slot(SlotKind::Capture, 24, 8),
            slot(SlotKind::Capture, 56, 8),
        ],
        first,
        repeat,
        data: data.to_vec(),
        outcome,
    })
}

fn entered_with_flash() -> Bench {
    let mut bench = Bench::entered(&small());
    bench.sim.edit(|contents| (0..=255).for_each(|at| contents.flash[usize::from(at)] = at));
    bench.run(Operation::SpiClock(Hertz(200_000)));
    bench
}

#[test]
fn a_pattern_reads_words() {
    let mut bench = entered_with_flash();
    assert_eq!(bench.run(read_words(3, 2, Outcome::Return, &[])), Reply::Bytes(vec![6, 7, 8, 9]));
    // CRC-32/ISO-HDLC of the bytes 00 to 03 is 8BB98613 by the catalogue's parameters, computed apart with Python's zlib.crc32.
    assert_eq!(bench.run(read_words(0, 2, Outcome::Crc32 { every: 4 }, &[])), Reply::Crc32(vec![0x8BB9_8613]));
    assert_eq!(bench.run(read_words(3, 2, Outcome::Compare, &[6, 7, 8, 9])), Reply::Done);
    let differs = bench.bus.run(&[read_words(3, 2, Outcome::Compare, &[6, 7, 0, 9])]);
    let why = Why::Differs { index: 2, expected: 0, found: 8 };
    assert!(matches!(&differs, Err(BusError::Failed { operation: 0, why: found }) if *found == why), "{differs:?}");
    bench.assert_clean();
}

#[test]
fn a_pattern_loads_a_page_with_one_byte_for_each() {
    let mut bench = entered_with_flash();
    let load = Pattern {
        template: vec![0x40, 0, 0, 0, 0x48, 0, 0, 0],
        slots: vec![
            slot(SlotKind::Counter, 16, 8),
            slot(SlotKind::Counter, 48, 8),
            slot(SlotKind::Data, 24, 8),
            slot(SlotKind::Data, 56, 8),
        ],
        first: 0,
        repeat: 64,
        data: (100..228).collect(),
        outcome: Outcome::Discard,
    };
    assert_eq!(bench.run(Operation::Pattern(load)), Reply::Done);
    bench.write([0x4C, 0x01, 0x00, 0]);
    assert_eq!(bench.sim.contents().flash[512..640], (100..228).collect::<Vec<u8>>());
    bench.assert_clean();
}

#[test]
fn spi_bytes_take_eight_clocks_each() {
    let mut bench = entered_with_flash();
    assert_eq!(bench.run(Operation::SpiClock(Hertz(240_000))), Reply::Clock(Hertz(240_000)));
    let start = bench.bus_time();
    bench.run(read_words(0, 300, Outcome::Discard, &[]));
    let took = bench.bus_time().since(start);
    let spi = Duration::from_nanos(300 * 8 * 8 * 1_000_000_000 / 240_000);
    assert!(took >= spi && took < spi + Duration::from_micros(5), "{took:?} instead of {spi:?}");
}

#[test]
fn a_poll_ends_with_the_write_or_its_limit() {
    let mut bench = entered_with_flash();
    let poll = |ms| Operation::Poll { send: vec![0xF0, 0, 0, 0], byte: 3, mask: 1, value: 0, limit: Duration::from_millis(ms) };
    bench.send(&[0xAC, 0x80, 0, 0]);
    let late = bench.bus.run(&[poll(4)]);
    assert!(matches!(late, Err(BusError::Failed { operation: 0, why: Why::PollTimedOut { last } }) if last & 1 == 1), "{late:?}");
    let Reply::Bytes(last) = bench.run(poll(20)) else { panic!("a poll replies bytes") };
    assert_eq!(last[3] & 1, 0);
    assert_eq!(bench.sim.contents().flash[5], 0xFF);
    bench.assert_clean();
}

#[test]
fn what_the_bridge_cannot_do_is_said() {
    let mut bench = entered_with_flash();
    for (operation, expected) in [
        (Operation::Transfer(vec![0; 1025]), Why::BadOperation),
        (read_words(0, 513, Outcome::Return, &[]), Why::BadOperation),
        (read_words(0, 0, Outcome::Return, &[]), Why::BadOperation),
        (Operation::SpiClock(Hertz(100)), Why::NotSupported),
    ] {
        let failed = bench.bus.run(&[operation]);
        assert!(matches!(&failed, Err(BusError::Failed { operation: 0, why }) if *why == expected), "{failed:?}");
    }
    bench.assert_clean();
}

#[test]
fn after_a_failure_lists_in_flight_are_not_begun() {
    let mut bench = entered_with_flash();
    let first = bench.bus.submit(&[Operation::SpiClock(Hertz(1))]).expect("sent");
    let second = bench.bus.submit(&[Operation::MeasureSupply]).expect("sent");
    let before = bench.sim.operations();
    assert!(matches!(bench.bus.collect(first), Err(BusError::Failed { .. })));
    // The caller knows now: what is submitted from here on is begun.
    let third = bench.bus.submit(&[Operation::MeasureSupply]).expect("sent");
    assert!(matches!(bench.bus.collect(second), Err(BusError::NotBegun)));
    assert!(bench.bus.collect(third).is_ok());
    assert_eq!(bench.sim.operations(), before + 1);
}

#[test]
fn a_list_behind_one_that_failed_unseen_is_not_begun() {
    let mut bench = entered_with_flash();
    bench.bus.submit(&[Operation::SpiClock(Hertz(1))]).expect("sent");
    let second = bench.bus.submit(&[Operation::MeasureSupply]).expect("sent");
    assert!(matches!(bench.bus.collect(second), Err(BusError::NotBegun)));
    assert!(bench.bus.run(&[Operation::MeasureSupply]).is_ok());
}
