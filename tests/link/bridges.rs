//! Far ends for these tests: a tiny bridge that writes down what it carries out, and some that misbehave.

use farrier::bus::{Abilities, LineLevels, Operation, Reply, Why};
use farrier::frame::{Hello, Repetitions};
use farrier::link::{BridgeEnd, Client, Executor, FarEnd, MemoryWire, Wire};
use farrier::time::{Clock, Moment, VirtualClock};
use farrier::units::{Hertz, Millivolts};
use std::cell::RefCell;
use std::rc::Rc;
use std::time::Duration;

/// A transfer of these bytes fails.
pub const FAILS: [u8; 2] = [0xEE, 0xEE];
/// A transfer of these bytes never ends.
pub const HANGS: [u8; 2] = [0xDD, 0xDD];

pub const BYTES_PER_SECOND: u32 = 50_000;

/// What a bridge did.
#[derive(Default)]
pub struct Log {
    /// Transfers as the numbers that they carry, see [`numbered`], in order.
    pub numbers: Vec<u32>,
    pub operations: usize,
    pub released: Vec<Moment>,
}

pub type SharedLog = Rc<RefCell<Log>>;

/// A transfer that carries a number.
pub fn numbered(number: u32) -> Operation {
    Operation::Transfer(number.to_be_bytes().to_vec())
}

/// What [`numbered`] must come back as.
pub fn reply_to(number: u32) -> Reply {
    Reply::Bytes(number.to_be_bytes().map(|byte| !byte).to_vec())
}

/// Carries operations out on nothing: what is sent comes back inverted, at 1 MHz.
pub struct Counting(pub SharedLog);

impl Executor for Counting {
    type Error = Why;

    fn carry_out(&mut self, at: Moment, operation: &Operation) -> (Result<Reply, Why>, Moment) {
        let mut log = self.0.borrow_mut();
        log.operations += 1;
        let after = |bytes: usize| at.plus(Duration::from_micros(8 * bytes as u64));
        match operation {
            Operation::Transfer(send) if *send == FAILS => (Err(Why::PollTimedOut { last: 0xEE }), after(2)),
            Operation::Transfer(send) if *send == HANGS => (Ok(Reply::Bytes(vec![0, 0])), at.plus(Duration::from_secs(1_000_000))),
            Operation::Transfer(send) => {
                if let Ok(number) = send.as_slice().try_into() {
                    log.numbers.push(u32::from_be_bytes(number));
                }
                (Ok(Reply::Bytes(send.iter().map(|byte| !byte).collect())), after(send.len()))
            }
            Operation::Pattern(pattern) => {
                let repetitions = Repetitions::of(pattern).unwrap();
                let mut gathered = repetitions.gather();
                for n in 0..repetitions.count() {
                    let came_back: Vec<u8> = repetitions.sent(n).iter().map(|byte| !byte).collect();
                    repetitions.captured(&came_back).all(|byte| gathered.push(byte));
                }
                (gathered.finish(), after(pattern.template.len() * pattern.repeat as usize))
            }
            Operation::Delay(time) => (Ok(Reply::Done), at.plus(*time)),
            Operation::SpiClock(clock) => (Ok(Reply::Clock(*clock)), at),
            Operation::Poll { send, .. } => (Ok(Reply::Bytes(send.clone())), after(send.len())),
            Operation::ReadLines => (Ok(Reply::Lines(LineLevels { reset: true, sck: false, mosi: false, miso: true })), at),
            Operation::MeasureSupply => (Ok(Reply::Supply(Some(Millivolts(5000)))), at),
            Operation::Line { .. } | Operation::ClockOutput(_) => (Ok(Reply::Done), at),
        }
    }

    fn release(&mut self, at: Moment) {
        self.0.borrow_mut().released.push(at);
    }
}

/// A bridge with a window of 4 and blocks of 256.
pub fn hello(start: u32) -> Hello {
    let abilities = Abilities {
        name: "bench".into(),
        spi_clock_min: Hertz(1000),
        spi_clock_max: Hertz(8_000_000),
        block_bytes: 256,
        pin_level: Millivolts(5000),
        measures_supply: true,
        clock_output: true,
        switches_power: true,
        simulated: true,
    };
    Hello { mark: 0, start, window: 4, frame_bytes: 330, abilities }
}

/// A wire to a bridge that carries out and counts.
pub fn wire() -> (MemoryWire, SharedLog, Rc<VirtualClock>) {
    let log = SharedLog::default();
    let (wire, clock) = wire_to(BridgeEnd::new(hello(1), Counting(log.clone())));
    (wire, log, clock)
}

pub fn wire_to(far: impl FarEnd + 'static) -> (MemoryWire, Rc<VirtualClock>) {
    let clock = Rc::new(VirtualClock::default());
    (MemoryWire::new(Box::new(far), clock.clone(), BYTES_PER_SECOND), clock)
}

/// A client on a wire, with the SPI clock chosen.
pub fn client(wire: impl Wire + 'static) -> Client {
    use farrier::bus::Bus;
    let mut client = Client::connect(Box::new(wire)).unwrap();
    client.run(&[Operation::SpiClock(Hertz(1_000_000))]).unwrap();
    client
}

/// A bridge that is reset at a moment: it forgets everything and has another start number.
pub struct Resetting {
    bridge: BridgeEnd<Counting>,
    log: SharedLog,
    at: Option<Moment>,
}

impl Resetting {
    pub fn at(at: Moment, log: SharedLog) -> Resetting {
        Resetting { bridge: BridgeEnd::new(hello(1), Counting(log.clone())), log, at: Some(at) }
    }
}

impl FarEnd for Resetting {
    fn deliver(&mut self, at: Moment, bytes: &[u8]) {
        if self.at.is_some_and(|reset| reset <= at) {
            self.at = None;
            self.bridge = BridgeEnd::new(hello(2), Counting(self.log.clone()));
        }
        self.bridge.deliver(at, bytes);
    }

    fn next_event(&self) -> Option<Moment> {
        self.bridge.next_event()
    }

    fn take_output(&mut self, until: Moment) -> Option<(Moment, Vec<u8>)> {
        // What was begun before the reset and would end after it, is never answered.
        let until = self.at.map_or(until, |reset| until.min(reset));
        self.bridge.take_output(until)
    }
}

/// Answers whatever arrives with what a function makes of it.
pub struct Answering<F> {
    answer: F,
    ready: Vec<(Moment, Vec<u8>)>,
}

impl<F: FnMut(&[u8]) -> Vec<u8>> Answering<F> {
    pub fn with(answer: F) -> Answering<F> {
        Answering { answer, ready: Vec::new() }
    }
}

impl<F: FnMut(&[u8]) -> Vec<u8>> FarEnd for Answering<F> {
    fn deliver(&mut self, at: Moment, bytes: &[u8]) {
        let answer = (self.answer)(bytes);
        if !answer.is_empty() {
            self.ready.push((at, answer));
        }
    }

    fn next_event(&self) -> Option<Moment> {
        self.ready.first().map(|(at, _)| *at)
    }

    fn take_output(&mut self, until: Moment) -> Option<(Moment, Vec<u8>)> {
        let ready = self.ready.first().is_some_and(|(at, _)| *at <= until);
        ready.then(|| self.ready.remove(0))
    }
}

/// The time that something takes on a clock.
pub fn time_of<T>(clock: &VirtualClock, act: impl FnOnce() -> T) -> (T, Duration) {
    let before = clock.now();
    let result = act();
    (result, clock.now().since(before))
}
