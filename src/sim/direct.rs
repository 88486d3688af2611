//! A bus straight to the simulated board, without frames and wire: what tests of algorithms use.

use super::engine::ListResult;
use super::handle::Sim;
use crate::bus::{Abilities, Bus, BusError, Operation, Reply, Ticket};
use crate::time::SharedClock;
use std::collections::VecDeque;

/// A bus whose lists are carried out at once, in virtual time.
pub struct DirectBus {
    sim: Sim,
    abilities: Abilities,
    /// Results not collected yet; `None` for a list that was not begun.
    results: VecDeque<(Ticket, Option<ListResult>)>,
    next: u64,
    failed: bool,
}

impl DirectBus {
    pub(super) fn new(sim: Sim) -> DirectBus {
        let abilities = sim.engine().abilities.clone();
        DirectBus { sim, abilities, results: VecDeque::new(), next: 0, failed: false }
    }
}

impl Bus for DirectBus {
    fn abilities(&self) -> &Abilities {
        &self.abilities
    }

    fn clock(&self) -> SharedClock {
        self.sim.clock()
    }

    fn submit(&mut self, list: &[Operation]) -> Result<Ticket, BusError> {
        self.failed &= !self.results.is_empty();
        let ticket = Ticket(self.next);
        self.next += 1;
        let result = (!self.failed).then(|| {
            let clock = self.sim.clock();
            let mut engine = self.sim.engine_mut();
            let result = engine.run_list(list, clock.now());
            clock.wait_until(engine.now);
            result
        });
        self.failed |= result.as_ref().is_some_and(|(_, why)| why.is_some());
        self.results.push_back((ticket, result));
        Ok(ticket)
    }

    fn collect(&mut self, ticket: Ticket) -> Result<Vec<Reply>, BusError> {
        match self.results.pop_front() {
            Some((first, _)) if first != ticket => {
                Err(BusError::Nonsense { what: format!("ticket {} was due before {}", first.0, ticket.0) })
            }
            None => Err(BusError::Nonsense { what: format!("ticket {} is not in flight", ticket.0) }),
            Some((_, None)) => Err(BusError::NotBegun),
            Some((_, Some((replies, Some(why))))) => Err(BusError::Failed { operation: replies.len(), why }),
            Some((_, Some((replies, None)))) => Ok(replies),
        }
    }
}
