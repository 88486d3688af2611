//! A wire that loses, changes and repeats what it carries, both ways, by a seed.

use super::Wire;
use crate::time::{Moment, SharedClock};
use std::io;

/// How often what happens: once in so many, at random; 0 for never.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Noise {
    /// What lies between two zero bytes is lost as a whole.
    pub lose_frame_in: u32,
    /// It arrives twice.
    pub repeat_frame_in: u32,
    /// A byte is lost.
    pub lose_byte_in: u32,
    /// A byte becomes another one.
    pub change_byte_in: u32,
    /// A byte arrives twice.
    pub double_byte_in: u32,
}

impl Noise {
    /// None at all.
    pub const NONE: Noise = Noise { lose_frame_in: 0, repeat_frame_in: 0, lose_byte_in: 0, change_byte_in: 0, double_byte_in: 0 };

    /// One byte in so many is lost, one changed, one doubled.
    #[must_use]
    pub const fn bytes(one_in: u32) -> Noise {
        Noise { lose_byte_in: one_in, change_byte_in: one_in, double_byte_in: one_in, ..Noise::NONE }
    }
}

/// Noise over any wire.
pub struct NoisyWire {
    inner: Box<dyn Wire>,
    noise: Noise,
    random: fastrand::Rng,
}

impl NoisyWire {
    #[must_use]
    pub fn new(inner: Box<dyn Wire>, noise: Noise, seed: u64) -> NoisyWire {
        NoisyWire { inner, noise, random: fastrand::Rng::with_seed(seed) }
    }

    fn happens(&mut self, once_in: u32) -> bool {
        once_in > 0 && self.random.u32(0..once_in) == 0
    }

    fn disturbed(&mut self, bytes: &[u8]) -> Vec<u8> {
        let mut out = Vec::new();
        for frame in bytes.split_inclusive(|byte| *byte == 0) {
            if self.happens(self.noise.lose_frame_in) {
                continue;
            }
            let times = if self.happens(self.noise.repeat_frame_in) { 2 } else { 1 };
            for byte in frame.repeat(times) {
                if self.happens(self.noise.lose_byte_in) {
                    continue;
                }
                let changed = self.happens(self.noise.change_byte_in);
                let byte = if changed { byte ^ self.random.u8(1..) } else { byte };
                let times = if self.happens(self.noise.double_byte_in) { 2 } else { 1 };
                out.extend(std::iter::repeat_n(byte, times));
            }
        }
        out
    }
}

impl Wire for NoisyWire {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        let disturbed = self.disturbed(bytes);
        self.inner.send(&disturbed)
    }

    fn receive(&mut self, into: &mut Vec<u8>, deadline: Moment) -> io::Result<()> {
        let before = into.len();
        loop {
            let mut arrived = Vec::new();
            self.inner.receive(&mut arrived, deadline)?;
            let disturbed = self.disturbed(&arrived);
            into.extend(disturbed);
            if into.len() > before || self.clock().now() >= deadline {
                return Ok(());
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
