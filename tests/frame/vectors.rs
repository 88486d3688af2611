//! The worked examples of the protocol's definition.

use super::codec::decoded;
use farrier::bus::{Abilities, Drive, Line, LineLevels, Operation, Outcome, Pattern, Reply, Slot, SlotKind, Why};
use farrier::frame::{Answer, Envelope, Hello, Request, Sequence};
use farrier::units::{Hertz, Millivolts};
use std::time::Duration;

const DEFINITION: &str = include_str!("../../hardware-notes/bridge-protocol.md");

/// Name, kind with sequence number and body, and the bytes on the wire.
pub struct Vector {
    pub name: String,
    pub plain: Vec<u8>,
    pub wire: Vec<u8>,
}

pub fn vectors() -> Vec<Vector> {
    let block = DEFINITION.split("```vectors\n").nth(1).and_then(|rest| rest.split("```").next()).expect("a block of vectors");
    let bytes = |line: &str| line.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).expect("hexadecimal")).collect();
    let lines: Vec<&str> = block.lines().collect();
    lines.chunks(3).map(|three| Vector { name: three[0].into(), plain: bytes(three[1]), wire: bytes(three[2]) }).collect()
}

enum Message {
    Request(Request),
    Answer(Answer),
}

fn run(operations: &[Operation]) -> Message {
    Message::Request(Request::Run(operations.to_vec()))
}

fn replies(replies: &[Reply]) -> Message {
    Message::Answer(Answer::Replies(replies.to_vec()))
}

fn failed(operation: u32, why: Why) -> Message {
    Message::Answer(Answer::Failed { operation, why })
}

fn slot(kind: SlotKind, bit: u8, width: u8) -> Slot {
    Slot { kind, bit, width }
}

fn load_two_words() -> Pattern {
    use SlotKind::{Counter, Data};
    Pattern {
        template: vec![0x40, 0, 0, 0, 0x48, 0, 0, 0],
        slots: vec![slot(Counter, 16, 8), slot(Data, 24, 8), slot(Counter, 48, 8), slot(Data, 56, 8)],
        first: 0,
        repeat: 2,
        data: vec![0x0C, 0x94, 0x34, 0x00],
        outcome: Outcome::Discard,
    }
}

fn read_crc() -> Pattern {
    use SlotKind::{Capture, Counter};
    Pattern {
        template: vec![0x20, 0, 0, 0, 0x28, 0, 0, 0],
        slots: vec![slot(Counter, 8, 16), slot(Capture, 24, 8), slot(Counter, 40, 16), slot(Capture, 56, 8)],
        first: 0x3F00,
        repeat: 256,
        data: vec![],
        outcome: Outcome::Crc32 { every: 256 },
    }
}

fn compare_id() -> Pattern {
    Pattern {
        template: vec![0x30, 0, 0, 0],
        slots: vec![slot(SlotKind::Counter, 22, 2), slot(SlotKind::Capture, 24, 8)],
        first: 0,
        repeat: 3,
        data: vec![0x1E, 0x97, 0x05],
        outcome: Outcome::Compare,
    }
}

pub fn hello_answer() -> Hello {
    let abilities = Abilities {
        name: "bench bridge".into(),
        spi_clock_min: Hertz(1000),
        spi_clock_max: Hertz(8_000_000),
        block_bytes: 512,
        pin_level: Millivolts(5000),
        measures_supply: true,
        clock_output: false,
        switches_power: false,
        simulated: false,
    };
    Hello { mark: 0x1234_5678, start: 7, window: 4, frame_bytes: 600, abilities }
}

fn enter() -> [Operation; 4] {
    [
        Operation::Line { line: Line::Reset, drive: Drive::Low },
        Operation::SpiClock(Hertz(125_000)),
        Operation::Delay(Duration::from_millis(20)),
        Operation::Transfer(vec![0xAC, 0x53, 0, 0]),
    ]
}

fn write_page() -> [Operation; 3] {
    [
        Operation::Pattern(load_two_words()),
        Operation::Transfer(vec![0x4C, 0x00, 0x01, 0x80]),
        Operation::Poll { send: vec![0xF0, 0, 0, 0], byte: 3, mask: 1, value: 0, limit: Duration::from_millis(100) },
    ]
}

fn other_operations() -> [Operation; 5] {
    [
        Operation::Line { line: Line::Reset, drive: Drive::Release },
        Operation::Line { line: Line::Power, drive: Drive::High },
        Operation::ClockOutput(Some(Hertz(1_000_000))),
        Operation::ClockOutput(None),
        Operation::MeasureSupply,
    ]
}

fn read_lines() -> [Operation; 4] {
    let reset = |drive| Operation::Line { line: Line::Reset, drive };
    [reset(Drive::High), Operation::ReadLines, reset(Drive::Low), Operation::ReadLines]
}

fn levels(reset: bool) -> Reply {
    Reply::Lines(LineLevels { reset, sck: false, mosi: false, miso: true })
}

/// What the definition's page says in words about each example.
fn message(name: &str) -> Message {
    match name {
        "hello" => Message::Request(Request::Hello { version: 1, mark: 0x1234_5678 }),
        "hello-answer" => Message::Answer(Answer::Hello(hello_answer())),
        "other-version" => Message::Answer(Answer::OtherVersion { version: 2 }),
        "run-enter" => run(&enter()),
        "replies-enter" => replies(&[Reply::Done, Reply::Clock(Hertz(125_000)), Reply::Done, Reply::Bytes(vec![0xFF, 0xFF, 0x53, 0x00])]),
        "run-page" => run(&write_page()),
        "run-read-crc" => run(&[Operation::Pattern(read_crc())]),
        "replies-crc" => replies(&[Reply::Crc32(vec![0xCBF4_3926, 0])]),
        "run-compare" => run(&[Operation::Pattern(compare_id())]),
        "failed-compare" => failed(0, Why::Differs { index: 2, expected: 5, found: 6 }),
        "failed-poll" => failed(2, Why::PollTimedOut { last: 0xFF }),
        "failed-bad" => failed(0, Why::BadOperation),
        "run-other" => run(&other_operations()),
        "replies-other" => replies(&[Reply::Done, Reply::Done, Reply::Done, Reply::Done, Reply::Supply(Some(Millivolts(4980)))]),
        "run-lines" => run(&read_lines()),
        "replies-lines" => replies(&[Reply::Done, levels(true), Reply::Done, levels(false)]),
        "clear" => Message::Request(Request::Clear),
        "cleared" => replies(&[]),
        "ask" => Message::Request(Request::Ask),
        "not-begun" => Message::Answer(Answer::NotBegun),
        "working" => Message::Answer(Answer::Working),
        "again" => Message::Answer(Answer::Again),
        "hello-first" => Message::Answer(Answer::HelloFirst),
        other => panic!("the definition has an example '{other}' that this test does not know"),
    }
}

#[test]
fn the_examples_of_the_definition_are_what_the_codec_makes_and_reads() {
    let vectors = vectors();
    assert_eq!(vectors.len(), 23);
    for Vector { name, plain, wire } in vectors {
        let envelope = Envelope { kind: plain[0], sequence: Sequence(plain[1]), body: plain[2..].to_vec() };
        let (sealed, reads) = match message(&name) {
            Message::Request(request) => (request.seal(envelope.sequence).unwrap(), Request::open(&envelope) == Ok(request)),
            Message::Answer(answer) => (answer.seal(envelope.sequence), Answer::open(&envelope) == Ok(answer)),
        };
        assert_eq!(sealed, envelope, "{name}");
        assert!(reads, "{name}");
        assert_eq!(envelope.to_wire(), wire, "{name}");
        assert_eq!(decoded(&wire), [Ok(envelope)], "{name}");
    }
}

#[test]
fn the_crc_is_the_catalogues() {
    // CRC-16/GENIBUS, check value 0xD64E for "123456789", as the definition quotes it.
    let envelope = Envelope { kind: b'1', sequence: Sequence(b'2'), body: b"3456789".to_vec() };
    assert_eq!(envelope.to_wire(), b"\x0c123456789\xD6\x4E\0");
}

#[test]
fn a_piece_of_254_bytes_without_a_zero_may_end_a_frame_in_two_ways() {
    let mut body = vec![0x55; 250];
    // Try bodies until the CRC has no zero byte, so that the frame is one piece of 254.
    let wire = loop {
        let wire = Envelope { kind: 1, sequence: Sequence(1), body: body.clone() }.to_wire();
        if wire[0] == 0xFF {
            break wire;
        }
        body[0] += 1;
    };
    assert_eq!(wire.len(), 1 + 254 + 1);
    let mut with_length = wire.clone();
    with_length.insert(255, 0x01);
    assert_eq!(decoded(&wire), decoded(&with_length));
    assert!(decoded(&wire)[0].is_ok());
}
