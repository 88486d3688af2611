//! Images: bytes with addresses, sparse. Readers and writers of Intel HEX, raw binary and ELF; comparison.
//!
//! Pure except for [`read::load`], which opens the one file it is given.

mod address;
mod compare;
pub mod elf;
pub mod hex;
pub mod read;
mod sha256;
mod sparse;
mod start;
pub mod write;

pub use address::{ByteAddress, Span, WordAddress};
pub use compare::{Comparison, compare};
pub use read::{Format, ImageError, ImageFile, load, parse};
pub use sha256::Sha256;
pub use sparse::{Conflict, Image};
pub use start::{Core, Start, Vector, start_at, vectors};

use serde::{Deserialize, Serialize};

/// A memory of a chip that an image can speak of. Addresses in each begin at 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Memory {
    /// Program memory.
    Flash,
    /// The settings store of 8-bit parts.
    Eeprom,
    /// Fuse bytes, in the chip's own order (low, high, extended).
    Configuration,
    /// The lock byte.
    Lock,
}

impl Memory {
    /// The name used in text and JSON.
    pub fn name(self) -> &'static str {
        match self {
            Memory::Flash => "flash",
            Memory::Eeprom => "eeprom",
            Memory::Configuration => "configuration",
            Memory::Lock => "lock",
        }
    }
}
