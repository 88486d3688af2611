//! HELLO: the first frames on a wire.

use super::Wire;
use crate::bus::BusError;
use crate::frame::{Answer, Decoder, Envelope, FRAME_BYTES_MAX, Hello, REACTION, Request, Sequence, VERSION, wire_bytes_max};
use crate::time::{Clock, Moment};
use std::time::Duration;

/// What operating systems and USB add to a round trip.
pub(super) const SLACK: Duration = Duration::from_millis(50);

/// A bridge on a serial port may begin anew when the port is opened, and take a while: HELLO is said for about 5 s.
const TRIES: u32 = 25;

/// How long these bytes take on the wire.
pub(super) fn travel(wire: &dyn Wire, bytes: usize) -> Duration {
    Duration::from_secs_f64(bytes as f64 / f64::from(wire.bytes_per_second().max(1)))
}

/// Says HELLO until a bridge answers.
///
/// # Errors
/// No answer, another protocol version, bytes that are no answer, or the wire's own.
pub(super) fn greet(wire: &mut dyn Wire) -> Result<Hello, BusError> {
    let clock = wire.clock();
    let begun = clock.now();
    let mut greeting = Greeting { mark: fresh_mark(begun), decoder: Decoder::new(FRAME_BYTES_MAX), odd: None };
    for _ in 0..TRIES {
        if let Some(hello) = greeting.say(wire, clock.as_ref())? {
            return Ok(hello);
        }
    }
    Err(match greeting.odd {
        Some(what) => BusError::Nonsense { what: format!("no answer to HELLO; the last that came was {what}") },
        None => BusError::NoAnswer { waited: clock.now().since(begun), tries: TRIES },
    })
}

struct Greeting {
    mark: u32,
    decoder: Decoder,
    /// The last thing that came and made no sense.
    odd: Option<String>,
}

impl Greeting {
    /// Says HELLO once, and listens for as long as the answer may take.
    fn say(&mut self, wire: &mut dyn Wire, clock: &dyn Clock) -> Result<Option<Hello>, BusError> {
        let request = Request::Hello { version: VERSION, mark: self.mark };
        let frame = sealed(&request, Sequence::default())?;
        // The zero in front ends whatever the bridge may have half of.
        let bytes = [&[0], frame.as_slice()].concat();
        wire.send(&bytes)?;
        let both_ways = bytes.len() + wire_bytes_max(128);
        let deadline = clock.now().plus(travel(wire, both_ways) + REACTION + SLACK);
        let mut arrived = Vec::new();
        while clock.now() < deadline {
            arrived.clear();
            wire.receive(&mut arrived, deadline)?;
            for byte in &arrived {
                match self.decoder.push(*byte) {
                    Some(Ok(envelope)) => match self.judge(&envelope)? {
                        Some(hello) => return Ok(Some(hello)),
                        None => continue,
                    },
                    Some(Err(damage)) => self.odd = Some(damage.to_string()),
                    None => {}
                }
            }
        }
        Ok(None)
    }

    /// The answer to this HELLO, if it is one. Answers to an earlier host may still come; they are passed over.
    fn judge(&mut self, envelope: &Envelope) -> Result<Option<Hello>, BusError> {
        match Answer::open(envelope) {
            Ok(Answer::OtherVersion { version }) => return Err(BusError::Version { found: version, expected: VERSION }),
            Ok(Answer::Hello(hello)) if hello.mark == self.mark => match envelope.sequence {
                Sequence(0) => return Ok(Some(hello)),
                // An earlier host's session happens to have this mark.
                _ => self.mark = self.mark.wrapping_add(1),
            },
            Ok(_) => {}
            Err(why) => self.odd = Some(why.to_string()),
        }
        Ok(None)
    }
}

/// A request as bytes on the wire.
///
/// # Errors
/// None for requests without operations, and none for operations that were checked.
pub(super) fn sealed(request: &Request, sequence: Sequence) -> Result<Vec<u8>, BusError> {
    match request.seal(sequence) {
        Ok(envelope) => Ok(envelope.to_wire()),
        Err(why) => Err(BusError::Nonsense { what: why.to_string() }),
    }
}

/// A number that another session hardly has: the time to the nanosecond.
fn fresh_mark(now: Moment) -> u32 {
    let nanoseconds = now.0.as_nanos();
    (nanoseconds ^ nanoseconds >> 32) as u32
}
