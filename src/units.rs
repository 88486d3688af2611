//! Quantities that a datasheet prints: frequencies, voltages, resistances, numbers of bytes. Durations are [`std::time::Duration`].

use serde::{Deserialize, Serialize};
use std::fmt;

/// A frequency in hertz.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Hertz(pub u32);

impl fmt::Display for Hertz {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (value, unit) = match self.0 {
            0..1_000 => return write!(f, "{} Hz", self.0),
            1_000..1_000_000 => (f64::from(self.0) / 1e3, "kHz"),
            _ => (f64::from(self.0) / 1e6, "MHz"),
        };
        let text = format!("{value:.3}");
        let text = text.trim_end_matches('0').trim_end_matches('.');
        write!(f, "{text} {unit}")
    }
}

/// A voltage in millivolts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Millivolts(pub u16);

impl fmt::Display for Millivolts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (whole, rest) = (self.0 / 1000, self.0 % 1000);
        match rest % 100 {
            0 => write!(f, "{whole}.{} V", rest / 100),
            _ => write!(f, "{whole}.{rest:03} V"),
        }
    }
}

/// A number of bytes, exact.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Bytes(pub u64);

impl fmt::Display for Bytes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            1 => f.write_str("1 byte"),
            count => write!(f, "{count} bytes"),
        }
    }
}

/// A number of things, with their word for one of them: `1 page`, `3 pages`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Count<'w>(pub usize, pub &'w str);

impl fmt::Display for Count<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Count(count, word) = self;
        write!(f, "{count} {word}{}", if *count == 1 { "" } else { "s" })
    }
}

/// Bytes as a datasheet writes them: `1E 97 05`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Hex<'b>(pub &'b [u8]);

impl fmt::Display for Hex<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().enumerate().try_for_each(|(n, byte)| write!(f, "{}{byte:02X}", if n == 0 { "" } else { " " }))
    }
}

/// A resistance in ohms.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Ohms(pub u32);

impl fmt::Display for Ohms {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (whole, rest) = (self.0 / 1000, self.0 % 1000);
        match (whole, rest) {
            (0, _) => write!(f, "{} ohm", self.0),
            (_, 0) => write!(f, "{whole} kilohm"),
            _ => write!(f, "{} kilohm", format!("{whole}.{rest:03}").trim_end_matches('0')),
        }
    }
}

/// A control line of a serial port.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ControlLine {
    /// Data terminal ready.
    Dtr,
    /// Request to send.
    Rts,
}
