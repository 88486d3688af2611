//! A wire on which answers take longer.

use super::Wire;
use crate::time::{Moment, SharedClock};
use std::collections::VecDeque;
use std::io;
use std::time::Duration;

/// Latency over any wire: what has arrived is seen only so much later.
pub struct DelayedWire {
    inner: Box<dyn Wire>,
    latency: Duration,
    /// Arrived, and when it may be seen.
    held: VecDeque<(Moment, Vec<u8>)>,
}

impl DelayedWire {
    #[must_use]
    pub fn new(inner: Box<dyn Wire>, latency: Duration) -> DelayedWire {
        DelayedWire { inner, latency, held: VecDeque::new() }
    }
}

impl Wire for DelayedWire {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.inner.send(bytes)
    }

    fn receive(&mut self, into: &mut Vec<u8>, deadline: Moment) -> io::Result<()> {
        let clock = self.clock();
        loop {
            let seen = self.held.front().map(|(seen, _)| *seen);
            if seen.is_some_and(|seen| seen <= clock.now()) {
                into.extend(self.held.pop_front().map(|(_, bytes)| bytes).unwrap_or_default());
                return Ok(());
            }
            if clock.now() >= deadline {
                return Ok(());
            }
            let mut arrived = Vec::new();
            self.inner.receive(&mut arrived, seen.unwrap_or(deadline).min(deadline))?;
            if !arrived.is_empty() {
                self.held.push_back((clock.now().plus(self.latency), arrived));
            }
        }
    }

    fn clock(&self) -> SharedClock {
        self.inner.clock()
    }

    fn bytes_per_second(&self) -> u32 {
        self.inner.bytes_per_second()
    }
}
