//! Carrying operations out: what every bridge of this program does alike, and what its hands must be able to do.

use crate::bus::{Abilities, BusError, Drive, Line, LineLevels, Operation, Pattern, Reply, Why};
use crate::frame::{self, Repetitions};
use crate::time::Moment;
use crate::units::{Hertz, Millivolts};
use std::io;
use std::time::Duration;

/// What carries out operations. It lives in the moments that it is given, which may lie ahead of any clock.
pub trait Executor {
    /// What an operation may end in besides a reply: [`Why`], or [`Broken`] where the hands themselves can break.
    type Error: From<Why> + Into<Broken>;

    /// Carries out one operation, beginning at this moment. Gives what it gave and the moment when it ended.
    fn carry_out(&mut self, at: Moment, operation: &Operation) -> (Result<Reply, Self::Error>, Moment);

    /// Lets go of the board: every line is released, the clock output stopped.
    fn release(&mut self, at: Moment);
}

/// Why an operation gave no reply.
#[derive(Debug)]
pub enum Broken {
    /// It failed by its own rules.
    Failed(Why),
    /// The lines cannot be reached any more.
    Lines(io::Error),
}

impl From<Why> for Broken {
    fn from(why: Why) -> Broken {
        Broken::Failed(why)
    }
}

impl From<io::Error> for Broken {
    fn from(error: io::Error) -> Broken {
        Broken::Lines(error)
    }
}

impl Broken {
    /// What a list comes to that stopped at this operation.
    pub(super) fn at(self, operation: usize) -> BusError {
        match self {
            Broken::Failed(why) => BusError::Failed { operation, why },
            Broken::Lines(error) => BusError::Wire(error),
        }
    }
}

/// A bridge's hands: what differs from one bridge to another.
pub trait Hands {
    /// As [`Executor::Error`].
    type Error: From<Why>;

    fn abilities(&self) -> &Abilities;

    /// When what was done last has ended.
    fn now(&self) -> Moment;

    /// Lets this time pass.
    fn wait(&mut self, time: Duration);

    /// Drives a line.
    ///
    /// # Errors
    /// [`Why::NotSupported`] for a line that the bridge does not have.
    fn drive(&mut self, line: Line, drive: Drive) -> Result<(), Self::Error>;

    /// Takes the fastest SPI clock not above `limit`, and gives the one that is really made.
    ///
    /// # Errors
    /// [`Why::NotSupported`] below the slowest.
    fn choose_clock(&mut self, limit: Hertz) -> Result<Hertz, Self::Error>;

    /// Sends bytes back to back, and gives as many that came back.
    ///
    /// # Errors
    /// [`Why::NoPower`], by a bridge that can tell; [`Why::BadOperation`] by one that cannot send with the lines as they are.
    fn exchange(&mut self, bytes: &[u8]) -> Result<Vec<u8>, Self::Error>;

    /// Makes a clock on the clock output, or stops it.
    ///
    /// # Errors
    /// [`Why::NotSupported`] without that ability.
    fn clock_output(&mut self, clock: Option<Hertz>) -> Result<(), Self::Error>;

    /// The board's supply; nothing where the bridge cannot measure it.
    fn supply(&mut self) -> Option<Millivolts>;

    /// The levels at the bridge's own pins.
    ///
    /// # Errors
    /// Where they cannot be read.
    fn lines(&mut self) -> Result<LineLevels, Self::Error>;
}

/// Carries out one operation with these hands.
///
/// # Errors
/// [`Why::BadOperation`] for one that breaks a rule of the protocol or is too large, and whatever the hands or the outcome say.
pub fn carry_out<H: Hands>(hands: &mut H, operation: &Operation) -> Result<Reply, H::Error> {
    if frame::check(operation).is_err() || frame::block_bytes(operation) > u64::from(hands.abilities().block_bytes) {
        return Err(Why::BadOperation.into());
    }
    match operation {
        Operation::Line { line, drive } => hands.drive(*line, *drive).map(|()| Reply::Done),
        Operation::SpiClock(limit) => hands.choose_clock(*limit).map(Reply::Clock),
        Operation::Transfer(bytes) => hands.exchange(bytes).map(Reply::Bytes),
        Operation::Pattern(pattern) => carry_out_pattern(hands, pattern),
        Operation::Poll { send, byte, mask, value, limit } => poll(hands, send, *byte, (*mask, *value), *limit),
        Operation::Delay(time) => {
            hands.wait(*time);
            Ok(Reply::Done)
        }
        Operation::ClockOutput(clock) => hands.clock_output(*clock).map(|()| Reply::Done),
        Operation::MeasureSupply => Ok(Reply::Supply(hands.supply())),
        Operation::ReadLines => hands.lines().map(Reply::Lines),
    }
}

fn poll<H: Hands>(hands: &mut H, send: &[u8], byte: u8, (mask, value): (u8, u8), limit: Duration) -> Result<Reply, H::Error> {
    let start = hands.now();
    loop {
        let back = hands.exchange(send)?;
        let last = back.get(usize::from(byte)).copied().unwrap_or_default();
        if last & mask == value {
            return Ok(Reply::Bytes(back));
        }
        if hands.now().since(start) >= limit {
            return Err(Why::PollTimedOut { last }.into());
        }
    }
}

fn carry_out_pattern<H: Hands>(hands: &mut H, pattern: &Pattern) -> Result<Reply, H::Error> {
    let repetitions = Repetitions::of(pattern).map_err(|_| Why::BadOperation)?;
    let mut captured = repetitions.gather();
    for n in 0..repetitions.count() {
        let back = hands.exchange(&repetitions.sent(n))?;
        if !repetitions.captured(&back).all(|byte| captured.push(byte)) {
            break;
        }
    }
    captured.finish().map_err(H::Error::from)
}
