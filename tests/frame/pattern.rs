//! Patterns written out.

use farrier::bus::{Outcome, Pattern, Reply, Slot, SlotKind, Why};
use farrier::frame::{BadPattern, Repetitions};

fn slot(kind: SlotKind, bit: u8, width: u8) -> Slot {
    Slot { kind, bit, width }
}

/// Two words: the template of a page load.
fn load() -> Pattern {
    use SlotKind::{Counter, Data};
    Pattern {
        template: vec![0x40, 0, 0, 0, 0x48, 0, 0, 0],
        slots: vec![slot(Counter, 16, 8), slot(Data, 24, 8), slot(Counter, 48, 8), slot(Data, 56, 8)],
        first: 0x7F,
        repeat: 2,
        data: vec![0xA1, 0xA2, 0xB1, 0xB2],
        outcome: Outcome::Discard,
    }
}

/// One byte captured from each of `repeat` four-byte transfers.
fn capture(repeat: u32, outcome: Outcome, data: &[u8]) -> Pattern {
    Pattern {
        template: vec![0xA0, 0, 0, 0],
        slots: vec![slot(SlotKind::Counter, 8, 16), slot(SlotKind::Capture, 24, 8)],
        first: 0x01FE,
        repeat,
        data: data.to_vec(),
        outcome,
    }
}

/// What a pattern's outcome is when these bytes are captured.
fn outcome(pattern: &Pattern, captured: &[u8]) -> Result<Reply, Why> {
    let mut gathered = Repetitions::of(pattern).unwrap().gather();
    captured.iter().all(|byte| gathered.push(*byte));
    gathered.finish()
}

#[test]
fn counters_and_data_go_into_their_slots() {
    let load = load();
    let repetitions = Repetitions::of(&load).unwrap();
    assert_eq!(repetitions.count(), 2);
    assert_eq!(repetitions.sent(0), [0x40, 0, 0x7F, 0xA1, 0x48, 0, 0x7F, 0xA2]);
    assert_eq!(repetitions.sent(1), [0x40, 0, 0x80, 0xB1, 0x48, 0, 0x80, 0xB2]);
    let read = capture(3, Outcome::Return, &[]);
    let repetitions = Repetitions::of(&read).unwrap();
    assert_eq!(repetitions.sent(2), [0xA0, 0x02, 0x00, 0x00]);
    assert_eq!(repetitions.captured_bytes(), 3);
}

#[test]
fn slots_need_not_stand_at_whole_bytes() {
    let mut pattern = capture(1, Outcome::Return, &[]);
    // 0b1010 cccc cccd dddd dddk kkkk kkk0: counter of 7 bits, data of 8, capture of 8.
    pattern.slots = vec![slot(SlotKind::Counter, 4, 7), slot(SlotKind::Data, 11, 8), slot(SlotKind::Capture, 19, 8)];
    pattern.first = 0xFFFF_FF55;
    pattern.data = vec![0x81];
    let repetitions = Repetitions::of(&pattern).unwrap();
    assert_eq!(repetitions.sent(0), 0b1010_1010_1011_0000_0010_0000_0000_0000u32.to_be_bytes());
    let came_back = 0b1111_1111_1111_1111_1111_0011_0101_1111u32.to_be_bytes();
    assert_eq!(repetitions.captured(&came_back).collect::<Vec<u8>>(), [0b1001_1010]);
}

#[test]
fn a_counter_of_32_bits_at_the_end_of_16_bytes() {
    let slots = vec![slot(SlotKind::Counter, 96, 32)];
    let pattern = Pattern { template: vec![0; 16], slots, first: 0x89AB_CDEF, repeat: 1, data: vec![], outcome: Outcome::Discard };
    let mut expected = [0; 16];
    expected[12..].copy_from_slice(&[0x89, 0xAB, 0xCD, 0xEF]);
    assert_eq!(Repetitions::of(&pattern).unwrap().sent(0), expected);
}

#[test]
fn captured_bytes_come_in_slot_order() {
    let mut pattern = load();
    pattern.slots = vec![slot(SlotKind::Capture, 56, 8), slot(SlotKind::Capture, 0, 8)];
    pattern.data.clear();
    pattern.outcome = Outcome::Return;
    let repetitions = Repetitions::of(&pattern).unwrap();
    assert_eq!(repetitions.captured(&[1, 2, 3, 4, 5, 6, 7, 8]).collect::<Vec<u8>>(), [8, 1]);
    assert_eq!(repetitions.captured(&[1]).collect::<Vec<u8>>(), [0, 1], "what did not come back is 0");
}

#[test]
fn each_outcome_makes_its_reply() {
    assert_eq!(outcome(&load(), &[]), Ok(Reply::Done));
    assert_eq!(outcome(&capture(3, Outcome::Return, &[]), &[7, 8, 9]), Ok(Reply::Bytes(vec![7, 8, 9])));
    let compare = capture(3, Outcome::Compare, &[7, 8, 9]);
    assert_eq!(outcome(&compare, &[7, 8, 9]), Ok(Reply::Done));
    assert_eq!(outcome(&compare, &[7, 5, 4]), Err(Why::Differs { index: 1, expected: 8, found: 5 }));
}

#[test]
fn a_comparison_stops_where_it_fails() {
    let compare = capture(3, Outcome::Compare, &[7, 8, 9]);
    let mut gathered = Repetitions::of(&compare).unwrap().gather();
    assert!(gathered.push(7));
    assert!(!gathered.push(0));
}

#[test]
fn crc_32_is_the_catalogues_and_begins_anew_for_each_run() {
    // CRC-32/ISO-HDLC: check value 0xCBF43926; of the single byte 0 it is 0xD202EF8D.
    let nine = capture(9, Outcome::Crc32 { every: 9 }, &[]);
    assert_eq!(outcome(&nine, b"123456789"), Ok(Reply::Crc32(vec![0xCBF4_3926])));
    let longer = capture(19, Outcome::Crc32 { every: 9 }, &[]);
    let three = vec![0xCBF4_3926, 0xCBF4_3926, 0xD202_EF8D];
    assert_eq!(outcome(&longer, b"123456789123456789\0"), Ok(Reply::Crc32(three)));
}

#[test]
fn every_rule_is_kept() {
    use SlotKind::{Capture, Counter, Data};
    let broken = |change: &dyn Fn(&mut Pattern)| {
        let mut pattern = load();
        change(&mut pattern);
        Repetitions::of(&pattern).map(|_| ()).unwrap_err()
    };
    assert_eq!(broken(&|p| p.template.clear()), BadPattern::Template(0));
    assert_eq!(broken(&|p| p.template = vec![0; 17]), BadPattern::Template(17));
    assert_eq!(broken(&|p| p.slots = vec![slot(Capture, 0, 8); 9]), BadPattern::Slots(9));
    assert_eq!(broken(&|p| p.slots[0] = slot(Counter, 8, 0)), BadPattern::Width { slot: 0, width: 0 });
    assert_eq!(broken(&|p| p.slots[2] = slot(Counter, 8, 33)), BadPattern::Width { slot: 2, width: 33 });
    assert_eq!(broken(&|p| p.slots[1] = slot(Data, 24, 7)), BadPattern::Width { slot: 1, width: 7 });
    assert_eq!(broken(&|p| p.slots[1] = slot(Capture, 24, 16)), BadPattern::Width { slot: 1, width: 16 });
    assert_eq!(broken(&|p| p.slots[3] = slot(Data, 57, 8)), BadPattern::Outside { slot: 3, end: 65, template: 64 });
    assert_eq!(broken(&|p| p.slots[1] = slot(Data, 23, 8)), BadPattern::Overlap { slot: 1 });
    assert_eq!(broken(&|p| p.slots[0] = slot(Counter, 0, 8)), BadPattern::Overlap { slot: 0 });
    assert_eq!(broken(&|p| p.repeat = 0), BadPattern::NoRepeat);
    assert_eq!(broken(&|p| p.first = u32::MAX), BadPattern::Counter { first: u32::MAX, repeat: 2 });
    assert_eq!(broken(&|p| p.data.truncate(3)), BadPattern::DataLength { expected: 4, found: 3 });
    assert_eq!(broken(&|p| p.repeat = u32::MAX - 0x7F), BadPattern::DataLength { expected: 2 * u64::from(u32::MAX - 0x7F), found: 4 });
    assert_eq!(broken(&|p| p.outcome = Outcome::Compare), BadPattern::DataSlotInCompare);
    assert_eq!(broken(&|p| p.outcome = Outcome::Return), BadPattern::NothingCaptured);
    assert_eq!(broken(&|p| p.outcome = Outcome::Crc32 { every: 0 }), BadPattern::CrcOverNothing);
}

#[test]
fn a_capture_may_lie_over_what_is_sent() {
    let mut echo = load();
    echo.slots.push(slot(SlotKind::Capture, 0, 8));
    echo.outcome = Outcome::Return;
    assert!(Repetitions::of(&echo).is_ok());
}
