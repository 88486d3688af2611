//! The bridge of a sim, by frames on its wire.

use super::bench::{SEED, board, small};
use farrier::bus::{Drive, Line, Operation, Outcome, Pattern, Reply, Slot, SlotKind, Why};
use farrier::frame::{Answer, Decoder, Hello, Request, SILENCE, Sequence, VERSION};
use farrier::link::Wire;
use farrier::sim::Sim;
use farrier::time::Moment;
use farrier::units::Hertz;
use std::time::Duration;

/// A host that sends frames by hand.
struct Host {
    sim: Sim,
    wire: Box<dyn Wire>,
    decoder: Decoder,
}

impl Host {
    fn new() -> Host {
        let sim = Sim::new(&board(), &small(), SEED);
        Host { wire: sim.wire(), sim, decoder: Decoder::new(4096) }
    }

    fn now(&self) -> Moment {
        self.wire.clock().now()
    }

    fn send(&mut self, sequence: u8, request: &Request) {
        let frame = request.seal(Sequence(sequence)).expect("the request can be sealed").to_wire();
        self.wire.send(&frame).expect("the wire is there");
    }

    /// The next answer within a second.
    fn answer(&mut self) -> Option<(u8, Answer)> {
        let deadline = self.now().plus(Duration::from_secs(1));
        while self.now() < deadline {
            let mut bytes = Vec::new();
            self.wire.receive(&mut bytes, deadline).expect("the wire is there");
            for byte in bytes {
                if let Some(frame) = self.decoder.push(byte) {
                    let frame = frame.expect("frames are whole");
                    return Some((frame.sequence.0, Answer::open(&frame).expect("answers make sense")));
                }
            }
        }
        None
    }

    fn hello(&mut self, mark: u32) -> Hello {
        self.send(0, &Request::Hello { version: VERSION, mark });
        match self.answer() {
            Some((_, Answer::Hello(hello))) => hello,
            other => panic!("HELLO was answered by {other:?}"),
        }
    }
}

/// One list that enters programming mode.
fn enter() -> Request {
    Request::Run(vec![
        Operation::SpiClock(Hertz(200_000)),
        Operation::Line { line: Line::Reset, drive: Drive::Low },
        Operation::Delay(Duration::from_millis(20)),
        Operation::Transfer(vec![0xAC, 0x53, 0, 0]),
    ])
}

fn run(operation: Operation) -> Request {
    Request::Run(vec![operation])
}

#[test]
fn hello_says_what_the_bridge_is() {
    let mut host = Host::new();
    let hello = host.hello(7);
    assert_eq!((hello.mark, hello.abilities.block_bytes, hello.abilities.simulated), (7, 1024, true));
    assert!(hello.window >= 4, "window {}", hello.window);
    assert_eq!((hello.abilities.spi_clock_min, hello.abilities.spi_clock_max), (Hertz(250), Hertz(8_000_000)));
    assert_eq!(host.wire.bytes_per_second(), 1_000_000);
}

#[test]
fn a_repeated_request_is_carried_out_once() {
    let mut host = Host::new();
    host.hello(1);
    host.send(0, &enter());
    let entered = host.answer();
    assert!(matches!(&entered, Some((0, Answer::Replies(replies))) if replies.len() == 4), "{entered:?}");
    let done = host.sim.operations();
    host.send(0, &enter());
    assert_eq!(host.answer(), entered);
    assert_eq!(host.sim.operations(), done);
}

#[test]
fn after_a_failure_nothing_is_begun_until_clear() {
    let mut host = Host::new();
    host.hello(1);
    host.send(0, &run(Operation::SpiClock(Hertz(1))));
    host.send(1, &run(Operation::MeasureSupply));
    assert_eq!(host.answer(), Some((0, Answer::Failed { operation: 0, why: Why::NotSupported })));
    assert_eq!(host.answer(), Some((1, Answer::NotBegun)));
    host.send(2, &Request::Clear);
    host.send(3, &run(Operation::Delay(Duration::ZERO)));
    assert_eq!(host.answer(), Some((2, Answer::Replies(Vec::new()))));
    assert_eq!(host.answer(), Some((3, Answer::Replies(vec![Reply::Done]))));
}

#[test]
fn the_next_block_travels_while_the_bridge_works() {
    let mut host = Host::new();
    host.hello(1);
    host.send(0, &enter());
    assert!(host.answer().is_some());
    let block = Pattern {
        template: vec![0x40, 0, 0, 0],
        slots: vec![Slot { kind: SlotKind::Data, bit: 24, width: 8 }],
        first: 0,
        repeat: 1000,
        data: vec![0xFF; 1000],
        outcome: Outcome::Discard,
    };
    let start = host.now();
    for sequence in 1..=4 {
        host.send(sequence, &run(Operation::Pattern(block.clone())));
    }
    (0..4).for_each(|_| assert!(matches!(host.answer(), Some((_, Answer::Replies(_))))));
    let (spi, link) = (Duration::from_millis(4 * 160), Duration::from_millis(1));
    let took = host.now().since(start);
    assert!(took >= spi && took < spi + 2 * link, "{took:?}: three of four blocks of {link:?} travel while SPI works for {spi:?}");
}

#[test]
fn a_silent_host_lets_the_chip_go_and_keeps_a_write_whole() {
    let mut host = Host::new();
    let hello = host.hello(1);
    host.send(0, &enter());
    assert!(host.answer().is_some());
    host.send(1, &run(Operation::Transfer(vec![0xC0, 0, 9, 0x42])));
    assert!(host.answer().is_some());
    let later = host.now().plus(SILENCE).plus(Duration::from_secs(1));
    host.wire.receive(&mut Vec::new(), later).expect("the wire is there");
    assert_eq!(host.sim.contents().eeprom[9], 0x42);
    host.send(2, &run(Operation::MeasureSupply));
    assert!(matches!(host.answer(), Some((_, Answer::HelloFirst))));
    assert_ne!(host.hello(1).start, hello.start);
    host.send(0, &run(Operation::Transfer(vec![0x30, 0, 0, 0])));
    assert_eq!(host.answer(), Some((0, Answer::Replies(vec![Reply::Bytes(vec![0xFF; 4])]))));
}
