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
    there: Passing,
    back: Passing,
}

/// The frame that is passing in one direction; it may come in several chunks.
#[derive(Default)]
struct Passing {
    begun: bool,
    lost: bool,
    /// What of it has come, where it is to arrive twice.
    again: Option<Vec<u8>>,
}

impl NoisyWire {
    #[must_use]
    pub fn new(inner: Box<dyn Wire>, noise: Noise, seed: u64) -> NoisyWire {
        let random = fastrand::Rng::with_seed(seed);
        NoisyWire { inner, noise, random, there: Passing::default(), back: Passing::default() }
    }
}

fn happens(random: &mut fastrand::Rng, once_in: u32) -> bool {
    once_in > 0 && random.u32(0..once_in) == 0
}

impl Passing {
    /// What becomes of the bytes that come next.
    fn disturbed(&mut self, noise: &Noise, random: &mut fastrand::Rng, bytes: &[u8]) -> Vec<u8> {
        let mut out = Vec::new();
        for byte in bytes {
            if !self.begun {
                self.begun = true;
                self.lost = happens(random, noise.lose_frame_in);
                self.again = happens(random, noise.repeat_frame_in).then(Vec::new);
            }
            if !self.lost {
                disturb(noise, random, *byte, &mut out);
            }
            if let Some(again) = &mut self.again {
                again.push(*byte);
            }
            if *byte == 0 {
                let again = std::mem::take(self).again.unwrap_or_default();
                again.iter().for_each(|byte| disturb(noise, random, *byte, &mut out));
            }
        }
        out
    }
}

/// One byte, as it arrives.
fn disturb(noise: &Noise, random: &mut fastrand::Rng, byte: u8, out: &mut Vec<u8>) {
    if happens(random, noise.lose_byte_in) {
        return;
    }
    let byte = if happens(random, noise.change_byte_in) { byte ^ random.u8(1..) } else { byte };
    let times = if happens(random, noise.double_byte_in) { 2 } else { 1 };
    out.extend(std::iter::repeat_n(byte, times));
}

impl Wire for NoisyWire {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        let disturbed = self.there.disturbed(&self.noise, &mut self.random, bytes);
        self.inner.send(&disturbed)
    }

    fn receive(&mut self, into: &mut Vec<u8>, deadline: Moment) -> io::Result<()> {
        let before = into.len();
        loop {
            let mut arrived = Vec::new();
            self.inner.receive(&mut arrived, deadline)?;
            let disturbed = self.back.disturbed(&self.noise, &mut self.random, &arrived);
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
