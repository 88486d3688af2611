//! A wire whose frames are told in words as they pass.

use super::Wire;
use crate::frame::{Decoder, FRAME_BYTES_MAX, Show};
use crate::time::{Moment, SharedClock};
use std::io;

/// A trace over any wire: a line for each frame, without a line end, such as `    0.012345 s > #3 RUN reset low; wait 20ms`.
/// `>` goes to the bridge, `<` comes from it. The moment of a frame that goes out is that of its sending, not of its arrival.
pub struct TracedWire<T> {
    inner: Box<dyn Wire>,
    tell: T,
    out: Decoder,
    back: Decoder,
}

impl<T: FnMut(&str)> TracedWire<T> {
    #[must_use]
    pub fn new(inner: Box<dyn Wire>, tell: T) -> TracedWire<T> {
        TracedWire { inner, tell, out: Decoder::new(FRAME_BYTES_MAX), back: Decoder::new(FRAME_BYTES_MAX) }
    }
}

/// Tells the frames that end in these bytes.
fn tell_frames(tell: &mut impl FnMut(&str), decoder: &mut Decoder, at: Moment, way: char, bytes: &[u8]) {
    for result in bytes.iter().filter_map(|byte| decoder.push(*byte)) {
        let words = match result {
            Ok(envelope) => Show(&envelope).to_string(),
            Err(damage) => format!("damaged: {damage}"),
        };
        tell(&format!("{:12.6} s {way} {words}", at.0.as_secs_f64()));
    }
}

impl<T: FnMut(&str)> Wire for TracedWire<T> {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        tell_frames(&mut self.tell, &mut self.out, self.inner.clock().now(), '>', bytes);
        self.inner.send(bytes)
    }

    fn receive(&mut self, into: &mut Vec<u8>, deadline: Moment) -> io::Result<()> {
        let before = into.len();
        self.inner.receive(into, deadline)?;
        let arrived = into.get(before..).unwrap_or_default();
        tell_frames(&mut self.tell, &mut self.back, self.inner.clock().now(), '<', arrived);
        Ok(())
    }

    fn clock(&self) -> SharedClock {
        self.inner.clock()
    }

    fn bytes_per_second(&self) -> u32 {
        self.inner.bytes_per_second()
    }
}
