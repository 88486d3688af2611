//! The worked examples of bridge-protocol.md, through the core.

use super::*;
use crate::frame::vectors::{Vector, vectors};
use proptest::prelude::*;
use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdin, ChildStdout, Stdio};

/// The core's frames, asked line by line.
struct Codec {
    to: ChildStdin,
    from: BufReader<ChildStdout>,
    child: Child,
}

impl Drop for Codec {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Codec {
    fn start() -> Codec {
        static PROGRAM: OnceLock<PathBuf> = OnceLock::new();
        let program = PROGRAM.get_or_init(|| {
            let frame = Path::new(env!("CARGO_MANIFEST_DIR")).join("hardware-notes/bridge/core/frame.c");
            compile("bridge-codec", &[INCLUDES.as_slice(), &SANITIZERS].concat(), &[frame, harness("codec.c")])
        });
        let mut child = Command::new(program).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        Codec { to: child.stdin.take().unwrap(), from: BufReader::new(child.stdout.take().unwrap()), child }
    }

    fn ask(&mut self, word: &str, bytes: &[u8]) -> Option<Vec<u8>> {
        let hex: String = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
        writeln!(self.to, "{word} {hex}").unwrap();
        let mut line = String::new();
        self.from.read_line(&mut line).unwrap();
        let line = line.trim_end();
        assert!(!line.is_empty(), "the program has ended");
        (line != "damaged").then(|| (0..line.len() / 2).map(|n| u8::from_str_radix(&line[2 * n..2 * n + 2], 16).unwrap()).collect())
    }

    fn seal(&mut self, plain: &[u8]) -> Vec<u8> {
        self.ask("seal", plain).unwrap()
    }

    /// Without the zero at the end.
    fn open(&mut self, stuffed: &[u8]) -> Option<Vec<u8>> {
        self.ask("open", stuffed)
    }
}

fn plain(envelope: &Envelope) -> Vec<u8> {
    [&[envelope.kind, envelope.sequence.0], envelope.body.as_slice()].concat()
}

#[test]
fn each_example_is_made_and_read_as_the_page_says() {
    let mut codec = Codec::start();
    for Vector { name, plain, wire } in vectors() {
        assert_eq!(codec.seal(&plain), wire, "{name}");
        assert_eq!(codec.open(&wire[..wire.len() - 1]).as_ref(), Some(&plain), "{name}");
    }
}

#[test]
fn frames_of_every_length_are_made_and_read_as_the_hosts_codec_does() {
    let mut codec = Codec::start();
    let mut random = fastrand::Rng::with_seed(3);
    for length in (2..1040).chain([2000, 4092, 4093]) {
        // Many runs without a zero are around 254 long, some far shorter.
        let zero_in = [3, 100, 254, 100_000][random.usize(..4)];
        let mut byte = || if random.usize(..zero_in) == 0 { 0 } else { random.u8(1..) };
        let body: Vec<u8> = (2..length).map(|_| byte()).collect();
        let envelope = Envelope { kind: 1 + byte() / 2, sequence: Sequence(byte()), body };
        let wire = envelope.to_wire();
        assert_eq!(codec.seal(&plain(&envelope)), wire, "{length} bytes");
        assert_eq!(codec.open(&wire[..wire.len() - 1]), Some(plain(&envelope)), "{length} bytes");
    }
}

#[test]
fn every_change_of_a_frame_is_judged_as_the_hosts_codec_judges_it() {
    let codec = RefCell::new(Codec::start());
    let damaged = RefCell::new(0);
    let strategy = (proptest::collection::vec(prop_oneof![Just(0u8), any::<u8>()], 2..600), any::<prop::sample::Index>(), any::<u8>());
    let mut runner = proptest::test_runner::TestRunner::new(ProptestConfig::with_cases(2000));
    runner
        .run(&strategy, |(body, at, change)| {
            let mut wire = Envelope { kind: 2, sequence: Sequence(9), body }.to_wire();
            let at = at.index(wire.len() - 1);
            wire[at] ^= change;
            let mut decoder = Decoder::new(FRAME_BYTES_MAX);
            // A change that makes a zero cuts the frame in two: the first of them is looked at.
            let host = wire.iter().find_map(|byte| decoder.push(*byte)).map(|frame| frame.ok().map(|frame| plain(&frame)));
            let end = wire.iter().position(|byte| *byte == 0).unwrap();
            if let Some(host) = host {
                *damaged.borrow_mut() += i32::from(host.is_none());
                prop_assert_eq!(codec.borrow_mut().open(&wire[..end]), host);
            }
            Ok(())
        })
        .unwrap();
    assert!(damaged.into_inner() > 1500);
}

fn example(name: &str) -> Vector {
    vectors().into_iter().find(|vector| vector.name == name).unwrap_or_else(|| panic!("no example '{name}'"))
}

impl Talk {
    /// Sends an example; the bytes that come are another one's.
    fn example(&mut self, request: &str, answer: &str) {
        self.wire.send(&example(request).wire).unwrap();
        assert_eq!(self.hear_bytes(Duration::from_millis(200)), example(answer).wire, "{request}");
    }
}

#[test]
fn the_bridge_answers_the_examples_with_the_examples() {
    let mut talk = Talk::new(program(), answering(&[0xFF, 0xFF, 0x53, 0x00]));
    talk.example("hello", "hello-answer");
    talk.example("run-enter", "replies-enter");
    let log = talk.log.borrow();
    assert_eq!((log.sent.as_slice(), log.clocks[0]), (&[0xAC, 0x53, 0, 0][..], Hertz(125_000)));
    assert!(log.resets.last().unwrap().1, "reset is low");
}

#[test]
fn a_failed_comparison_is_the_example_and_so_is_what_follows() {
    let mut talk = Talk::new(program(), answering(&[0, 0, 0, 0x1E, 0, 0, 0, 0x97, 0, 0, 0, 0x06]));
    talk.example("hello", "hello-answer");
    talk.count_up_to(0, 3);
    talk.example("run-compare", "failed-compare");
    assert_eq!(talk.log.borrow().sent, [0x30, 0, 0, 0, 0x30, 0, 1, 0, 0x30, 0, 2, 0]);
    for sequence in 4..6 {
        assert_eq!(talk.run(&[], sequence), Answer::NotBegun);
    }
    talk.put(&Request::Run(vec![]), 6);
    assert_eq!(talk.hear_bytes(Duration::from_millis(10)), example("not-begun").wire);
    for sequence in 7..254 {
        assert_eq!(talk.run(&[], sequence), Answer::NotBegun);
    }
    talk.example("clear", "cleared");
}

#[test]
fn a_poll_that_times_out_and_a_bad_operation_are_the_examples() {
    let mut talk = Talk::open(program(), |_| 0xFF);
    talk.count_up_to(0, 4);
    let poll = Operation::Poll { send: vec![0xF0, 0, 0, 0], byte: 3, mask: 1, value: 0, limit: Duration::from_millis(5) };
    talk.put(&Request::Run(vec![Operation::ReadLines, Operation::ReadLines, poll]), 4);
    assert_eq!(talk.hear_bytes(Duration::from_millis(100)), example("failed-poll").wire);
    assert_eq!(talk.answer(&Request::Clear, 5), Answer::Replies(vec![]));

    let mut talk = Talk::open(program(), |_| 0xFF);
    talk.count_up_to(0, 5);
    let envelope = Envelope { kind: 2, sequence: Sequence(5), body: vec![0x0F] };
    talk.wire.send(&envelope.to_wire()).unwrap();
    assert_eq!(talk.hear_bytes(Duration::from_millis(10)), example("failed-bad").wire);
}

#[test]
fn a_page_is_loaded_written_and_polled_for_as_the_example_says() {
    let polls = RefCell::new(0);
    let mut talk = Talk::open(program(), move |sent| {
        *polls.borrow_mut() += u32::from(sent == 0xF0);
        if *polls.borrow() < 5 { 0xFF } else { 0 }
    });
    talk.run(&[Operation::SpiClock(Hertz(100_000))], 0);
    talk.wire.send(&example("run-page").wire).unwrap();
    let heard = talk.hear(Duration::from_millis(100));
    assert_eq!(heard[0].body, [1, 2, 4, 0xFF, 0xFF, 0xFF, 0xFF, 2, 4, 0, 0, 0, 0]);
    let mut expected = vec![0x40, 0, 0, 0x0C, 0x48, 0, 0, 0x94, 0x40, 0, 1, 0x34, 0x48, 0, 1, 0x00, 0x4C, 0, 1, 0x80];
    expected.extend([0xF0, 0, 0, 0].repeat(5));
    assert_eq!(talk.log.borrow().sent, expected);
}

#[test]
fn a_read_with_checksums_is_the_example() {
    let mut n = 0u32;
    let mut talk = Talk::open(program(), move |_| {
        n += 1;
        (n / 4 * 7) as u8
    });
    talk.count_up_to(0, 2);
    talk.wire.send(&example("run-read-crc").wire).unwrap();
    let heard = talk.hear(Duration::from_secs(20));
    let captured: Vec<u8> = (1..=512u32).map(|n| (n * 7) as u8).collect();
    let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);
    let values = [crc.checksum(&captured[..256]), crc.checksum(&captured[256..])];
    let body: Vec<u8> = [3, 8].into_iter().chain(values.iter().flat_map(|value| value.to_be_bytes())).collect();
    assert_eq!(heard[0].body, body);
    let sent = &talk.log.borrow().sent;
    assert_eq!(sent[..8], [0x20, 0x3F, 0, 0, 0x28, 0x3F, 0, 0]);
    assert_eq!(sent[2040..], [0x20, 0x3F, 0xFF, 0, 0x28, 0x3F, 0xFF, 0]);
}

#[test]
fn the_other_operations_are_the_examples() {
    let mut talk = Talk::open(able_program(), |_| 0xFF);
    talk.count_up_to(0, 0xC8);
    talk.example("run-other", "replies-other");
    // MISO was left high by the last byte.
    talk.run(&[Operation::Transfer(vec![0])], 0xC9);

    let mut talk = Talk::open(program(), |_| 0xFF);
    assert!(matches!(talk.run(&[Operation::Transfer(vec![0])], 0), Answer::Replies(_)));
    talk.count_up_to(1, 0xC9);
    talk.example("run-lines", "replies-lines");
}

#[test]
fn messages_without_a_body_are_the_examples() {
    let mut talk = Talk::new(program(), |_| 0xFF);
    talk.put(&Request::Run(vec![]), 9);
    assert_eq!(talk.hear_bytes(Duration::from_millis(10)), example("hello-first").wire);
    talk.hello(1);
    talk.count_up_to(0, 3);
    talk.wire.send(&[1, 2, 3, 4, 0]).unwrap();
    assert_eq!(talk.hear_bytes(Duration::from_millis(10)), example("again").wire);
    talk.count_up_to(3, 0xFF);
    talk.put(&Request::Run(vec![Operation::Delay(Duration::from_millis(500))]), 0xFF);
    talk.example("ask", "working");
}
