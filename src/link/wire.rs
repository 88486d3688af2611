//! What carries bytes to a bridge and back.

use crate::time::{Moment, SharedClock};
use std::io;

/// A two-way stream of bytes. It promises nothing about loss or damage: the frames on it do.
pub trait Wire {
    /// Sends bytes; may return before they have arrived.
    ///
    /// # Errors
    /// When the connection is gone.
    fn send(&mut self, bytes: &[u8]) -> io::Result<()>;

    /// Appends what has arrived to `into`. Waits for the first byte, until `deadline` of [`Wire::clock`] at the longest; then
    /// `into` is unchanged.
    ///
    /// # Errors
    /// When the connection is gone.
    fn receive(&mut self, into: &mut Vec<u8>, deadline: Moment) -> io::Result<()>;

    /// The clock that this wire lives by.
    fn clock(&self) -> SharedClock;

    /// Bytes a second that the wire carries each way, for time-outs and estimates.
    fn bytes_per_second(&self) -> u32;
}
