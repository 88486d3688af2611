//! Time as a handle: the host's own, or the sim's virtual one. Timeouts and retries use nothing else.

use serde::{Deserialize, Serialize};
use std::cell::Cell;
use std::rc::Rc;
use std::time::{Duration, Instant};

/// A point in time, counted from an origin that the clock chose. Moments of two clocks do not compare.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Default, Serialize, Deserialize)]
pub struct Moment(pub Duration);

impl Moment {
    /// The moment `after` later than this one.
    pub fn plus(self, after: Duration) -> Moment {
        Moment(self.0.saturating_add(after))
    }

    /// How long this moment is after `earlier`; zero where it is not.
    pub fn since(self, earlier: Moment) -> Duration {
        self.0.saturating_sub(earlier.0)
    }
}

/// What tells the time and waits.
pub trait Clock {
    /// The present moment. Never goes back.
    fn now(&self) -> Moment;
    /// Returns once `until` has come; at once where it has passed.
    fn wait_until(&self, until: Moment);
}

/// A clock that several parts hold.
pub type SharedClock = Rc<dyn Clock>;

/// A sleep ends late by about this much, on a system with little else to do. So the end of a wait is spent looking at the time: SPI on
/// plain lines waits for microseconds.
const SLEEP_IS_LATE: Duration = Duration::from_micros(200);

/// The host's monotonic time.
pub struct HostClock {
    started: Instant,
    /// What the clock showed then. A random part of a few seconds, so that two processes hardly ever show the same nanosecond.
    origin: Duration,
}

impl HostClock {
    /// A clock that counts from now on.
    pub fn start() -> HostClock {
        HostClock { started: Instant::now(), origin: Duration::from_nanos(fastrand::u32(..).into()) }
    }
}

impl Clock for HostClock {
    fn now(&self) -> Moment {
        Moment(self.origin + self.started.elapsed())
    }

    fn wait_until(&self, until: Moment) {
        let left = until.since(self.now());
        if left > SLEEP_IS_LATE {
            std::thread::sleep(left - SLEEP_IS_LATE);
        }
        while self.now() < until {
            std::hint::spin_loop();
        }
    }
}

/// The sim's time: it moves only when somebody waits, and then at once.
#[derive(Default)]
pub struct VirtualClock(Cell<Moment>);

impl Clock for VirtualClock {
    fn now(&self) -> Moment {
        self.0.get()
    }

    fn wait_until(&self, until: Moment) {
        self.0.set(self.0.get().max(until));
    }
}
