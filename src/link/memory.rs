//! A wire whose other end is in the same process, in virtual time. It is as slow as a serial line of its speed: bytes follow one
//! another in each direction, and both directions run at once, so sending overlaps with whatever the other end does.

use super::Wire;
use crate::time::{Clock, Moment, SharedClock, VirtualClock};
use std::collections::VecDeque;
use std::io;
use std::rc::Rc;
use std::time::Duration;

/// What is at the other end of a wire. Its moments never go back, and none is earlier than the last one that it was given.
pub trait FarEnd {
    /// These bytes have arrived, the last of them at this moment. It may lie ahead of the clock: bytes under way arrive later.
    fn deliver(&mut self, at: Moment, bytes: &[u8]);

    /// The next moment at which something may happen here by itself; nothing where only bytes that arrive change anything.
    fn next_event(&self) -> Option<Moment>;

    /// Lives on until something is to be sent, but no longer than `until`. Gives the moment when it was ready, and its bytes.
    fn take_output(&mut self, until: Moment) -> Option<(Moment, Vec<u8>)>;
}

/// The host's end of such a wire.
pub struct MemoryWire {
    far: Box<dyn FarEnd>,
    clock: Rc<VirtualClock>,
    bytes_per_second: u32,
    /// When the line to the bridge has carried everything sent so far.
    sent_until: Moment,
    /// When the line from the bridge has.
    received_until: Moment,
    /// Bytes on the line from the bridge, with the moment at which each arrives.
    under_way: VecDeque<(Moment, u8)>,
}

impl MemoryWire {
    /// A wire to `far`. A serial line of 8 data bits carries a tenth of its baud rate in bytes a second.
    #[must_use]
    pub fn new(far: Box<dyn FarEnd>, clock: Rc<VirtualClock>, bytes_per_second: u32) -> MemoryWire {
        let now = clock.now();
        let bytes_per_second = bytes_per_second.max(1);
        MemoryWire { far, clock, bytes_per_second, sent_until: now, received_until: now, under_way: VecDeque::new() }
    }

    /// When a byte that is put on a line has arrived, the line being busy until `line`.
    fn arrival(&self, line: Moment, ready: Moment) -> Moment {
        line.max(ready).plus(Duration::from_secs(1) / self.bytes_per_second)
    }
}

impl Wire for MemoryWire {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        // The far end acts on whole frames, so it is enough to tell it of those, each as its last byte arrives.
        for frame in bytes.split_inclusive(|byte| *byte == 0) {
            for _ in frame {
                self.sent_until = self.arrival(self.sent_until, self.clock.now());
            }
            self.far.deliver(self.sent_until, frame);
        }
        Ok(())
    }

    fn receive(&mut self, into: &mut Vec<u8>, deadline: Moment) -> io::Result<()> {
        if self.under_way.is_empty()
            && let Some((ready, bytes)) = self.far.take_output(deadline)
        {
            for byte in bytes {
                self.received_until = self.arrival(self.received_until, ready);
                self.under_way.push_back((self.received_until, byte));
            }
        }
        // A whole answer is handed over at once, unless the deadline cuts it.
        let arrived = self.under_way.iter().take_while(|(at, _)| *at <= deadline).count();
        let last = self.under_way.iter().take(arrived).next_back().map_or(deadline, |(at, _)| *at);
        into.extend(self.under_way.drain(..arrived).map(|(_, byte)| byte));
        self.clock.wait_until(last);
        Ok(())
    }

    fn clock(&self) -> SharedClock {
        self.clock.clone()
    }

    fn bytes_per_second(&self) -> u32 {
        self.bytes_per_second
    }
}
