//! The host's side of a session: requests numbered, a window of them in flight, what is lost asked for or sent again. What comes out are
//! the answers, each once and in order.

use super::Wire;
use super::greet::{SLACK, greet, sealed, travel};
use crate::bus::BusError;
use crate::frame::{Answer, Decoder, Envelope, Hello, REACTION, Request, Sequence, wire_bytes_max};
use crate::time::{Moment, SharedClock};
use std::collections::VecDeque;
use std::time::Duration;

/// How long to wait for an answer while the bridge works, before asking whether it is still there.
const ASK_EVERY: Duration = Duration::from_millis(500);

/// Questions in a row to which no frame at all came back, after which the bridge counts as gone.
const UNHEARD_MAX: u32 = 10;

/// Questions and repetitions about one request that did not bring it forward, after which the wire counts as unusable.
const FRUITLESS_MAX: u32 = 100;

/// A bridge may take this many times as long as the work should, and [`WORK_MARGIN`] more, before it counts as stuck.
const WORK_FACTOR: u32 = 4;
const WORK_MARGIN: Duration = Duration::from_secs(2);

/// A request whose answer has not come, or has not been taken.
struct Flight {
    sequence: Sequence,
    bytes: Vec<u8>,
    /// How long the bridge should work on it.
    work: Duration,
    answer: Option<Answer>,
}

/// A session with a bridge over a wire.
pub(super) struct Exchange {
    wire: Box<dyn Wire>,
    clock: SharedClock,
    hello: Hello,
    decoder: Decoder,
    next: Sequence,
    flights: VecDeque<Flight>,
    /// When the wire will have carried everything that was sent.
    sent_until: Moment,
    patience: Patience,
}

/// How the oldest request stands.
struct Patience {
    /// When to ask for its answer.
    ask_at: Moment,
    /// It was asked for before its time, because something was seen to be lost.
    asked_early: bool,
    /// Since when the bridge can have been working on it.
    since: Moment,
    /// Until then, AGAIN may be about frames that have been sent again already.
    resent_until: Moment,
    /// When the last frame came from the bridge, and the questions since then.
    heard_at: Moment,
    unheard: u32,
    /// Questions and repetitions since the oldest request last came forward.
    fruitless: u32,
    /// The last thing that came and made no sense.
    odd: Option<String>,
}

impl Patience {
    fn from(now: Moment) -> Patience {
        Patience { ask_at: now, asked_early: false, since: now, resent_until: now, heard_at: now, unheard: 0, fruitless: 0, odd: None }
    }
}

impl Exchange {
    /// A session that a bridge has just opened by this answer.
    pub fn begin(wire: Box<dyn Wire>, hello: Hello) -> Exchange {
        let clock = wire.clock();
        let now = clock.now();
        Exchange {
            decoder: Decoder::new(hello.frame_bytes as usize),
            wire,
            clock,
            hello,
            next: Sequence::default(),
            flights: VecDeque::new(),
            sent_until: now,
            patience: Patience::from(now),
        }
    }

    /// Leaves the session, and opens another one.
    pub fn reopen(&mut self) -> Result<(), BusError> {
        self.hello = greet(self.wire.as_mut(), &mut |_| {})?;
        let now = self.clock.now();
        self.decoder = Decoder::new(self.hello.frame_bytes as usize);
        self.next = Sequence::default();
        self.flights.clear();
        self.sent_until = now;
        self.patience = Patience::from(now);
        Ok(())
    }

    pub fn hello(&self) -> &Hello {
        &self.hello
    }

    pub fn wire(&self) -> &dyn Wire {
        self.wire.as_ref()
    }

    pub fn clock(&self) -> &SharedClock {
        &self.clock
    }

    /// False while the window is full: then an answer must be taken first.
    pub fn has_room(&self) -> bool {
        self.flights.len() < usize::from(self.hello.window)
    }

    /// Sends a request that the bridge should work on for so long.
    pub fn send(&mut self, request: &Request, work: Duration) -> Result<(), BusError> {
        let sequence = self.next;
        let bytes = sealed(request, sequence)?;
        self.put_on_wire(&bytes)?;
        self.next = sequence.next();
        self.flights.push_back(Flight { sequence, bytes, work, answer: None });
        if self.flights.len() == 1 {
            self.attend_to_oldest();
        }
        Ok(())
    }

    /// Waits for the oldest request's answer.
    pub fn receive(&mut self) -> Result<Answer, BusError> {
        loop {
            if let Some(answer) = self.flights.front_mut().and_then(|oldest| oldest.answer.take()) {
                self.flights.pop_front();
                self.attend_to_oldest();
                return Ok(answer);
            }
            if !self.listen()? {
                self.patience.unheard += 1;
                self.ask()?;
            }
        }
    }

    /// The oldest request is another one now, or was sent again.
    fn attend_to_oldest(&mut self) {
        let now = self.clock.now();
        self.patience.since = now.max(self.sent_until);
        self.patience.asked_early = false;
        self.patience.fruitless = 0;
        self.patience.unheard = 0;
        self.patience.heard_at = now;
        self.expect_answer(self.oldest_work());
    }

    /// How long the oldest request may take before it is worth asking.
    fn oldest_work(&self) -> Duration {
        self.flights.front().map_or(Duration::ZERO, |oldest| oldest.work.min(ASK_EVERY))
    }

    /// Sets the time to ask (again): once the answer should have come. Waits longer where nothing was heard.
    fn expect_answer(&mut self, work: Duration) {
        let largest = travel(self.wire.as_ref(), wire_bytes_max(self.hello.frame_bytes as usize));
        let round_trip = (largest + REACTION + SLACK) * (self.patience.unheard + 1).min(3);
        self.patience.ask_at = self.clock.now().max(self.sent_until).plus(work + round_trip);
    }

    /// Takes what arrives until it is time to ask. False when that time has come.
    fn listen(&mut self) -> Result<bool, BusError> {
        let mut arrived = Vec::new();
        self.wire.receive(&mut arrived, self.patience.ask_at)?;
        for byte in &arrived {
            match self.decoder.push(*byte) {
                Some(Ok(envelope)) => self.hear(&envelope)?,
                Some(Err(damage)) => {
                    self.patience.odd = Some(damage.to_string());
                    self.ask_early()?;
                }
                None => {}
            }
        }
        Ok(self.clock.now() < self.patience.ask_at)
    }

    fn hear(&mut self, envelope: &Envelope) -> Result<(), BusError> {
        self.patience.heard_at = self.clock.now();
        self.patience.unheard = 0;
        match Answer::open(envelope) {
            Ok(answer @ (Answer::Replies(_) | Answer::Failed { .. } | Answer::NotBegun)) => self.keep(envelope.sequence, answer),
            Ok(Answer::Again) => self.send_again(envelope.sequence),
            Ok(Answer::Working) => self.wait_on(envelope.sequence),
            Ok(Answer::HelloFirst) => Err(BusError::Restarted),
            Ok(Answer::Hello(hello)) if hello.start != self.hello.start => Err(BusError::Restarted),
            // The answer to a HELLO that was said once too often.
            Ok(Answer::Hello(_)) => Ok(()),
            Ok(Answer::OtherVersion { version }) => Err(BusError::Version { found: version, expected: crate::frame::VERSION }),
            Err(why) => {
                self.patience.odd = Some(why.to_string());
                self.ask_early()
            }
        }
    }

    /// Where a request stands among those in flight.
    fn place(&self, sequence: Sequence) -> Option<usize> {
        self.flights.iter().position(|flight| flight.sequence == sequence)
    }

    /// Keeps an answer, unless it has come before.
    fn keep(&mut self, sequence: Sequence, answer: Answer) -> Result<(), BusError> {
        let place = self.place(sequence);
        if let Some(flight) = place.and_then(|place| self.flights.get_mut(place)) {
            flight.answer.get_or_insert(answer);
        }
        // Answers come in order: one that is not the oldest's means that the oldest's was lost.
        match self.flights.front() {
            Some(oldest) if oldest.answer.is_none() && place.is_some() => self.ask_early(),
            _ => Ok(()),
        }
    }

    /// The bridge has the request, and works.
    fn wait_on(&mut self, sequence: Sequence) -> Result<(), BusError> {
        let Some(oldest) = self.flights.front().filter(|oldest| oldest.sequence == sequence) else { return Ok(()) };
        let waited = self.clock.now().since(self.patience.since);
        if waited > oldest.work.saturating_mul(WORK_FACTOR).saturating_add(WORK_MARGIN) {
            return Err(BusError::NoAnswer { waited, tries: self.patience.fruitless });
        }
        self.patience.fruitless = 0;
        self.patience.asked_early = false;
        self.expect_answer(self.oldest_work());
        Ok(())
    }

    /// The bridge lacks a request: it and those after it are sent again.
    fn send_again(&mut self, sequence: Sequence) -> Result<(), BusError> {
        let Some(place) = self.place(sequence) else { return Ok(()) };
        if self.clock.now() < self.patience.resent_until {
            return Ok(());
        }
        self.count_fruitless()?;
        let again: Vec<Vec<u8>> = self.flights.iter().skip(place).map(|flight| flight.bytes.clone()).collect();
        self.put_on_wire(&[0])?;
        for (index, bytes) in again.iter().enumerate() {
            self.put_on_wire(bytes)?;
            if index == 0 {
                self.patience.resent_until = self.sent_until.plus(SLACK);
            }
        }
        if place == 0 {
            self.patience.since = self.sent_until;
        }
        self.expect_answer(self.oldest_work());
        Ok(())
    }

    /// Asks for the oldest answer, because it seems to be lost, once.
    fn ask_early(&mut self) -> Result<(), BusError> {
        if self.flights.is_empty() || std::mem::replace(&mut self.patience.asked_early, true) {
            return Ok(());
        }
        self.ask()
    }

    /// Asks what became of the oldest request.
    fn ask(&mut self) -> Result<(), BusError> {
        self.count_fruitless()?;
        let sequence = self.flights.front().map_or(self.next, |oldest| oldest.sequence);
        let mut bytes = vec![0];
        bytes.extend(sealed(&Request::Ask, sequence)?);
        self.put_on_wire(&bytes)?;
        // Even a bridge that works answers this at once.
        self.expect_answer(Duration::ZERO);
        Ok(())
    }

    /// Gives up when nothing helps.
    fn count_fruitless(&mut self) -> Result<(), BusError> {
        let Patience { unheard, fruitless, .. } = self.patience;
        if unheard <= UNHEARD_MAX && fruitless < FRUITLESS_MAX {
            self.patience.fruitless += 1;
            return Ok(());
        }
        let begun = if unheard > UNHEARD_MAX { self.patience.heard_at } else { self.patience.since };
        Err(match self.patience.odd.take() {
            Some(what) => BusError::Nonsense { what },
            None => BusError::NoAnswer { waited: self.clock.now().since(begun), tries: fruitless },
        })
    }

    fn put_on_wire(&mut self, bytes: &[u8]) -> Result<(), BusError> {
        self.wire.send(bytes)?;
        self.sent_until = self.clock.now().max(self.sent_until).plus(travel(self.wire.as_ref(), bytes.len()));
        Ok(())
    }
}
