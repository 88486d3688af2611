//! What one board held at one time.

use crate::board::Way;
use crate::image::{Image, Memory};
use crate::units::{Hertz, Millivolts};
use serde::{Deserialize, Serialize};

/// An observed state. What is `None` was not read.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Observed {
    /// ID bytes.
    pub id: Option<[u8; 3]>,
    /// The oscillator's calibration byte, different from chip to chip.
    pub calibration: Option<u8>,
    pub flash: Contents,
    pub eeprom: Contents,
    /// Fuse bytes in the chip's order, as read.
    pub configuration: Option<Vec<u8>>,
    /// The lock byte, as read.
    pub lock: Option<u8>,
    /// How the chip was reached.
    pub access: Option<Access>,
}

/// What is known of a memory. An address that `bytes` does not hold was not read, or is not readable.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Contents {
    pub bytes: Image,
    /// Why the rest cannot be read, where it cannot.
    pub unreadable: Option<String>,
}

/// How a chip was reached.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Access {
    pub way: Way,
    /// The programming clock that the bridge makes.
    pub programming_clock: Hertz,
    /// The clock that the bridge feeds to the chip, where it does.
    pub clock_output: Option<Hertz>,
    /// How many entries were tried until one was in step.
    pub tries: u32,
    /// The supply; `None` where the bridge cannot measure it.
    pub supply: Option<Millivolts>,
    /// The level at which the bridge drives its pins; `None` where it does not say.
    pub pin_level: Option<Millivolts>,
}

impl Observed {
    /// Nothing read at all.
    pub fn nothing() -> Observed {
        Observed {
            id: None,
            calibration: None,
            flash: Contents::default(),
            eeprom: Contents::default(),
            configuration: None,
            lock: None,
            access: None,
        }
    }

    /// The contents of a memory that holds bytes by address; configuration and lock have fields of their own.
    pub fn memory(&self, memory: Memory) -> Option<&Contents> {
        match memory {
            Memory::Flash => Some(&self.flash),
            Memory::Eeprom => Some(&self.eeprom),
            Memory::Configuration | Memory::Lock => None,
        }
    }
}
