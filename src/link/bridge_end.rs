//! A bridge at the far end of a wire: the session of the protocol, and time. What the operations do is its executor's.

use super::{Executor, FarEnd};
use crate::bus::{Operation, Reply, Why};
use crate::frame::{Heard, Hello, SILENCE, Session};
use crate::time::Moment;
use std::collections::VecDeque;

/// A bridge in virtual time, as [`FarEnd`].
pub struct BridgeEnd<E> {
    session: Session,
    executor: E,
    in_hand: Option<InHand>,
    /// When the bridge last heard its host or ended its work, whichever was later.
    quiet_since: Moment,
    ready: VecDeque<(Moment, Vec<u8>)>,
}

/// A list that is being carried out.
struct InHand {
    list: Vec<Operation>,
    replies: Vec<Reply>,
    failed: Option<Why>,
    /// When the operation begun last ends.
    ends: Moment,
}

impl<E: Executor<Error = Why>> BridgeEnd<E> {
    #[must_use]
    pub fn new(hello: Hello, executor: E) -> BridgeEnd<E> {
        BridgeEnd { session: Session::new(hello), executor, in_hand: None, quiet_since: Moment::default(), ready: VecDeque::new() }
    }

    /// Lets everything happen that happens by itself until then.
    fn live_until(&mut self, until: Moment) {
        while let Some(at) = self.next_own_event().filter(|at| *at <= until) {
            self.happen(at);
        }
    }

    /// When the operation in hand ends, or the host has been silent for too long.
    fn next_own_event(&self) -> Option<Moment> {
        match &self.in_hand {
            Some(work) => Some(work.ends),
            None => self.session.is_idle().then(|| self.quiet_since.plus(SILENCE)),
        }
    }

    fn happen(&mut self, at: Moment) {
        match self.in_hand.take() {
            Some(work) => self.go_on(work),
            None => {
                self.executor.release(at);
                self.session.lose();
            }
        }
    }

    /// Begins the next operation of a list, or reports that it is finished.
    fn go_on(&mut self, mut work: InHand) {
        let result = match (work.failed.take(), work.list.get(work.replies.len())) {
            (Some(why), _) => Err((work.replies.len(), why)),
            (None, None) => Ok(work.replies),
            (None, Some(operation)) => {
                let (given, ends) = self.executor.carry_out(work.ends, operation);
                match given {
                    Ok(reply) => work.replies.push(reply),
                    Err(why) => work.failed = Some(why),
                }
                self.in_hand = Some(InHand { ends, ..work });
                return;
            }
        };
        self.session.finish(result);
        self.quiet_since = self.quiet_since.max(work.ends);
        self.speak(work.ends);
    }

    /// Takes what the session has to say, and begins the next list.
    fn speak(&mut self, at: Moment) {
        let output = self.session.take_output();
        if !output.is_empty() {
            let at = self.ready.back().map_or(at, |(before, _)| at.max(*before));
            self.ready.push_back((at, output));
        }
        if self.in_hand.is_none()
            && let Some(list) = self.session.begin()
        {
            self.in_hand = Some(InHand { list, replies: Vec::new(), failed: None, ends: at });
        }
    }
}

impl<E: Executor<Error = Why>> FarEnd for BridgeEnd<E> {
    fn deliver(&mut self, at: Moment, bytes: &[u8]) {
        self.live_until(at);
        let heard = self.session.hear(bytes);
        if heard >= Heard::Host {
            self.quiet_since = self.quiet_since.max(at);
        }
        let mut at = at;
        if heard == Heard::NewHost {
            // An operation that was begun is finished; the list is not.
            at = at.max(self.in_hand.take().map_or(at, |work| work.ends));
            self.executor.release(at);
        }
        self.speak(at);
    }

    fn next_event(&self) -> Option<Moment> {
        self.ready.front().map(|(at, _)| *at).or_else(|| self.next_own_event())
    }

    fn take_output(&mut self, until: Moment) -> Option<(Moment, Vec<u8>)> {
        while self.ready.is_empty() {
            let at = self.next_own_event().filter(|at| *at <= until)?;
            self.happen(at);
        }
        let ready = self.ready.front().is_some_and(|(at, _)| *at <= until);
        ready.then(|| self.ready.pop_front()).flatten()
    }
}
