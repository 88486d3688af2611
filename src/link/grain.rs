//! How large frames are made: large ones cost fewer bytes, small ones get through where bytes are lost.
//!
//! Begins with the largest block that every bridge takes, doubles while all goes well, halves at a loss, and from the first loss on
//! grows by a fixed step for each frame that got through. So it settles near the square root of the bytes between two losses, which is
//! where frames and repetitions together cost least.

use crate::frame::{ENVELOPE_BYTES, OPERATION_OVERHEAD_MAX};

/// What a frame's body may hold at first: a block of 256 bytes and what stands around it.
const FIRST: usize = 256 + OPERATION_OVERHEAD_MAX;
/// Smaller ones would be envelope for the most part.
const LEAST: usize = 64;
/// So many frames of about the present size must get through before it is doubled.
const CLEAN: u32 = 4;
/// After a loss: grows by so many bytes a frame.
const STEP: usize = 16;

/// The size that frame bodies should have now.
pub(super) struct Grain {
    bytes: usize,
    most: usize,
    clean: u32,
    hurt: bool,
}

impl Grain {
    /// For a bridge with this largest frame.
    pub fn of(frame_bytes: u32) -> Grain {
        let most = body_bytes(frame_bytes);
        Grain { bytes: FIRST.min(most), most, clean: 0, hurt: false }
    }

    /// The same knowledge for a bridge that may have another largest frame.
    pub fn within(&self, frame_bytes: u32) -> Grain {
        let most = body_bytes(frame_bytes);
        Grain { bytes: self.bytes.min(most), most, ..*self }
    }

    /// Bytes of a body.
    pub fn bytes(&self) -> usize {
        self.bytes
    }

    /// Whether frames have been lost.
    pub fn is_hurt(&self) -> bool {
        self.hurt
    }

    /// A frame with a body of so many bytes got through at once. A much smaller one says nothing.
    pub fn got_through(&mut self, bytes: usize) {
        if bytes * 2 < self.bytes {
            return;
        }
        self.clean += 1;
        if self.hurt {
            self.bytes += STEP;
        } else if self.clean >= CLEAN {
            (self.bytes, self.clean) = (self.bytes * 2, 0);
        }
        self.bytes = self.bytes.min(self.most);
    }

    /// A frame was lost or damaged.
    pub fn lost_one(&mut self) {
        self.hurt = true;
        self.bytes = (self.bytes / 2).max(LEAST).min(self.most);
    }
}

fn body_bytes(frame_bytes: u32) -> usize {
    (frame_bytes as usize).saturating_sub(ENVELOPE_BYTES)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_doubles_up_to_the_bridges_limit_while_all_goes_well() {
        let mut grain = Grain::of(2048);
        let mut sizes = vec![grain.bytes()];
        for _ in 0..40 {
            grain.got_through(grain.bytes());
            sizes.push(grain.bytes());
        }
        sizes.dedup();
        assert_eq!(sizes, [320, 640, 1280, 2044]);
        assert_eq!(Grain::of(250).bytes(), 246, "no frame is larger than the bridge's largest");
    }

    #[test]
    fn small_frames_say_nothing_about_large_ones() {
        let mut grain = Grain::of(2048);
        (0..1000).for_each(|_| grain.got_through(159));
        assert_eq!(grain.bytes(), 320);
    }

    #[test]
    fn it_settles_where_the_losses_put_it() {
        // The mean over a long run at a loss in so many bytes, by simulation.
        let settled = |one_in: usize| {
            let mut random = fastrand::Rng::with_seed(1);
            let mut grain = Grain::of(4095);
            let mut sum = 0;
            for _ in 0..20_000 {
                let lost = (0..grain.bytes()).any(|_| random.usize(0..one_in) == 0);
                if lost {
                    grain.lost_one()
                } else {
                    grain.got_through(grain.bytes())
                }
                sum += grain.bytes();
            }
            sum / 20_000
        };
        assert!((64..100).contains(&settled(100)), "{}", settled(100));
        assert!((80..160).contains(&settled(400)), "{}", settled(400));
        assert!((500..1100).contains(&settled(20_000)), "{}", settled(20_000));
    }
}
