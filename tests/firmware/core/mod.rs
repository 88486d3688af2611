//! The portable core, compiled for the host with the address and undefined-behaviour sanitizers.

mod fuzz;
mod reference;
mod session;
mod vectors;

use super::running::{Board, Firmware, FirmwareWire, compile, core_sources};
use farrier::bus::Operation;
use farrier::frame::{Answer, Decoder, Envelope, FRAME_BYTES_MAX, Request, Sequence};
use farrier::link::Wire;
use farrier::time::{Clock, Moment};
use farrier::units::Hertz;
use std::cell::RefCell;
use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::rc::Rc;
use std::sync::OnceLock;
use std::time::Duration;

const INCLUDES: [&str; 4] = ["-I", "hardware-notes/bridge/core", "-I", "tests/firmware/harness/host"];
const SANITIZERS: [&str; 2] = ["-fsanitize=address,undefined", "-fno-sanitize-recover=all"];

fn harness(file: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/firmware/harness").join(file)
}

/// The core as a program on the host. Its bridge is the one of the example `hello-answer`.
fn program() -> &'static Path {
    static PROGRAM: OnceLock<PathBuf> = OnceLock::new();
    PROGRAM.get_or_init(|| build("bridge-core", &[]))
}

/// The same with every ability.
fn able_program() -> &'static Path {
    static PROGRAM: OnceLock<PathBuf> = OnceLock::new();
    PROGRAM.get_or_init(|| build("bridge-core-able", &["-DBRIDGE_ABILITIES=7"]))
}

/// The same with as little room for frames beside the window as the ATmega328P has.
fn tight_program() -> &'static Path {
    static PROGRAM: OnceLock<PathBuf> = OnceLock::new();
    PROGRAM.get_or_init(|| build("bridge-core-tight", &["-DBRIDGE_SPARE=24"]))
}

fn build(name: &str, more: &[&str]) -> PathBuf {
    let mut sources = core_sources();
    sources.push(harness("host/port.c"));
    compile(name, &[INCLUDES.as_slice(), &SANITIZERS, more].concat(), &sources)
}

/// What the bridge did at its pins.
#[derive(Default)]
struct Log {
    sent: Vec<u8>,
    clocks: Vec<Hertz>,
    resets: Vec<(Moment, bool)>,
    clock_output: Option<Hertz>,
}

/// A board that answers each byte by a rule, and writes down what it sees.
struct Scripted<F>(Rc<RefCell<Log>>, F);

impl<F: FnMut(u8) -> u8> Board for Scripted<F> {
    fn exchange(&mut self, sent: u8, sck: Hertz, _: Moment) -> u8 {
        let mut log = self.0.borrow_mut();
        log.sent.push(sent);
        log.clocks.push(sck);
        (self.1)(sent)
    }
    fn edge(&mut self, _: bool, _: bool, _: Moment) -> bool {
        unreachable!("bytes are whole here")
    }
    fn reset(&mut self, low: bool, at: Moment) {
        self.0.borrow_mut().resets.push((at, low));
    }
    fn clock(&mut self, hz: Option<Hertz>) {
        self.0.borrow_mut().clock_output = hz;
    }
}

/// A board that answers these bytes one after the other, and then 0xFF.
fn answering(bytes: &[u8]) -> impl FnMut(u8) -> u8 + use<> {
    let mut bytes = VecDeque::from(bytes.to_vec());
    move |_| bytes.pop_front().unwrap_or(0xFF)
}

/// A bridge, spoken to frame by frame.
struct Talk {
    wire: FirmwareWire,
    decoder: Decoder,
    log: Rc<RefCell<Log>>,
}

impl Talk {
    fn new(program: &Path, answers: impl FnMut(u8) -> u8 + 'static) -> Talk {
        let log = Rc::new(RefCell::new(Log::default()));
        let firmware = Firmware::start(&mut Command::new(program), Scripted(Rc::clone(&log), answers));
        let mut talk = Talk { wire: FirmwareWire::new(firmware, 100_000), decoder: Decoder::new(FRAME_BYTES_MAX), log };
        let unasked = talk.hear(Duration::from_millis(1));
        assert!(matches!(unasked.as_slice(), [hello] if hello.kind == 0x81 && hello.body[2..6] == [0; 4]), "HELLO unasked, with mark 0");
        talk
    }

    /// A bridge in a session.
    fn open(program: &Path, answers: impl FnMut(u8) -> u8 + 'static) -> Talk {
        let mut talk = Talk::new(program, answers);
        talk.hello(1);
        talk
    }

    fn hello(&mut self, mark: u32) -> Envelope {
        let mut heard = self.ask(&Request::Hello { version: 1, mark }, 0);
        assert_eq!(heard.len(), 1, "{heard:?}");
        heard.remove(0)
    }

    fn put(&mut self, request: &Request, sequence: u8) {
        self.wire.send(&request.seal(Sequence(sequence)).unwrap().to_wire()).unwrap();
    }

    /// The frames that come within this time.
    fn hear(&mut self, time: Duration) -> Vec<Envelope> {
        self.hear_bytes(time).iter().filter_map(|byte| self.decoder.push(*byte)).map(|frame| frame.expect("undamaged")).collect()
    }

    fn hear_bytes(&mut self, time: Duration) -> Vec<u8> {
        let deadline = self.wire.clock.now().plus(time);
        let mut bytes = Vec::new();
        while self.wire.clock.now() < deadline {
            self.wire.receive(&mut bytes, deadline).unwrap();
        }
        bytes
    }

    /// Sends a request; the frames that come within 100 ms.
    fn ask(&mut self, request: &Request, sequence: u8) -> Vec<Envelope> {
        self.put(request, sequence);
        self.hear(Duration::from_millis(100))
    }

    /// Sends a request; the one answer, with this number, that comes within 100 ms.
    fn answer(&mut self, request: &Request, sequence: u8) -> Answer {
        let heard = self.ask(request, sequence);
        let [one] = heard.as_slice() else { panic!("{heard:?}") };
        assert_eq!(one.sequence, Sequence(sequence));
        Answer::open(one).unwrap()
    }

    fn run(&mut self, operations: &[Operation], sequence: u8) -> Answer {
        self.answer(&Request::Run(operations.to_vec()), sequence)
    }

    /// The answer to a request of a list that does nothing, for each number up to this one.
    fn count_up_to(&mut self, first: u8, until: u8) {
        for sequence in first..until {
            assert_eq!(self.run(&[], sequence), Answer::Replies(vec![]));
        }
    }
}
