//! A wire that is pulled out in the middle of the work.

use super::Wire;
use crate::time::{Moment, SharedClock};
use std::io;

/// Any wire, until it has carried so many bytes to the bridge; then the connection is gone, both ways.
pub struct UnpluggedWire {
    inner: Box<dyn Wire>,
    bytes_left: usize,
}

impl UnpluggedWire {
    #[must_use]
    pub fn after(inner: Box<dyn Wire>, bytes: usize) -> UnpluggedWire {
        UnpluggedWire { inner, bytes_left: bytes }
    }

    fn check(&self) -> io::Result<()> {
        match self.bytes_left {
            0 => Err(io::Error::new(io::ErrorKind::BrokenPipe, "the bridge was unplugged")),
            _ => Ok(()),
        }
    }
}

impl Wire for UnpluggedWire {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        let carried = bytes.get(..self.bytes_left).unwrap_or(bytes);
        self.bytes_left -= carried.len();
        self.inner.send(carried)?;
        self.check()
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
