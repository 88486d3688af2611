//! A program that is killed: from one call of the wire on, nothing of it runs any more.

use farrier::link::Wire;
use farrier::time::{Moment, SharedClock};
use std::cell::Cell;
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::rc::Rc;

/// What goes up the stack of a killed program.
struct Killed;

/// Any wire, and the moment at which the program that uses it is killed.
pub struct KilledWire {
    inner: Box<dyn Wire>,
    calls: Rc<Cell<u64>>,
    at: u64,
}

impl KilledWire {
    /// Killed at this call, counted from 1; half of what it would send has gone out.
    pub fn at_call(inner: Box<dyn Wire>, at: u64) -> KilledWire {
        KilledWire { inner, calls: Rc::default(), at }
    }

    pub fn never(inner: Box<dyn Wire>) -> KilledWire {
        KilledWire::at_call(inner, u64::MAX)
    }

    /// The calls so far, to be looked at afterwards.
    pub fn calls(&self) -> Rc<Cell<u64>> {
        Rc::clone(&self.calls)
    }

    /// Counts a call; whether it is the last.
    fn last(&self) -> bool {
        self.calls.set(self.calls.get() + 1);
        self.calls.get() == self.at
    }
}

impl Wire for KilledWire {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        if self.last() {
            self.inner.send(&bytes[..bytes.len() / 2])?;
            // Not a panic: no hook hears of it, as nothing of a killed program does.
            resume_unwind(Box::new(Killed));
        }
        self.inner.send(bytes)
    }

    fn receive(&mut self, into: &mut Vec<u8>, deadline: Moment) -> io::Result<()> {
        if self.last() {
            resume_unwind(Box::new(Killed));
        }
        self.inner.receive(into, deadline)
    }

    fn clock(&self) -> SharedClock {
        self.inner.clock()
    }

    fn bytes_per_second(&self) -> u32 {
        self.inner.bytes_per_second()
    }
}

/// Runs a program over such a wire: what it gave, or nothing where it was killed.
pub fn killed<T>(program: impl FnOnce() -> T) -> Option<T> {
    match catch_unwind(AssertUnwindSafe(program)) {
        Ok(result) => Some(result),
        Err(why) if why.is::<Killed>() => None,
        Err(panic) => resume_unwind(panic),
    }
}
