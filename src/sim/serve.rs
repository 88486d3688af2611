//! The simulated bridge for other programs: over any stream of bytes, and in real time. The board's virtual time follows the
//! computer's, so that a write takes as long as in silicon, and a bridge whose host is silent lets the board go when it should.

use super::bridge::SimBridge;
use super::handle::Sim;
use crate::frame::SILENCE;
use crate::link::{BridgeEnd, FarEnd};
use crate::time::{Clock, HostClock, Moment};
use std::io::{self, Read, Write};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{self, RecvTimeoutError, Sender};
use std::thread;
use std::time::Duration;

/// How often `stop` is looked at.
const LOOK_EVERY: Duration = Duration::from_millis(50);

/// A simulated bridge that is served. Its session outlives the streams that it is reached through.
pub struct Served {
    far: BridgeEnd<SimBridge>,
    clock: HostClock,
    /// What the clock showed when the board's time began.
    begun: Moment,
}

impl Sim {
    /// Begins to serve the bridge of this board, for real time.
    #[must_use]
    pub fn serve(&self) -> Served {
        let clock = HostClock::start();
        let begun = clock.now();
        Served { far: self.bridge_end(), clock, begun }
    }
}

impl Served {
    fn now(&self) -> Moment {
        Moment(self.clock.now().since(self.begun))
    }

    /// Talks over a stream until it ends, or `stop` is set. The two may be clones of one stream; `reader` is read in a thread of its
    /// own, which ends when the reader gives no bytes, or an error.
    ///
    /// # Errors
    /// The writer's.
    pub fn talk(&mut self, reader: impl Read + Send + 'static, writer: &mut dyn Write, stop: &AtomicBool) -> io::Result<()> {
        let (sender, arrived) = mpsc::channel();
        thread::spawn(move || pass_on(reader, &sender));
        while !stop.load(Ordering::Relaxed) {
            let now = self.now();
            while let Some((_, bytes)) = self.far.take_output(now) {
                writer.write_all(&bytes)?;
                writer.flush()?;
            }
            let wait = self.far.next_event().map_or(LOOK_EVERY, |event| event.since(now).min(LOOK_EVERY));
            match arrived.recv_timeout(wait) {
                Ok(bytes) => self.far.deliver(self.now(), &bytes),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return Ok(()),
            }
        }
        Ok(())
    }

    /// Nobody is connected: waits for a moment, and lets happen what happens by itself.
    pub fn rest(&mut self) {
        self.clock.wait_until(self.clock.now().plus(LOOK_EVERY));
        while self.far.take_output(self.now()).is_some() {}
    }

    /// The host is gone for good: the bridge ends its work and lets the board go, without the wait.
    pub fn let_go(&mut self) {
        let until = |far: &BridgeEnd<SimBridge>, now: Moment| far.next_event().filter(|at| at.since(now) <= SILENCE);
        while let Some(at) = until(&self.far, self.now()) {
            self.far.take_output(at);
        }
    }
}

/// Reads until nothing more comes, or nobody wants it any more.
fn pass_on(mut reader: impl Read, sender: &Sender<Vec<u8>>) {
    let mut buffer = [0; 4096];
    loop {
        match reader.read(&mut buffer) {
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Ok(0) | Err(_) => return,
            Ok(count) => {
                let bytes = buffer.iter().take(count).copied().collect();
                if sender.send(bytes).is_err() {
                    return;
                }
            }
        }
    }
}
