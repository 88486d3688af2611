//! The bridge protocol as values and bytes: what host and bridge share. Pure: no wire, no time.
//!
//! `hardware-notes/bridge-protocol.md` is the definition; this module follows it.
//!
//! ```text
//! Request, Answer      messages, with the operations and replies of `bus` inside
//! Envelope, Decoder    kind, sequence number, body, CRC-16; stuffed and ended by a zero byte
//! Session              the bridge's side of the rule that a request is carried out at most once
//! Repetitions          a pattern written out, for whoever carries it out
//! ```

mod envelope;
mod fields;
mod message;
mod operation;
mod pattern;
mod reply;
mod session;
mod show;

pub use envelope::{Damage, Decoder, ENVELOPE_BYTES, Envelope, Sequence, wire_bytes_max};
pub use fields::Malformed;
pub use message::{Answer, Hello, Request};
pub use operation::{BadOperation, block_bytes, check, encoded_bytes, reply_bytes_max};
pub use pattern::{BadPattern, Captured, Repetitions};
pub use session::{Heard, Session};
pub use show::Show;

use std::time::Duration;

/// The protocol's version. Both sides must speak the same one.
pub const VERSION: u16 = 1;

/// The largest window that sequence numbers of one byte allow here.
pub const WINDOW_MAX: u8 = 64;

/// The largest frame that a bridge may have: up to here the CRC-16 finds any three wrong bits.
pub const FRAME_BYTES_MAX: usize = 4095;

/// A bridge answers ASK, and sees a gap or damage, within this time, even while it works.
pub const REACTION: Duration = Duration::from_millis(100);

/// A bridge that has no work and has heard no frame for this long lets go of the board and ends the session.
pub const SILENCE: Duration = Duration::from_secs(5);

/// What an operation costs in a frame besides its block, at most. A bridge's largest frame holds its largest block and this.
pub const OPERATION_OVERHEAD_MAX: usize = 64;
