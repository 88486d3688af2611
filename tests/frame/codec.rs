//! Messages become bytes and messages again; what they cost.

use super::any;
use farrier::bus::{LineLevels, Operation, Outcome, Pattern, Reply, Slot, SlotKind};
use farrier::frame::{Answer, Damage, Decoder, Envelope, Request, Sequence, check, encoded_bytes, reply_bytes_max};
use proptest::prelude::*;

/// Everything that a decoder finds in these bytes.
pub fn decoded(bytes: &[u8]) -> Vec<Result<Envelope, Damage>> {
    let mut decoder = Decoder::new(8192);
    bytes.iter().filter_map(|byte| decoder.push(*byte)).collect()
}

proptest! {
    #[test]
    fn a_request_comes_back(request in any::request(), sequence: u8) {
        let envelope = request.seal(Sequence(sequence)).unwrap();
        let found = decoded(&envelope.to_wire());
        prop_assert_eq!(&found, &[Ok(envelope.clone())]);
        prop_assert_eq!(Request::open(&envelope), Ok(request));
    }

    #[test]
    fn an_answer_comes_back(answer in any::answer(), sequence: u8) {
        let envelope = answer.seal(Sequence(sequence));
        let found = decoded(&envelope.to_wire());
        prop_assert_eq!(&found, &[Ok(envelope.clone())]);
        prop_assert_eq!(Answer::open(&envelope), Ok(answer));
    }

    #[test]
    fn sizes_are_told_beforehand(operations in prop::collection::vec(any::operation(), 0..6)) {
        let told: usize = operations.iter().map(|operation| encoded_bytes(operation).unwrap()).sum();
        prop_assert_eq!(Request::Run(operations).seal(Sequence(0)).unwrap().body.len(), told);
    }

    #[test]
    fn any_bytes_are_read_without_panic(bytes in any::bytes(600), kind: u8) {
        decoded(&bytes).into_iter().for_each(|_| ());
        let envelope = Envelope { kind, sequence: Sequence(0), body: bytes };
        let _ = Answer::open(&envelope);
        if let Ok(Request::Run(operations)) = Request::open(&envelope) {
            prop_assert!(operations.iter().all(|operation| check(operation).is_ok()));
        }
    }
}

fn slot(kind: SlotKind, bit: u8, width: u8) -> Slot {
    Slot { kind, bit, width }
}

/// A page of 128 words loaded through an 8-byte template.
fn page_load() -> Operation {
    Operation::Pattern(Pattern {
        template: vec![0x40, 0, 0, 0, 0x48, 0, 0, 0],
        slots: vec![
            slot(SlotKind::Counter, 16, 8),
            slot(SlotKind::Data, 24, 8),
            slot(SlotKind::Counter, 48, 8),
            slot(SlotKind::Data, 56, 8),
        ],
        first: 0,
        repeat: 128,
        data: (0..=255).collect(),
        outcome: Outcome::Discard,
    })
}

fn read_words(first: u32, repeat: u32, outcome: Outcome) -> Operation {
    Operation::Pattern(Pattern {
        template: vec![0x20, 0, 0, 0, 0x28, 0, 0, 0],
        slots: vec![
            slot(SlotKind::Counter, 8, 16),
            slot(SlotKind::Capture, 24, 8),
            slot(SlotKind::Counter, 40, 16),
            slot(SlotKind::Capture, 56, 8),
        ],
        first,
        repeat,
        data: vec![],
        outcome,
    })
}

fn wire_bytes(operations: Vec<Operation>) -> usize {
    Request::Run(operations).seal(Sequence(0)).unwrap().to_wire().len()
}

#[test]
fn a_page_load_costs_little_more_than_its_data() {
    let overhead = wire_bytes(vec![page_load()]) - 256;
    assert!(overhead <= 30, "{overhead} bytes besides the data");
}

#[test]
fn a_verify_of_256_kib_by_crc_costs_less_than_8_kib_both_ways() {
    // 1024 pages of 128 words, 64 a frame: 256 bytes of CRC-32 fit the smallest block that a bridge may have.
    let mut both = 0;
    for frame in 0..16 {
        let operation = read_words(frame % 8 * 64 * 128, 64 * 128, Outcome::Crc32 { every: 256 });
        let answer = Answer::Replies(vec![Reply::Crc32(vec![0xA5C3_0F1E; 64])]).seal(Sequence(0)).to_wire().len();
        both += wire_bytes(vec![operation]) + answer;
    }
    assert!(both < 8192, "{both} bytes");
}

#[test]
fn a_reply_is_never_larger_than_told() {
    for (operation, reply) in [
        (page_load(), Reply::Done),
        (read_words(0, 128, Outcome::Return), Reply::Bytes(vec![0; 256])),
        (read_words(0, 129, Outcome::Crc32 { every: 256 }), Reply::Crc32(vec![0; 2])),
        (Operation::Transfer(vec![0; 200]), Reply::Bytes(vec![0; 200])),
        (Operation::MeasureSupply, Reply::Supply(Some(farrier::units::Millivolts(u16::MAX)))),
        (Operation::ReadLines, Reply::Lines(LineLevels { reset: true, sck: true, mosi: true, miso: true })),
        (Operation::SpiClock(farrier::units::Hertz(1)), Reply::Clock(farrier::units::Hertz(u32::MAX))),
    ] {
        assert_eq!(Answer::Replies(vec![reply]).seal(Sequence(0)).body.len(), reply_bytes_max(&operation), "{operation:?}");
    }
}
