//! The bridge's side of a session: requests in order, each carried out at most once, answers kept for the window.
//!
//! Whoever owns a session feeds it the bytes that arrive, carries out what [`Session::begin`] gives, hands the result to
//! [`Session::finish`], and sends what [`Session::take_output`] gives. It knows no time: the owner calls [`Session::lose`] after
//! [`super::SILENCE`].

use super::envelope::{Decoder, ENVELOPE_BYTES, Envelope, Sequence};
use super::fields::Malformed;
use super::message::{Answer, Hello, Request};
use super::operation::{block_bytes, reply_bytes_max};
use super::{VERSION, WINDOW_MAX};
use crate::bus::{Operation, Reply, Why};
use std::collections::VecDeque;

/// What the bytes that arrived mean for the owner of a session.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Heard {
    /// No frame.
    Nothing,
    /// A frame: the host is there.
    Host,
    /// A host opened a session: stop the work in hand without finishing it, and let go of the board.
    NewHost,
}

/// A bridge's session with its host.
pub struct Session {
    hello: Hello,
    decoder: Decoder,
    open: bool,
    /// The request that is accepted next.
    next: Sequence,
    /// Accepted, not begun.
    waiting: VecDeque<(Sequence, Task)>,
    in_hand: Option<Sequence>,
    /// A list has failed and no CLEAR has come since.
    failed: bool,
    /// The last answers, as many as the window.
    answers: VecDeque<(Sequence, Vec<u8>)>,
    output: Vec<u8>,
}

enum Task {
    Run(Vec<Operation>),
    /// A list of which this operation cannot be carried out; nothing of it is.
    Refuse(usize),
    Clear,
}

impl Session {
    /// No session yet; `hello` is what the bridge will say of itself (its mark is replaced by the host's).
    #[must_use]
    pub fn new(mut hello: Hello) -> Session {
        hello.window = hello.window.clamp(1, WINDOW_MAX);
        Session {
            decoder: Decoder::new(hello.frame_bytes as usize),
            hello,
            open: false,
            next: Sequence::default(),
            waiting: VecDeque::new(),
            in_hand: None,
            failed: false,
            answers: VecDeque::new(),
            output: Vec::new(),
        }
    }

    /// Takes bytes that have arrived.
    pub fn hear(&mut self, bytes: &[u8]) -> Heard {
        let mut heard = Heard::Nothing;
        for byte in bytes {
            match self.decoder.push(*byte) {
                Some(Ok(envelope)) => heard = heard.max(self.take(&envelope)),
                Some(Err(_)) if self.open => self.say(&Answer::Again, self.next),
                _ => {}
            }
        }
        heard
    }

    /// The next list to carry out; its result goes to [`Session::finish`] before another is given.
    pub fn begin(&mut self) -> Option<Vec<Operation>> {
        if self.in_hand.is_some() {
            return None;
        }
        match self.waiting.pop_front()? {
            (sequence, Task::Run(operations)) => {
                self.in_hand = Some(sequence);
                Some(operations)
            }
            other => {
                self.waiting.push_front(other);
                None
            }
        }
    }

    /// The list in hand is finished: with a reply for each operation, or with the operation that failed, counted from 0, and why.
    pub fn finish(&mut self, result: Result<Vec<Reply>, (usize, Why)>) {
        let Some(sequence) = self.in_hand.take() else { return };
        match result {
            Ok(replies) => self.answer(sequence, &Answer::Replies(replies)),
            Err((index, why)) => self.fail(sequence, index, why),
        }
        self.settle();
    }

    /// True while there is a session and nothing to do in it: then silence counts.
    #[must_use]
    pub fn is_idle(&self) -> bool {
        self.open && self.in_hand.is_none() && self.waiting.is_empty()
    }

    /// The host has been silent for too long: the session ends. The owner lets go of the board.
    pub fn lose(&mut self) {
        self.reset();
        self.open = false;
        self.hello.start = self.hello.start.wrapping_add(1);
    }

    /// The bytes to send, answers one after another.
    pub fn take_output(&mut self) -> Vec<u8> {
        std::mem::take(&mut self.output)
    }

    fn reset(&mut self) {
        self.next = Sequence::default();
        self.waiting.clear();
        self.in_hand = None;
        self.failed = false;
        self.answers.clear();
    }

    fn take(&mut self, envelope: &Envelope) -> Heard {
        let sequence = envelope.sequence;
        match Request::open(envelope) {
            Ok(Request::Hello { version, mark }) => return self.welcome(version, mark),
            Err(Malformed::Operation { .. }) | Ok(_) if !self.open => self.say(&Answer::HelloFirst, sequence),
            Ok(Request::Run(operations)) => self.accept(sequence, self.task(operations)),
            Err(Malformed::Operation { index, .. }) => self.accept(sequence, Task::Refuse(index)),
            Ok(Request::Clear) => self.accept(sequence, Task::Clear),
            Ok(Request::Ask) if self.is_known(sequence) => self.remind(sequence),
            Ok(Request::Ask) => self.say(&Answer::Again, self.next),
            Err(_) => return Heard::Nothing,
        }
        Heard::Host
    }

    fn welcome(&mut self, version: u16, mark: u32) -> Heard {
        let same = self.open && mark == self.hello.mark;
        let heard = if version == VERSION && !same { Heard::NewHost } else { Heard::Host };
        if heard == Heard::NewHost {
            self.reset();
            self.open = true;
            self.hello.mark = mark;
        }
        self.say(&Answer::Hello(self.hello.clone()), self.next);
        heard
    }

    /// A list, unless one of its operations or its answer is too large for this bridge.
    fn task(&self, operations: Vec<Operation>) -> Task {
        let mut answer = ENVELOPE_BYTES;
        for (index, operation) in operations.iter().enumerate() {
            answer += reply_bytes_max(operation);
            let block = block_bytes(operation) > u64::from(self.hello.abilities.block_bytes);
            if block || answer > self.hello.frame_bytes as usize {
                return Task::Refuse(index);
            }
        }
        Task::Run(operations)
    }

    /// True for a request that was accepted no longer ago than answers are kept.
    fn is_known(&self, sequence: Sequence) -> bool {
        let ago = self.next.after(sequence);
        let known = self.waiting.len() + self.answers.len() + usize::from(self.in_hand.is_some());
        (1..=self.hello.window).contains(&ago) && usize::from(ago) <= known
    }

    fn accept(&mut self, sequence: Sequence, task: Task) {
        let unfinished = self.waiting.len() + usize::from(self.in_hand.is_some());
        if sequence == self.next && unfinished < usize::from(self.hello.window) {
            self.next = self.next.next();
            self.waiting.push_back((sequence, task));
            self.settle();
        } else if self.is_known(sequence) {
            self.remind(sequence);
        } else {
            self.say(&Answer::Again, self.next);
        }
    }

    /// Answers a request that was accepted before: from what was kept, or that it is not finished.
    fn remind(&mut self, sequence: Sequence) {
        match self.answers.iter().find(|(kept, _)| *kept == sequence) {
            Some((_, answer)) => self.output.extend_from_slice(answer),
            None => self.say(&Answer::Working, sequence),
        }
    }

    /// Answers everything that waits in front of the next list to carry out.
    fn settle(&mut self) {
        while self.in_hand.is_none() {
            match self.waiting.pop_front() {
                Some((sequence, Task::Clear)) => {
                    self.failed = false;
                    self.answer(sequence, &Answer::Replies(Vec::new()));
                }
                Some((sequence, _)) if self.failed => self.answer(sequence, &Answer::NotBegun),
                Some((sequence, Task::Refuse(index))) => self.fail(sequence, index, Why::BadOperation),
                Some(run) => return self.waiting.push_front(run),
                None => return,
            }
        }
    }

    fn fail(&mut self, sequence: Sequence, index: usize, why: Why) {
        self.failed = true;
        self.answer(sequence, &Answer::Failed { operation: u32::try_from(index).unwrap_or(u32::MAX), why });
    }

    /// Says an answer and keeps it.
    fn answer(&mut self, sequence: Sequence, answer: &Answer) {
        let bytes = answer.seal(sequence).to_wire();
        self.output.extend_from_slice(&bytes);
        if self.answers.len() >= usize::from(self.hello.window) {
            self.answers.pop_front();
        }
        self.answers.push_back((sequence, bytes));
    }

    fn say(&mut self, answer: &Answer, sequence: Sequence) {
        self.output.extend(answer.seal(sequence).to_wire());
    }
}
