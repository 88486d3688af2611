//! A bridge reached over a wire, as a bus.

use super::Wire;
use super::exchange::Exchange;
use super::greet::{SpeedWire, Waiting, greet, greet_at};
use super::pace::Pace;
use super::parts::{Expected, Piece, add, split};
use crate::bus::{Abilities, Bus, BusError, Operation, Reply, Ticket, Why};
use crate::frame::{Answer, Hello, Request};
use crate::time::SharedClock;
use std::collections::VecDeque;
use std::ops::ControlFlow;
use std::time::Duration;

/// A bus made of a wire and the bridge at its other end.
pub struct Client {
    exchange: Exchange,
    pace: Pace,
    /// Submitted and not collected, oldest first.
    lists: VecDeque<List>,
    /// One for each request in flight, in the same order; nothing where the answer no longer matters.
    parts: VecDeque<Option<Part>>,
    state: State,
    next_ticket: u64,
}

/// A list on its way.
struct List {
    ticket: Ticket,
    replies: Vec<Reply>,
    /// Parts that have no answer yet.
    outstanding: usize,
    /// What it comes to once no part is outstanding; nothing where all is well.
    end: Option<BusError>,
}

/// What one request asks of the bridge.
struct Part {
    ticket: Ticket,
    expected: Vec<Expected>,
}

/// Whether the next submission can simply be sent.
#[derive(Clone, Copy)]
enum State {
    Sound,
    /// The list `at` has failed, or will, and the caller has not been told. Lists after it are not begun.
    Broken {
        at: Ticket,
        cure: Cure,
    },
    /// The caller knows. The next submission starts afresh.
    Told(Cure),
}

/// What makes the bridge begin lists again.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Cure {
    Clear,
    Reopen,
}

impl Client {
    /// Opens a session with the bridge at the wire's other end.
    ///
    /// # Errors
    /// [`BusError::NoAnswer`] after about 5 s, [`BusError::Nonsense`] where something answers that is no such bridge,
    /// [`BusError::Version`], or the wire's own error.
    pub fn connect(wire: Box<dyn Wire>) -> Result<Client, BusError> {
        Client::connect_waiting(wire, Box::new(|_| ControlFlow::Continue(())))
    }

    /// As [`Client::connect`], and tells how long the bridge has not answered.
    ///
    /// # Errors
    /// As [`Client::connect`]; and [`BusError::Stopped`].
    pub fn connect_waiting(mut wire: Box<dyn Wire>, mut waiting: Waiting) -> Result<Client, BusError> {
        let hello = greet(wire.as_mut(), &mut waiting)?;
        Ok(Client::with(wire, hello, waiting))
    }

    /// Opens a session at the first of these speeds, in baud, at which a bridge answers.
    ///
    /// # Errors
    /// As [`Client::connect_waiting`]; and when the port goes at none of them.
    pub fn connect_at(mut wire: Box<dyn SpeedWire>, speeds: &[u32], mut waiting: Waiting) -> Result<Client, BusError> {
        let hello = greet_at(wire.as_mut(), speeds, &mut waiting)?;
        Ok(Client::with(wire, hello, waiting))
    }

    fn with(wire: Box<dyn Wire>, hello: Hello, waiting: Waiting) -> Client {
        let exchange = Exchange::begin(wire, hello, waiting);
        let pace = Pace::of(&exchange.hello().abilities);
        Client { exchange, pace, lists: VecDeque::new(), parts: VecDeque::new(), state: State::Sound, next_ticket: 0 }
    }

    /// What the bridge said of itself.
    #[must_use]
    pub fn hello(&self) -> &Hello {
        self.exchange.hello()
    }

    /// Bytes a second that the wire carries each way.
    #[must_use]
    pub fn bytes_per_second(&self) -> u32 {
        self.exchange.wire().bytes_per_second()
    }

    /// Makes the bridge begin lists again, where one has failed and the caller knows.
    fn start_afresh(&mut self) -> Result<(), BusError> {
        let State::Told(cure) = self.state else { return Ok(()) };
        // Whatever goes wrong in here is told by returning it.
        self.state = State::Told(Cure::Reopen);
        match cure {
            Cure::Clear => {
                while !self.exchange.has_room() {
                    self.take_answer()?;
                }
                self.exchange.send(&Request::Clear, Duration::ZERO)?;
                self.parts.push_back(None);
            }
            Cure::Reopen => {
                self.exchange.reopen()?;
                self.pace = Pace::of(&self.exchange.hello().abilities);
                self.parts.clear();
            }
        }
        self.state = State::Sound;
        Ok(())
    }

    /// Sends a list, as far as nothing is known to have failed.
    fn send_list(&mut self, ticket: Ticket, list: &[Operation]) {
        let (parts, impossible) = split(list, self.exchange.hello(), self.exchange.grain());
        for part in parts {
            if !self.send_part(ticket, part) {
                return self.end_list(ticket, BusError::NotBegun);
            }
        }
        if let Some(operation) = impossible {
            self.end_list(ticket, BusError::Failed { operation, why: Why::BadOperation });
            self.break_at(ticket, Cure::Clear);
        }
    }

    /// Sends a part once the window has room. False when something failed first.
    fn send_part(&mut self, ticket: Ticket, part: Vec<Piece>) -> bool {
        while matches!(self.state, State::Sound) && !self.exchange.has_room() {
            self.take_answer().unwrap_or_else(|error| self.break_off(error));
        }
        if !matches!(self.state, State::Sound) {
            return false;
        }
        let work = part.iter().map(|piece| self.pace.work(&piece.operation)).fold(Duration::ZERO, Duration::saturating_add);
        let expected = part.iter().map(Expected::of).collect();
        let operations = part.into_iter().map(|piece| piece.operation).collect();
        if let Err(error) = self.exchange.send(&Request::Run(operations), work) {
            self.break_off(error);
            return false;
        }
        self.parts.push_back(Some(Part { ticket, expected }));
        if let Some(list) = self.list(ticket) {
            list.outstanding += 1;
        }
        true
    }

    fn list(&mut self, ticket: Ticket) -> Option<&mut List> {
        self.lists.iter_mut().find(|list| list.ticket == ticket)
    }

    /// Settles what a list comes to, unless something has before.
    fn end_list(&mut self, ticket: Ticket, end: BusError) {
        if let Some(list) = self.list(ticket) {
            list.end.get_or_insert(end);
        }
    }

    /// Waits for the next answer and books it.
    fn take_answer(&mut self) -> Result<(), BusError> {
        let answer = self.exchange.receive()?;
        let Some(part) = self.parts.pop_front().flatten() else { return Ok(()) };
        let mut replies = Vec::new();
        let end = match answer {
            Answer::Replies(given) if part.is_answered_by(&given) => {
                replies = given;
                None
            }
            Answer::Failed { operation, why } => match part.expected.get(operation as usize) {
                Some(expected) => Some(BusError::Failed { operation: expected.of, why: expected.why(why) }),
                None => return Err(BusError::Nonsense { what: format!("operation {operation} failed, of {}", part.expected.len()) }),
            },
            Answer::NotBegun => Some(BusError::NotBegun),
            _ => return Err(BusError::Nonsense { what: "its replies are not those of the operations".into() }),
        };
        if end.is_some() {
            self.break_at(part.ticket, Cure::Clear);
        }
        if let Some(list) = self.list(part.ticket) {
            list.outstanding = list.outstanding.saturating_sub(1);
            for (expected, reply) in part.expected.iter().zip(replies) {
                add(&mut list.replies, expected.of, reply);
            }
            match end {
                Some(failed @ BusError::Failed { .. }) => list.end = Some(failed),
                Some(other) => drop(list.end.get_or_insert(other)),
                None => {}
            }
        }
        Ok(())
    }

    /// Nothing after this list counts.
    fn break_at(&mut self, ticket: Ticket, cure: Cure) {
        self.state = match self.state {
            State::Broken { at, cure: before } => State::Broken { at: at.min(ticket), cure: before.max(cure) },
            _ => State::Broken { at: ticket, cure },
        };
    }

    /// The session cannot go on: the oldest list without an answer gets the reason.
    fn break_off(&mut self, error: BusError) {
        self.parts.clear();
        let oldest = self.lists.iter().position(|list| list.outstanding > 0).unwrap_or(self.lists.len().saturating_sub(1));
        let Some(list) = self.lists.get_mut(oldest) else {
            self.state = State::Told(Cure::Reopen);
            return;
        };
        (list.end, list.outstanding) = (Some(error), 0);
        let ticket = list.ticket;
        self.break_at(ticket, Cure::Reopen);
    }

    /// True when the list comes after one that has failed.
    fn is_after_break(&self, ticket: Ticket) -> bool {
        matches!(self.state, State::Broken { at, .. } if at < ticket)
    }

    /// The caller learns of the failure now: everything submitted before counts as not begun.
    fn tell(&mut self) {
        let State::Broken { cure, .. } = self.state else { return };
        self.state = State::Told(cure);
        self.parts.iter_mut().for_each(|part| *part = None);
        for list in &mut self.lists {
            (list.end, list.outstanding) = (Some(BusError::NotBegun), 0);
        }
    }
}

impl Part {
    fn is_answered_by(&self, replies: &[Reply]) -> bool {
        self.expected.len() == replies.len() && self.expected.iter().zip(replies).all(|(expected, reply)| expected.fits(reply))
    }
}

impl Bus for Client {
    fn abilities(&self) -> &Abilities {
        &self.exchange.hello().abilities
    }

    fn clock(&self) -> SharedClock {
        self.exchange.clock().clone()
    }

    fn submit(&mut self, list: &[Operation]) -> Result<Ticket, BusError> {
        self.start_afresh()?;
        let ticket = Ticket(self.next_ticket);
        self.next_ticket += 1;
        self.lists.push_back(List { ticket, replies: Vec::new(), outstanding: 0, end: None });
        match self.state {
            State::Sound => self.send_list(ticket, list),
            _ => self.end_list(ticket, BusError::NotBegun),
        }
        Ok(ticket)
    }

    fn collect(&mut self, ticket: Ticket) -> Result<Vec<Reply>, BusError> {
        if self.list(ticket).is_none() {
            return Err(BusError::NotBegun);
        }
        self.lists.retain(|list| list.ticket >= ticket);
        while !self.is_after_break(ticket) && self.list(ticket).is_some_and(|list| list.outstanding > 0) {
            self.take_answer().unwrap_or_else(|error| self.break_off(error));
        }
        let result = match self.lists.pop_front() {
            Some(List { end: Some(error), .. }) => Err(error),
            Some(List { replies, outstanding: 0, .. }) => Ok(replies),
            _ => Err(BusError::NotBegun),
        };
        if result.is_err() {
            self.tell();
        }
        result
    }
}
