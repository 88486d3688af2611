//! The four pins, as little as bit-banging needs.

use std::fmt;
use std::io;

/// A pin of the programming header that a bridge drives or reads.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Pin {
    Sck,
    Mosi,
    Miso,
    Reset,
}

impl Pin {
    pub const ALL: [Pin; 4] = [Pin::Sck, Pin::Mosi, Pin::Miso, Pin::Reset];
}

impl fmt::Display for Pin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Pin::Sck => "SCK",
            Pin::Mosi => "MOSI",
            Pin::Miso => "MISO",
            Pin::Reset => "RESET",
        })
    }
}

/// Four pins, all of them inputs at first. What a call does has happened when it returns. Levels: `true` is high.
pub trait Pins {
    /// Makes a pin an output at this level.
    ///
    /// # Errors
    /// The system's.
    fn drive(&mut self, pin: Pin, high: bool) -> io::Result<()>;

    /// Makes a pin an input.
    ///
    /// # Errors
    /// The system's.
    fn release(&mut self, pin: Pin) -> io::Result<()>;

    /// Sets SCK and MOSI, which are driven. Where both change, their order is not said.
    ///
    /// # Errors
    /// The system's.
    fn put(&mut self, sck: bool, mosi: bool) -> io::Result<()>;

    /// The level of a pin, driven or not.
    ///
    /// # Errors
    /// The system's.
    fn read(&mut self, pin: Pin) -> io::Result<bool>;
}
