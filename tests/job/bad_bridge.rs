//! A bridge and its port on a bad day: after so many operations it begins anew, vanishes, garbles, falls silent, or is another version.

use farrier::bus::{Operation, Reply, Why};
use farrier::frame::{Answer, Decoder, FRAME_BYTES_MAX, Hello, Request, Sequence};
use farrier::link::{BridgeEnd, Executor, FarEnd, Wire};
use farrier::sim::{Sim, SimBridge};
use farrier::time::{Moment, SharedClock};
use std::cell::{Cell, RefCell};
use std::collections::VecDeque;
use std::io;
use std::rc::Rc;
use std::time::Duration;

/// What goes wrong besides noise.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Trouble {
    Nothing,
    /// It lets go of the board, forgets everything, and is there again after a while, perhaps with an unasked HELLO.
    Resets {
        boot: Duration,
        says_hello: bool,
    },
    /// The port gives errors, for good or so many times. The bridge behind it loses its supply, or does not notice.
    Vanishes {
        errors: u32,
        loses_supply: bool,
    },
    /// What it says, and perhaps what it is told, becomes random bytes.
    Garbles {
        both_ways: bool,
    },
    /// It goes on working, and says nothing more.
    FallsSilent,
    /// It begins anew with firmware that speaks version 2.
    OtherVersion,
}

impl Trouble {
    /// Whether what the bridge was doing ends there, and the board is let go.
    fn stops_work(self) -> bool {
        match self {
            Trouble::Resets { .. } | Trouble::OtherVersion => true,
            Trouble::Vanishes { loses_supply, .. } => loses_supply,
            Trouble::Nothing | Trouble::Garbles { .. } | Trouble::FallsSilent => false,
        }
    }
}

/// When the trouble came, once it has.
pub type Came = Rc<Cell<Option<Moment>>>;

/// Hands that count operations until the trouble comes.
struct Hands {
    inner: SimBridge,
    left: Option<u64>,
    stops_work: bool,
    came: Came,
}

impl Executor for Hands {
    type Error = Why;

    fn carry_out(&mut self, at: Moment, operation: &Operation) -> (Result<Reply, Why>, Moment) {
        if self.stops_work && self.came.get().is_some() {
            return (Err(Why::NotSupported), at);
        }
        let (given, ends) = self.inner.carry_out(at, operation);
        self.left = self.left.map(|left| left.saturating_sub(1));
        if self.left == Some(0) && self.came.get().is_none() {
            self.came.set(Some(ends));
            if self.stops_work {
                self.inner.release(ends);
            }
        }
        (given, ends)
    }

    fn release(&mut self, at: Moment) {
        self.inner.release(at);
    }
}

/// The far end of the wire.
pub struct BadBridge {
    sim: Sim,
    hello: Hello,
    trouble: Trouble,
    end: BridgeEnd<Hands>,
    came: Came,
    /// It was stopped by the trouble and has begun anew.
    began_anew: bool,
    deaf_until: Moment,
    ready: VecDeque<(Moment, Vec<u8>)>,
    decoder: Decoder,
    random: fastrand::Rng,
}

impl BadBridge {
    /// The trouble comes after so many operations; with 0 it is there from the beginning.
    pub fn new(sim: &Sim, hello: Hello, trouble: Trouble, after: u64, seed: u64) -> BadBridge {
        let came = Came::default();
        if after == 0 {
            came.set(Some(Moment::default()));
        }
        let left = (trouble != Trouble::Nothing).then_some(after);
        let hands = Hands { inner: sim.hands(), left, stops_work: trouble.stops_work(), came: came.clone() };
        BadBridge {
            sim: sim.clone(),
            end: BridgeEnd::new(hello.clone(), hands),
            hello,
            trouble,
            came,
            began_anew: false,
            deaf_until: Moment::default(),
            ready: VecDeque::new(),
            decoder: Decoder::new(FRAME_BYTES_MAX),
            random: fastrand::Rng::with_seed(seed),
        }
    }

    pub fn came(&self) -> Came {
        self.came.clone()
    }

    /// Begins anew where the trouble has stopped it.
    fn begin_anew(&mut self) {
        let Some(at) = self.came.get().filter(|_| self.trouble.stops_work() && !self.began_anew) else { return };
        self.began_anew = true;
        self.hello.start = self.hello.start.wrapping_add(1);
        let hands = Hands { inner: self.sim.hands(), left: None, stops_work: false, came: Came::default() };
        self.end = BridgeEnd::new(self.hello.clone(), hands);
        self.ready.retain(|(ready, _)| *ready < at);
        if let Trouble::Resets { boot, says_hello } = self.trouble {
            self.deaf_until = at.plus(boot);
            if says_hello {
                let hello = Answer::Hello(Hello { mark: 0, ..self.hello.clone() });
                self.ready.push_back((self.deaf_until, hello.seal(Sequence(0)).to_wire()));
            }
        }
    }

    /// The next thing that the bridge says by itself; it lives on no longer than that.
    fn live(&mut self, until: Moment) -> Option<(Moment, Vec<u8>)> {
        loop {
            let said = self.end.take_output(until);
            let stopped_before = self.began_anew;
            self.begin_anew();
            if self.began_anew != stopped_before {
                // What it had not sent by then is never sent.
                let came = self.came.get();
                match said.filter(|(at, _)| came.is_some_and(|came| *at < came)) {
                    Some(said) => return Some(said),
                    None if self.ready.front().is_some_and(|(at, _)| *at <= until) => return self.ready.pop_front(),
                    None => continue,
                }
            }
            let (at, bytes) = said?;
            let has_come = self.came.get().is_some_and(|came| came <= at);
            match self.trouble {
                Trouble::FallsSilent if has_come => {}
                Trouble::Garbles { .. } if has_come => return Some((at, self.random_bytes(bytes.len()))),
                _ => return Some((at, bytes)),
            }
        }
    }

    fn random_bytes(&mut self, count: usize) -> Vec<u8> {
        (0..count).map(|_| self.random.u8(..)).collect()
    }

    /// What a bridge of version 2 says to these bytes.
    fn answer_as_version_2(&mut self, bytes: &[u8]) -> Vec<u8> {
        let mut said = Vec::new();
        for byte in bytes {
            let Some(Ok(envelope)) = self.decoder.push(*byte) else { continue };
            let answer = match Request::open(&envelope) {
                Ok(Request::Hello { .. }) => Answer::OtherVersion { version: 2 },
                _ => Answer::HelloFirst,
            };
            said.extend(answer.seal(envelope.sequence).to_wire());
        }
        said
    }
}

impl FarEnd for BadBridge {
    fn deliver(&mut self, at: Moment, bytes: &[u8]) {
        while let Some(said) = self.live(at) {
            self.ready.push_back(said);
        }
        if at < self.deaf_until {
            return;
        }
        let has_come = self.came.get().is_some_and(|came| came <= at);
        match self.trouble {
            Trouble::OtherVersion if has_come => {
                let said = self.answer_as_version_2(bytes);
                if !said.is_empty() {
                    self.ready.push_back((at, said));
                }
            }
            Trouble::Garbles { both_ways: true } if has_come => {
                let garbled = self.random_bytes(bytes.len());
                self.end.deliver(at, &garbled);
            }
            _ => self.end.deliver(at, bytes),
        }
    }

    fn next_event(&self) -> Option<Moment> {
        self.ready.front().map(|(at, _)| *at).or_else(|| self.end.next_event())
    }

    fn take_output(&mut self, until: Moment) -> Option<(Moment, Vec<u8>)> {
        if self.ready.front().is_some_and(|(at, _)| *at <= until) {
            return self.ready.pop_front();
        }
        match self.ready.is_empty() {
            true => self.live(until),
            false => None,
        }
    }
}

/// The same bridge for the wire and for whoever looks at it afterwards.
#[derive(Clone)]
pub struct Shared(pub Rc<RefCell<BadBridge>>);

impl FarEnd for Shared {
    fn deliver(&mut self, at: Moment, bytes: &[u8]) {
        self.0.borrow_mut().deliver(at, bytes);
    }

    fn next_event(&self) -> Option<Moment> {
        self.0.borrow().next_event()
    }

    fn take_output(&mut self, until: Moment) -> Option<(Moment, Vec<u8>)> {
        self.0.borrow_mut().take_output(until)
    }
}

/// A port that gives errors once the trouble has come, so many times.
pub struct VanishingWire {
    pub inner: Box<dyn Wire>,
    pub came: Came,
    pub errors: u32,
}

impl VanishingWire {
    fn check(&mut self) -> io::Result<()> {
        if self.errors == 0 || self.came.get().is_none() {
            return Ok(());
        }
        self.errors -= u32::from(self.errors != u32::MAX);
        Err(io::Error::new(io::ErrorKind::BrokenPipe, "the port is gone"))
    }
}

impl Wire for VanishingWire {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.check()?;
        self.inner.send(bytes)
    }

    fn receive(&mut self, into: &mut Vec<u8>, deadline: Moment) -> io::Result<()> {
        self.check()?;
        self.inner.receive(into, deadline)
    }

    fn clock(&self) -> SharedClock {
        self.inner.clock()
    }

    fn bytes_per_second(&self) -> u32 {
        self.inner.bytes_per_second()
    }
}
