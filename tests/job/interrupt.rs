//! Ctrl-C, as the flag that it sets, over a wire with a delay: whenever it comes, the page in hand is finished, the chip runs, and the
//! port is free.

use super::workbench::{Command, Failure, Workbench, random_bytes, write};
use farrier::image::{ByteAddress, Image};
use farrier::job::JobError;
use farrier::link::{DelayedWire, Wire};
use farrier::time::{Moment, SharedClock};
use std::cell::Cell;
use std::io;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

const LATENCY: Duration = Duration::from_millis(20);

/// From the key to the end: what is in flight is finished, four lists of at most a quarter of a second, and the chip let go.
const SOON: Duration = Duration::from_millis(1_500);

/// A port: somebody presses Ctrl-C at a moment while it is used; and whether it is open.
struct Port {
    inner: Box<dyn Wire>,
    pressed_at: Moment,
    stop: Arc<AtomicBool>,
    open: Rc<Cell<bool>>,
}

impl Port {
    fn time_passes(&self) {
        if self.inner.clock().now() >= self.pressed_at {
            self.stop.store(true, Ordering::Relaxed);
        }
    }
}

impl Wire for Port {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.time_passes();
        self.inner.send(bytes)
    }

    fn receive(&mut self, into: &mut Vec<u8>, deadline: Moment) -> io::Result<()> {
        self.inner.receive(into, deadline)?;
        self.time_passes();
        Ok(())
    }

    fn clock(&self) -> SharedClock {
        self.inner.clock()
    }

    fn bytes_per_second(&self) -> u32 {
        self.inner.bytes_per_second()
    }
}

impl Drop for Port {
    fn drop(&mut self) {
        self.open.set(false);
    }
}

#[test]
fn ctrl_c_at_any_moment_leaves_the_chip_running_and_the_port_free() {
    let image = Image::of(ByteAddress(0), &random_bytes(4 << 10, 3));
    let intent = write(image);
    let (mut stopped, mut longest) = (0, Duration::ZERO);
    for step in 0.. {
        let pressed_at = Moment(Duration::from_millis(1 + 150 * step));
        let mut bench = Workbench::new("frost", 1);
        let (stop, open) = (Arc::new(AtomicBool::new(false)), Rc::new(Cell::new(true)));
        let delayed = Box::new(DelayedWire::new(bench.sim.wire(), LATENCY));
        let port = Port { inner: delayed, pressed_at, stop: stop.clone(), open: open.clone() };
        let command = Command { stop: &stop, ..Command::of(&intent).tagged("left") };
        let result = bench.run_over(Box::new(port), &command, &mut |_| {});
        assert!(!open.get(), "{pressed_at:?}: the port is still open");
        assert!(!bench.sim.in_reset(), "{pressed_at:?}: the chip is held in reset");
        assert_eq!(bench.sim.violations().count, 0, "{pressed_at:?}: {:?}", bench.sim.violations());
        for page in bench.sim.contents().flash.chunks(128).zip(image_pages(&intent)) {
            assert!(page.0 == page.1 || page.0.iter().all(|byte| *byte == 0xFF), "{pressed_at:?}: a page is half written");
        }
        let took = bench.sim.clock().now().since(pressed_at);
        match result {
            Err(Failure::Job(JobError::Interrupted)) => {
                stopped += 1;
                longest = longest.max(took);
                assert!(took < SOON, "{pressed_at:?}: stopped {took:?} later");
            }
            // Pressed when all was done already, or so nearly that the last step was in hand.
            Ok(_) => {
                assert!(took < SOON, "{pressed_at:?}: nobody listened");
                break;
            }
            Err(other) => panic!("{pressed_at:?}: {other}"),
        }
    }
    println!("{stopped} times stopped; the longest took {longest:?}");
    assert!(stopped > 30, "{stopped}");
}

/// What each page of the flash is to hold.
fn image_pages(intent: &farrier::plan::Intent) -> Vec<Vec<u8>> {
    let farrier::plan::ApplicationIntent::Write(named) = &intent.application else { panic!("it writes") };
    let whole = named.image.filled(farrier::image::Span::first(32 << 10), 0xFF);
    whole.chunks(128).map(<[u8]>::to_vec).collect()
}
