//! What the silicon holds, and what a self-timed write makes of it: in full, or torn by a lost supply.

use crate::board::Chip;
use fastrand::Rng;
use std::ops::Range;

/// What the silicon holds while nothing is being written. Bits of fuse and lock bytes: 0 is programmed, 1 unprogrammed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Contents {
    pub flash: Vec<u8>,
    pub eeprom: Vec<u8>,
    /// Low, high, extended: as many as the part has.
    pub fuses: Vec<u8>,
    pub lock: u8,
    /// The oscillator calibration byte. The factory writes it; nothing changes it.
    pub calibration: u8,
}

impl Contents {
    /// The chip as shipped: blank memories, factory fuses.
    pub fn factory(chip: &Chip, calibration: u8) -> Contents {
        Contents {
            flash: vec![chip.flash.blank; chip.flash.bytes as usize],
            eeprom: vec![chip.eeprom.blank; chip.eeprom.bytes as usize],
            fuses: chip.configuration.iter().map(|byte| byte.factory).collect(),
            lock: chip.lock.factory,
            calibration,
        }
    }

    /// Does what a self-timed write does.
    pub(super) fn complete(&mut self, write: &Write) {
        match write {
            Write::FlashPage { start, bytes } => {
                for (cell, new) in self.flash[*start..].iter_mut().zip(bytes) {
                    *cell &= new;
                }
            }
            Write::Eeprom(bytes) => bytes.iter().for_each(|(at, new)| self.eeprom[*at] = *new),
            Write::Erase { eeprom } => {
                self.flash.fill(0xFF);
                eeprom.iter().for_each(|part| self.eeprom[part.clone()].fill(0xFF));
                self.lock = 0xFF;
            }
            Write::Fuse { index, value } => self.fuses[*index] = *value,
            Write::Lock(value) => self.lock &= value,
        }
    }

    /// Does a random part of a self-timed write: the supply went, or the chip was disturbed. Only cells of the write's own span
    /// change, and only in the directions in which the write drives them: programming clears bits, erasing sets them.
    pub(super) fn tear(&mut self, write: &Write, rng: &mut Rng) {
        match write {
            Write::FlashPage { start, bytes } => {
                for (cell, new) in self.flash[*start..].iter_mut().zip(bytes) {
                    *cell &= new | rng.u8(..);
                }
            }
            Write::Eeprom(bytes) => {
                // The write erases first: a cell is caught on its way to blank, or from blank to its new value.
                for (at, new) in bytes {
                    let from = if rng.bool() { self.eeprom[*at] } else { *new };
                    self.eeprom[*at] = from | rng.u8(..);
                }
            }
            Write::Erase { eeprom } => {
                self.flash.iter_mut().for_each(|cell| *cell |= rng.u8(..));
                for part in eeprom {
                    self.eeprom[part.clone()].iter_mut().for_each(|cell| *cell |= rng.u8(..));
                }
                // The lock bits stay: they are erased only after all of the program memory (ATmega328PB
                // datasheet, section 32.8.3).
            }
            Write::Fuse { index, value } => {
                let from_new = rng.u8(..);
                self.fuses[*index] = (self.fuses[*index] & !from_new) | (value & from_new);
            }
            Write::Lock(value) => self.lock &= value | rng.u8(..),
        }
    }
}

/// A self-timed write.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Write {
    /// Clears bits of the flash from byte `start`.
    FlashPage {
        start: usize,
        bytes: Vec<u8>,
    },
    /// Erases and writes these bytes of the EEPROM.
    Eeprom(Vec<(usize, u8)>),
    /// Erases the flash, the lock bits, and these parts of the EEPROM.
    Erase {
        eeprom: Vec<Range<usize>>,
    },
    Fuse {
        index: usize,
        value: u8,
    },
    Lock(u8),
}

/// Where a write has changed something.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Touched {
    Flash(Range<usize>),
    Eeprom(Range<usize>),
    /// Fuses, the lock byte, or the whole chip.
    Rest,
}

impl Write {
    pub(super) fn touches(&self) -> Touched {
        match self {
            Write::FlashPage { start, bytes } => Touched::Flash(*start..start + bytes.len()),
            Write::Eeprom(bytes) => {
                let first = bytes.iter().map(|(at, _)| *at).min().unwrap_or_default();
                Touched::Eeprom(first..bytes.iter().map(|(at, _)| at + 1).max().unwrap_or_default())
            }
            Write::Erase { .. } | Write::Fuse { .. } | Write::Lock(_) => Touched::Rest,
        }
    }
}
