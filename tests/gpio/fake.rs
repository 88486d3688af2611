//! Pins that write down what happens to them. Behind them is nothing, or the sim's board.

use farrier::link::gpio::{BitBang, GpioFile, LineNumbers, Pin, Pins};
use farrier::link::{DirectBus, Hands};
use farrier::sim::{BoardPins, Sim};
use farrier::time::{Clock, Moment, VirtualClock};
use farrier::units::Millivolts;
use std::cell::{Cell, RefCell};
use std::io;
use std::rc::Rc;
use std::time::Duration;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Act {
    Drive(Pin, bool),
    Release(Pin),
    Put { sck: bool, mosi: bool },
    Read(Pin),
}

/// A call, from its beginning to its return.
#[derive(Clone, Copy, Debug)]
pub struct Event {
    pub began: Moment,
    pub ended: Moment,
    pub act: Act,
}

/// What the test holds of the pins.
#[derive(Clone)]
pub struct Record {
    events: Rc<RefCell<Vec<Event>>>,
    pub clock: Rc<VirtualClock>,
    /// The call with this number fails, and all after it but releases.
    pub breaks_at: Rc<Cell<Option<usize>>>,
}

impl Record {
    pub fn take(&self) -> Vec<Event> {
        self.events.take()
    }

    pub fn acts(&self) -> Vec<Act> {
        self.take().into_iter().map(|event| event.act).collect()
    }
}

/// The pins. Each is an input or driven at a level.
pub struct FakePins {
    record: Record,
    calls: usize,
    /// What a call takes.
    call: Duration,
    driven: [Option<bool>; 4],
    board: Option<BoardPins>,
    /// MOSI reaches the board two calls late, which no chip understands.
    late: bool,
    mosi_before: [bool; 2],
    miso: bool,
}

impl FakePins {
    pub fn new(call: Duration) -> (FakePins, Record) {
        let record = Record { events: Rc::default(), clock: Rc::default(), breaks_at: Rc::default() };
        let pins = FakePins {
            record: record.clone(),
            calls: 0,
            call,
            driven: [None; 4],
            board: None,
            late: false,
            mosi_before: [false; 2],
            miso: true,
        };
        (pins, record)
    }

    pub fn before(self, sim: &Sim) -> FakePins {
        FakePins { board: Some(sim.pins()), ..self }
    }

    pub fn late(self) -> FakePins {
        FakePins { late: true, ..self }
    }

    fn call(&mut self, act: Act) -> io::Result<()> {
        self.calls += 1;
        let clock = &self.record.clock;
        let began = clock.now();
        clock.wait_until(began.plus(self.call));
        let broken = self.record.breaks_at.get().is_some_and(|at| self.calls >= at);
        // With the board behind them nobody looks at a million events.
        if self.board.is_none() {
            self.record.events.borrow_mut().push(Event { began, ended: clock.now(), act });
        }
        match broken && !matches!(act, Act::Release(_)) {
            true => Err(io::Error::other("the chip of the lines is gone")),
            false => Ok(()),
        }
    }

    /// What is not driven has the level that the board's pull-up gives RESET, and that pull-downs give the others.
    fn tell_board(&mut self) {
        let [sck, mosi, _, reset] = self.driven;
        let mosi = mosi.unwrap_or(false);
        let [before, last] = self.mosi_before;
        self.mosi_before = [last, mosi];
        let seen = if self.late { before } else { mosi };
        let now = self.record.clock.now();
        if let Some(board) = &mut self.board {
            self.miso = board.step(now, reset.unwrap_or(true), sck.unwrap_or(false), seen);
        }
    }
}

impl Pins for FakePins {
    fn drive(&mut self, pin: Pin, high: bool) -> io::Result<()> {
        self.call(Act::Drive(pin, high))?;
        self.driven[pin as usize] = Some(high);
        self.tell_board();
        Ok(())
    }

    fn release(&mut self, pin: Pin) -> io::Result<()> {
        self.call(Act::Release(pin))?;
        self.driven[pin as usize] = None;
        self.tell_board();
        Ok(())
    }

    fn put(&mut self, sck: bool, mosi: bool) -> io::Result<()> {
        self.call(Act::Put { sck, mosi })?;
        assert!(self.driven[Pin::Sck as usize].is_some() && self.driven[Pin::Mosi as usize].is_some(), "set, but not driven");
        self.driven[Pin::Sck as usize] = Some(sck);
        self.driven[Pin::Mosi as usize] = Some(mosi);
        self.tell_board();
        Ok(())
    }

    fn read(&mut self, pin: Pin) -> io::Result<bool> {
        self.call(Act::Read(pin))?;
        Ok(match pin {
            Pin::Miso => self.miso,
            Pin::Reset => self.driven[pin as usize].unwrap_or(true),
            Pin::Sck | Pin::Mosi => self.driven[pin as usize].unwrap_or(false),
        })
    }
}

pub fn description() -> GpioFile {
    GpioFile {
        summary: "lines of a test".into(),
        chip: "/dev/gpiochip7".into(),
        lines: LineNumbers { sck: 12, mosi: 13, miso: 14, reset: 15 },
        pin_level: Millivolts(3_300),
        shortest_half: Duration::ZERO,
    }
}

/// A bus over pins, by their clock. What measuring them wrote down is forgotten.
pub fn bus(pins: FakePins, file: &GpioFile) -> DirectBus<BitBang<FakePins>> {
    let record = pins.record.clone();
    let hands = BitBang::new(pins, file, record.clock.clone()).expect("pins that work");
    let abilities = hands.abilities().clone();
    record.take();
    DirectBus::new(hands, abilities, record.clock)
}
