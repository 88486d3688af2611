//! The host's side of a session: requests numbered, a window of them in flight, what is lost asked for or sent again. What comes out are
//! the answers, each once and in order.

use super::Wire;
use super::grain::Grain;
use super::greet::{SLACK, Waiting, greet, sealed, travel};
use crate::bus::BusError;
use crate::frame::{Answer, Decoder, ENVELOPE_BYTES, Envelope, Hello, REACTION, Request, Sequence, wire_bytes_max};
use crate::time::{Moment, SharedClock};
use std::collections::VecDeque;
use std::fmt;
use std::time::Duration;

/// How long to wait for an answer while the bridge works, before asking whether it is still there.
const ASK_EVERY: Duration = Duration::from_millis(500);

/// Questions in a row to which nothing came back, not even a damaged frame, after which the bridge counts as gone.
const UNHEARD_MAX: u32 = 10;

/// Questions and repetitions about one request that did not bring it forward, after which the wire counts as unusable. A kilobyte that
/// was under way when one byte in 350 began to be hurt needs about twenty.
const FRUITLESS_MAX: u32 = 200;

/// Once frames get lost: what waits to be carried for so long keeps further requests back, because all that is sent behind a lost frame has
/// to be sent again. Enough for two pages at 115 200 baud.
const QUEUED_MAX: Duration = Duration::from_millis(20);

/// A bridge may take this many times as long as the work should, and [`WORK_MARGIN`] more, before it counts as stuck.
const WORK_FACTOR: u32 = 4;
const WORK_MARGIN: Duration = Duration::from_secs(2);

/// A request whose answer has not come, or has not been taken.
struct Flight {
    sequence: Sequence,
    bytes: Vec<u8>,
    /// The larger one of the bodies of the request and its answer.
    body_bytes: usize,
    /// It was sent again or asked about.
    disturbed: bool,
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
    grain: Grain,
    /// Asked when the bridge began anew and does not answer yet.
    waiting: Waiting,
}

/// How the oldest request stands.
struct Patience {
    /// When to ask for its answer.
    ask_at: Moment,
    /// It was asked for before its time, because the answer to a later one came.
    missed: bool,
    /// What arrives damaged before then is no answer to the last question.
    answered_from: Moment,
    /// Since when the bridge can have been working on it.
    since: Moment,
    /// So many more AGAIN with this number are about frames that were under way when it and they were sent again.
    stale: Option<(Sequence, usize)>,
    /// When the last frame came from the bridge, damaged or not, and the questions since then.
    heard_at: Moment,
    unheard: u32,
    /// Questions and repetitions since the oldest request last came forward.
    fruitless: u32,
    /// The last thing that came and made no sense.
    odd: Option<String>,
}

impl Patience {
    fn from(now: Moment) -> Patience {
        Patience {
            ask_at: now,
            missed: false,
            answered_from: now,
            since: now,
            stale: None,
            heard_at: now,
            unheard: 0,
            fruitless: 0,
            odd: None,
        }
    }
}

impl Exchange {
    /// A session that a bridge has just opened by this answer.
    pub fn begin(wire: Box<dyn Wire>, hello: Hello, waiting: Waiting) -> Exchange {
        let clock = wire.clock();
        let now = clock.now();
        Exchange {
            decoder: Decoder::new(hello.frame_bytes as usize),
            grain: Grain::of(hello.frame_bytes),
            wire,
            clock,
            hello,
            next: Sequence::default(),
            flights: VecDeque::new(),
            sent_until: now,
            patience: Patience::from(now),
            waiting,
        }
    }

    /// Leaves the session, and opens another one.
    pub fn reopen(&mut self) -> Result<(), BusError> {
        self.hello = greet(self.wire.as_mut(), &mut self.waiting)?;
        let now = self.clock.now();
        self.decoder = Decoder::new(self.hello.frame_bytes as usize);
        self.grain = self.grain.within(self.hello.frame_bytes);
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

    /// How many bytes the body of a request, and that of its answer, should have at most.
    pub fn grain(&self) -> usize {
        self.grain.bytes()
    }

    pub fn clock(&self) -> &SharedClock {
        &self.clock
    }

    /// False while the window is full, or the wire has enough to carry: then an answer must be taken first.
    pub fn has_room(&self) -> bool {
        let queued = self.sent_until.since(self.clock.now());
        let enough = self.grain.is_hurt() && queued > QUEUED_MAX && !self.flights.is_empty();
        self.flights.len() < usize::from(self.hello.window) && !enough
    }

    /// Sends a request that the bridge should work on for so long.
    pub fn send(&mut self, request: &Request, work: Duration) -> Result<(), BusError> {
        let sequence = self.next;
        let bytes = sealed(request, sequence)?;
        self.put_on_wire(&bytes)?;
        self.next = sequence.next();
        let body_bytes = bytes.len().saturating_sub(ENVELOPE_BYTES);
        self.flights.push_back(Flight { sequence, bytes, body_bytes, disturbed: false, work, answer: None });
        match self.flights.len() {
            1 => self.attend_to_oldest(),
            _ => Ok(()),
        }
    }

    /// Waits for the oldest request's answer.
    pub fn receive(&mut self) -> Result<Answer, BusError> {
        loop {
            if let Some(answer) = self.flights.front_mut().and_then(|oldest| oldest.answer.take()) {
                if let Some(done) = self.flights.pop_front().filter(|done| !done.disturbed) {
                    self.grain.got_through(done.body_bytes);
                }
                self.attend_to_oldest()?;
                return Ok(answer);
            }
            if !self.listen()? {
                self.patience.unheard += 1;
                self.patience.stale = None;
                self.ask()?;
            }
        }
    }

    /// The oldest request is another one now, or was sent again.
    fn attend_to_oldest(&mut self) -> Result<(), BusError> {
        let now = self.clock.now();
        self.patience.since = now.max(self.sent_until);
        self.patience.missed = false;
        self.patience.fruitless = 0;
        self.patience.unheard = 0;
        self.patience.heard_at = now;
        self.expect_answer(self.oldest_work());
        self.ask_for_missed()
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
                    self.heard_something();
                    self.ask_for_damaged(&damage)?;
                }
                None => {}
            }
        }
        Ok(self.clock.now() < self.patience.ask_at)
    }

    fn heard_something(&mut self) {
        self.patience.heard_at = self.clock.now();
        self.patience.unheard = 0;
    }

    fn hear(&mut self, envelope: &Envelope) -> Result<(), BusError> {
        self.heard_something();
        match Answer::open(envelope) {
            Ok(answer @ (Answer::Replies(_) | Answer::Failed { .. } | Answer::NotBegun)) => self.keep(envelope, answer),
            Ok(Answer::Again) => self.send_again(envelope.sequence),
            Ok(Answer::Working) => self.wait_on(envelope.sequence),
            Ok(Answer::HelloFirst) => Err(BusError::Restarted),
            Ok(Answer::Hello(hello)) if hello.start != self.hello.start => Err(BusError::Restarted),
            // The answer to a HELLO that was said once too often.
            Ok(Answer::Hello(_)) => Ok(()),
            Ok(Answer::OtherVersion { version }) => Err(BusError::Version { found: version, expected: crate::frame::VERSION }),
            Err(why) => self.ask_for_damaged(&why),
        }
    }

    /// Where a request stands among those in flight.
    fn place(&self, sequence: Sequence) -> Option<usize> {
        self.flights.iter().position(|flight| flight.sequence == sequence)
    }

    /// Keeps an answer, unless it has come before.
    fn keep(&mut self, envelope: &Envelope, answer: Answer) -> Result<(), BusError> {
        let place = self.place(envelope.sequence);
        if let Some(flight) = place.and_then(|place| self.flights.get_mut(place)) {
            flight.body_bytes = flight.body_bytes.max(envelope.body.len());
            flight.answer.get_or_insert(answer);
        }
        self.ask_for_missed()
    }

    /// The bridge has the request, and works.
    fn wait_on(&mut self, sequence: Sequence) -> Result<(), BusError> {
        let Some(oldest) = self.flights.front().filter(|oldest| oldest.sequence == sequence) else { return Ok(()) };
        let waited = self.clock.now().since(self.patience.since);
        if waited > oldest.work.saturating_mul(WORK_FACTOR).saturating_add(WORK_MARGIN) {
            return Err(BusError::NoAnswer { waited, tries: self.patience.fruitless });
        }
        self.patience.fruitless = 0;
        self.patience.missed = false;
        self.expect_answer(self.oldest_work());
        Ok(())
    }

    /// The bridge lacks a request: it and those after it are sent again.
    fn send_again(&mut self, sequence: Sequence) -> Result<(), BusError> {
        let Some(place) = self.place(sequence) else { return Ok(()) };
        if let Some((about, left @ 1..)) = &mut self.patience.stale
            && *about == sequence
        {
            *left -= 1;
            return Ok(());
        }
        self.count_fruitless()?;
        self.grain.lost_one();
        self.put_on_wire(&[0])?;
        for index in place..self.flights.len() {
            let Some(flight) = self.flights.get_mut(index) else { break };
            flight.disturbed = true;
            let bytes = flight.bytes.clone();
            self.put_on_wire(&bytes)?;
        }
        // Each frame that was under way behind the gap brings an AGAIN of its own.
        self.patience.stale = Some((sequence, self.flights.len() - place - 1));
        if place == 0 {
            self.patience.since = self.sent_until;
        }
        self.expect_answer(self.oldest_work());
        Ok(())
    }

    /// Answers come in order: where one has come that is not the oldest's, the oldest's was lost. Asks for it, once.
    fn ask_for_missed(&mut self) -> Result<(), BusError> {
        let is_missed = self.flights.front().is_some_and(|oldest| oldest.answer.is_none());
        if self.patience.missed || !is_missed || self.flights.iter().all(|flight| flight.answer.is_none()) {
            return Ok(());
        }
        self.patience.missed = true;
        self.grain.lost_one();
        self.ask()
    }

    /// Something arrived damaged: it was the oldest's answer, or the answer to the last question. Asks again.
    fn ask_for_damaged(&mut self, why: &dyn fmt::Display) -> Result<(), BusError> {
        self.patience.odd = Some(why.to_string());
        if self.flights.is_empty() || self.clock.now() < self.patience.answered_from {
            return Ok(());
        }
        self.grain.lost_one();
        self.ask()
    }

    /// Asks what became of the oldest request.
    fn ask(&mut self) -> Result<(), BusError> {
        self.count_fruitless()?;
        let sequence = self.flights.front_mut().map_or(self.next, |oldest| {
            oldest.disturbed = true;
            oldest.sequence
        });
        let mut bytes = vec![0];
        bytes.extend(sealed(&Request::Ask, sequence)?);
        self.put_on_wire(&bytes)?;
        self.patience.answered_from = self.sent_until;
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
