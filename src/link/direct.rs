//! A bus without frames and wire: the lines are this computer's own, or the board is simulated in this process.

use super::Executor;
use crate::bus::{Abilities, Bus, BusError, Operation, Reply, Ticket};
use crate::time::SharedClock;
use std::collections::VecDeque;

/// A bus whose lists are carried out at once, as they are submitted.
pub struct DirectBus<E> {
    executor: E,
    abilities: Abilities,
    clock: SharedClock,
    /// What the lists came to that are not collected yet, oldest first.
    results: VecDeque<(Ticket, Result<Vec<Reply>, BusError>)>,
    next: u64,
    /// A list has failed and the caller does not know yet: nothing is begun.
    failed: bool,
}

impl<E: Executor> DirectBus<E> {
    /// A bus over what carries out its operations, by this clock.
    #[must_use]
    pub fn new(executor: E, abilities: Abilities, clock: SharedClock) -> DirectBus<E> {
        DirectBus { executor, abilities, clock, results: VecDeque::new(), next: 0, failed: false }
    }

    fn carry_out(&mut self, list: &[Operation]) -> Result<Vec<Reply>, BusError> {
        let mut replies = Vec::with_capacity(list.len());
        for (index, operation) in list.iter().enumerate() {
            let (given, ends) = self.executor.carry_out(self.clock.now(), operation);
            self.clock.wait_until(ends);
            replies.push(given.map_err(|error| error.into().at(index))?);
        }
        Ok(replies)
    }
}

impl<E: Executor> Bus for DirectBus<E> {
    fn abilities(&self) -> &Abilities {
        &self.abilities
    }

    fn clock(&self) -> SharedClock {
        self.clock.clone()
    }

    fn submit(&mut self, list: &[Operation]) -> Result<Ticket, BusError> {
        let ticket = Ticket(self.next);
        self.next += 1;
        let result = if self.failed { Err(BusError::NotBegun) } else { self.carry_out(list) };
        self.failed |= result.is_err();
        self.results.push_back((ticket, result));
        Ok(ticket)
    }

    fn collect(&mut self, ticket: Ticket) -> Result<Vec<Reply>, BusError> {
        let place = self.results.iter().position(|(submitted, _)| *submitted == ticket).ok_or(BusError::NotBegun)?;
        let result = self.results.drain(..=place).next_back().map_or(Err(BusError::NotBegun), |(_, result)| result);
        if result.is_err() {
            self.results.clear();
            self.failed = false;
        }
        result
    }
}
