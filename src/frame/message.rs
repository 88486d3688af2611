//! What host and bridge say to each other.

use super::envelope::{Envelope, Sequence};
use super::fields::{Malformed, Reader, put_block, put_number};
use super::operation::{self, BadOperation};
use super::reply;
use super::{ENVELOPE_BYTES, FRAME_BYTES_MAX, OPERATION_OVERHEAD_MAX, VERSION, WINDOW_MAX};
use crate::bus::{Abilities, Operation, Reply, Why};
use crate::units::Hertz;

const HELLO: u8 = 0x01;
const RUN: u8 = 0x02;
const CLEAR: u8 = 0x03;
const ASK: u8 = 0x04;

const HELLO_ANSWER: u8 = 0x81;
const REPLIES: u8 = 0x82;
const FAILED: u8 = 0x83;
const NOT_BEGUN: u8 = 0x84;
const WORKING: u8 = 0x85;
const AGAIN: u8 = 0x86;
const HELLO_FIRST: u8 = 0x87;

const NAME_CHARACTERS_MAX: usize = 32;

/// From host to bridge. RUN and CLEAR have a place in the sequence; HELLO has none, and ASK names the one that it asks about.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Request {
    /// Opens a session. `mark` tells this host from another; the answer repeats it.
    Hello { version: u16, mark: u32 },
    /// Carry out these operations.
    Run(Vec<Operation>),
    /// Forget that a list has failed: begin later ones again.
    Clear,
    /// Say what became of the request of this sequence number.
    Ask,
}

/// From bridge to host. The envelope's sequence number is that of the request, except where noted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    /// To HELLO; the sequence number is the one that the bridge expects next.
    Hello(Hello),
    /// To HELLO, by a bridge of another protocol version; nothing else of it can be understood.
    OtherVersion { version: u16 },
    /// Everything was carried out. To CLEAR: no replies.
    Replies(Vec<Reply>),
    /// An operation, counted from 0, failed; those before it were carried out, those after it not.
    Failed { operation: u32, why: Why },
    /// Not begun, because an earlier list had failed.
    NotBegun,
    /// To ASK or a repeated request: it has arrived, and its answer will follow.
    Working,
    /// Something was lost: send the request of this sequence number, and those after it, again.
    Again,
    /// There is no session.
    HelloFirst,
}

/// What a bridge says of itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Hello {
    /// The host's own, repeated.
    pub mark: u32,
    /// Another number whenever the bridge began anew, or let go of the board by itself.
    pub start: u32,
    /// How many requests may be unanswered: 1 to [`WINDOW_MAX`].
    pub window: u8,
    /// The largest frame, either way, before stuffing, with the CRC.
    pub frame_bytes: u32,
    pub abilities: Abilities,
}

impl Request {
    /// Puts the request into a frame.
    ///
    /// # Errors
    /// An operation that no bridge could carry out.
    pub fn seal(&self, sequence: Sequence) -> Result<Envelope, BadOperation> {
        let mut body = Vec::new();
        let kind = match self {
            Request::Hello { version, mark } => {
                body.extend(version.to_be_bytes());
                body.extend(mark.to_be_bytes());
                HELLO
            }
            Request::Run(operations) => {
                operations.iter().try_for_each(|operation| operation::put(&mut body, operation))?;
                RUN
            }
            Request::Clear => CLEAR,
            Request::Ask => ASK,
        };
        Ok(Envelope { kind, sequence, body })
    }

    /// Reads a frame that came from a host.
    ///
    /// # Errors
    /// What makes no sense; [`Malformed::Operation`] for a RUN, whose sequence number counts nevertheless.
    pub fn open(envelope: &Envelope) -> Result<Request, Malformed> {
        let mut reader = Reader::new(&envelope.body);
        let request = match envelope.kind {
            HELLO => {
                let version = u16::from_be_bytes(reader.array("version")?);
                if version != VERSION {
                    return Ok(Request::Hello { version, mark: 0 });
                }
                Request::Hello { version, mark: u32::from_be_bytes(reader.array("mark")?) }
            }
            RUN => Request::Run(take_operations(&mut reader)?),
            CLEAR => Request::Clear,
            ASK => Request::Ask,
            kind => return Err(Malformed::Kind(kind)),
        };
        reader.end()?;
        Ok(request)
    }
}

impl Answer {
    /// Puts the answer into a frame.
    #[must_use]
    pub fn seal(&self, sequence: Sequence) -> Envelope {
        let mut body = Vec::new();
        let kind = match self {
            Answer::Hello(hello) => {
                hello.put(&mut body);
                HELLO_ANSWER
            }
            Answer::OtherVersion { version } => {
                body.extend(version.to_be_bytes());
                HELLO_ANSWER
            }
            Answer::Replies(replies) => {
                replies.iter().for_each(|reply| reply::put(&mut body, reply));
                REPLIES
            }
            Answer::Failed { operation, why } => {
                put_number(&mut body, *operation);
                reply::put_why(&mut body, why);
                FAILED
            }
            Answer::NotBegun => NOT_BEGUN,
            Answer::Working => WORKING,
            Answer::Again => AGAIN,
            Answer::HelloFirst => HELLO_FIRST,
        };
        Envelope { kind, sequence, body }
    }

    /// Reads a frame that came from a bridge.
    ///
    /// # Errors
    /// What makes no sense.
    pub fn open(envelope: &Envelope) -> Result<Answer, Malformed> {
        let mut reader = Reader::new(&envelope.body);
        let answer = match envelope.kind {
            HELLO_ANSWER => match u16::from_be_bytes(reader.array("version")?) {
                VERSION => Answer::Hello(Hello::take(&mut reader)?),
                version => return Ok(Answer::OtherVersion { version }),
            },
            REPLIES => {
                let mut replies = Vec::new();
                while !reader.is_empty() {
                    replies.push(reply::take(&mut reader)?);
                }
                Answer::Replies(replies)
            }
            FAILED => Answer::Failed { operation: reader.number("operation")?, why: reply::take_why(&mut reader)? },
            NOT_BEGUN => Answer::NotBegun,
            WORKING => Answer::Working,
            AGAIN => Answer::Again,
            HELLO_FIRST => Answer::HelloFirst,
            kind => return Err(Malformed::Kind(kind)),
        };
        reader.end()?;
        Ok(answer)
    }
}

impl Hello {
    fn put(&self, into: &mut Vec<u8>) {
        let Abilities { name, spi_clock_min, spi_clock_max, block_bytes, pin_level, .. } = &self.abilities;
        into.extend(VERSION.to_be_bytes());
        into.extend(self.mark.to_be_bytes());
        into.extend(self.start.to_be_bytes());
        into.push(self.window);
        put_number(into, self.frame_bytes);
        put_number(into, *block_bytes);
        put_number(into, spi_clock_min.0);
        put_number(into, spi_clock_max.0);
        put_number(into, u32::from(pin_level.0));
        into.push(flags(&self.abilities));
        let name: String = name.chars().take(NAME_CHARACTERS_MAX).collect();
        put_block(into, name.as_bytes());
    }

    /// Everything after the version.
    fn take(reader: &mut Reader) -> Result<Hello, Malformed> {
        let mark = u32::from_be_bytes(reader.array("mark")?);
        let start = u32::from_be_bytes(reader.array("start number")?);
        let window = reader.byte("window")?;
        let frame_bytes = reader.number("largest frame")?;
        let block_bytes = reader.number("largest block")?;
        let spi_clock_min = Hertz(reader.number("slowest SPI clock")?);
        let spi_clock_max = Hertz(reader.number("fastest SPI clock")?);
        let pin_level = reply::take_millivolts(reader, "pin level")?;
        let flags = reader.byte("abilities")?;
        let name = String::from_utf8_lossy(reader.block("name")?).into_owned();
        // Whatever a bridge calls itself, it is shown at a terminal.
        let name = name.chars().filter(|character| !character.is_control()).take(NAME_CHARACTERS_MAX).collect();
        let ability = |bit: u8| flags & 1 << bit != 0;
        let (measures_supply, clock_output, switches_power, simulated) = (ability(0), ability(1), ability(2), ability(3));
        let abilities = Abilities {
            name,
            spi_clock_min,
            spi_clock_max,
            block_bytes,
            pin_level,
            measures_supply,
            clock_output,
            switches_power,
            simulated,
        };
        let hello = Hello { mark, start, window, frame_bytes, abilities };
        hello.check(flags).map(|()| hello)
    }

    /// The limits that a host relies on.
    fn check(&self, flags: u8) -> Result<(), Malformed> {
        let abilities = &self.abilities;
        let room = u64::from(abilities.block_bytes) + (OPERATION_OVERHEAD_MAX + ENVELOPE_BYTES) as u64;
        let wrong = |field, value| Err(Malformed::Value { field, value });
        match self {
            _ if !(1..=WINDOW_MAX).contains(&self.window) => wrong("window", u32::from(self.window)),
            _ if abilities.block_bytes < 256 => wrong("largest block", abilities.block_bytes),
            _ if u64::from(self.frame_bytes) < room || self.frame_bytes as usize > FRAME_BYTES_MAX => {
                wrong("largest frame", self.frame_bytes)
            }
            _ if abilities.spi_clock_min.0 == 0 => wrong("slowest SPI clock", 0),
            _ if abilities.spi_clock_max < abilities.spi_clock_min => wrong("fastest SPI clock", abilities.spi_clock_max.0),
            _ if flags >> 4 != 0 => wrong("abilities", u32::from(flags)),
            _ => Ok(()),
        }
    }
}

fn flags(abilities: &Abilities) -> u8 {
    let &Abilities { measures_supply, clock_output, switches_power, simulated, .. } = abilities;
    u8::from(measures_supply) | u8::from(clock_output) << 1 | u8::from(switches_power) << 2 | u8::from(simulated) << 3
}

fn take_operations(reader: &mut Reader) -> Result<Vec<Operation>, Malformed> {
    let mut operations = Vec::new();
    while !reader.is_empty() {
        let index = operations.len();
        operations.push(operation::take(reader).map_err(|why| Malformed::Operation { index, why: Box::new(why) })?);
    }
    Ok(operations)
}
