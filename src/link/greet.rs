//! HELLO: the first frames on a wire.

use super::Wire;
use crate::bus::BusError;
use crate::frame::{Answer, Decoder, Envelope, FRAME_BYTES_MAX, Hello, REACTION, Request, Sequence, VERSION, wire_bytes_max};
use crate::time::{Moment, SharedClock};
use std::io;
use std::ops::ControlFlow;
use std::time::Duration;

/// What operating systems and USB add to a round trip.
pub(super) const SLACK: Duration = Duration::from_millis(50);

/// A bridge on a serial port may begin anew when the port is opened, and take a while: HELLO is said for about 5 s.
const TRIES: u32 = 25;

/// How long these bytes take on the wire.
pub(super) fn travel(wire: &dyn Wire, bytes: usize) -> Duration {
    Duration::from_secs_f64(bytes as f64 / f64::from(wire.bytes_per_second().max(1)))
}

/// A wire whose speed can be set, and must be known to both ends.
pub trait SpeedWire: Wire {
    /// Sets the speed in baud, and drops what has arrived.
    ///
    /// # Errors
    /// The port does not go at that speed, or is gone.
    fn set_speed(&mut self, baud: u32) -> io::Result<()>;
}

/// Told after each HELLO without an answer how long that has gone on. Says whether to go on; a bridge that begins anew later is waited for
/// in the same way.
pub type Waiting = Box<dyn FnMut(Duration) -> ControlFlow<()>>;

/// Says HELLO until a bridge answers.
///
/// # Errors
/// No answer, asked to stop, another protocol version, bytes that are no answer, or the wire's own.
pub(super) fn greet(wire: &mut dyn Wire, waiting: &mut Waiting) -> Result<Hello, BusError> {
    let mut greeting = Greeting::begin(wire.clock());
    for _ in 0..TRIES {
        if let Some(hello) = greeting.say(wire)? {
            return Ok(hello);
        }
        greeting.go_on(waiting)?;
    }
    Err(greeting.give_up())
}

/// Says HELLO at one speed after another, again and again, until a bridge answers; the wire stays at that speed. A bridge that hears
/// it at a wrong speed hears a damaged frame, which does nothing.
///
/// # Errors
/// As [`greet`]; and when the port goes at none of the speeds.
pub(super) fn greet_at(wire: &mut dyn SpeedWire, speeds: &[u32], waiting: &mut Waiting) -> Result<Hello, BusError> {
    let mut greeting = Greeting::begin(wire.clock());
    let mut speeds = speeds.to_vec();
    while greeting.tries < TRIES {
        let mut unwilling = None;
        for baud in std::mem::take(&mut speeds) {
            match wire.set_speed(baud) {
                Ok(()) => speeds.push(baud),
                Err(error) => {
                    unwilling = Some(error);
                    continue;
                }
            }
            greeting.decoder = Decoder::new(FRAME_BYTES_MAX);
            if let Some(hello) = greeting.say(wire)? {
                return Ok(hello);
            }
            greeting.go_on(waiting)?;
        }
        if speeds.is_empty() {
            return Err(unwilling.map_or_else(|| greeting.give_up(), BusError::Wire));
        }
    }
    Err(greeting.give_up())
}

struct Greeting {
    clock: SharedClock,
    begun: Moment,
    tries: u32,
    mark: u32,
    decoder: Decoder,
    /// The last thing that came and made no sense.
    odd: Option<String>,
}

impl Greeting {
    fn begin(clock: SharedClock) -> Greeting {
        let begun = clock.now();
        Greeting { clock, begun, tries: 0, mark: fresh_mark(begun), decoder: Decoder::new(FRAME_BYTES_MAX), odd: None }
    }

    fn lasted(&self) -> Duration {
        self.clock.now().since(self.begun)
    }

    fn go_on(&self, waiting: &mut Waiting) -> Result<(), BusError> {
        let waited = self.lasted();
        match waiting(waited) {
            ControlFlow::Continue(()) => Ok(()),
            ControlFlow::Break(()) => Err(BusError::Stopped { waited }),
        }
    }

    fn give_up(self) -> BusError {
        match self.odd {
            Some(what) => BusError::Nonsense { what: format!("no answer to HELLO; the last that came was {what}") },
            None => BusError::NoAnswer { waited: self.lasted(), tries: self.tries },
        }
    }

    /// Says HELLO once, and listens for as long as the answer may take.
    fn say(&mut self, wire: &mut dyn Wire) -> Result<Option<Hello>, BusError> {
        self.tries += 1;
        let request = Request::Hello { version: VERSION, mark: self.mark };
        let frame = sealed(&request, Sequence::default())?;
        // The zero in front ends whatever the bridge may have half of.
        let bytes = [&[0], frame.as_slice()].concat();
        wire.send(&bytes)?;
        let both_ways = bytes.len() + wire_bytes_max(128);
        let deadline = self.clock.now().plus(travel(wire, both_ways) + REACTION + SLACK);
        let mut arrived = Vec::new();
        while self.clock.now() < deadline {
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
                _ => self.mark = self.mark.wrapping_add(1).max(1),
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

/// A number that another session hardly has: the time to the nanosecond. Not 0, which stands in a HELLO that nobody asked for.
fn fresh_mark(now: Moment) -> u32 {
    let nanoseconds = now.0.as_nanos();
    ((nanoseconds ^ nanoseconds >> 32) as u32).max(1)
}
