//! The serial programming instructions: four bytes each, and the patterns made of them.
//!
//! Source: Atmel/Microchip 8271 (ATmega48A..328/P), section 'Serial Downloading', table 'Serial Programming Instruction
//! Set'; the same table in 8272 (ATmega164A..1284/P) and 2549 (ATmega640..2561). Encodings: checked in those documents.
//! Bits that a table leaves open are sent as 0.

use crate::bus::{Outcome, Pattern, Slot, SlotKind};
use crate::image::{ByteAddress, WordAddress};

/// One instruction. What it reads comes back with the fourth byte.
pub(super) type Instruction = [u8; 4];

/// Index of the byte in which an instruction's answer comes back.
pub(super) const ANSWER: usize = 3;

pub(super) const PROGRAMMING_ENABLE: Instruction = [0xAC, 0x53, 0x00, 0x00];
/// What comes back with the third byte of Programming Enable when the chip is in step.
pub(super) const ECHO: u8 = 0x53;
pub(super) const CHIP_ERASE: Instruction = [0xAC, 0x80, 0x00, 0x00];
/// Bit 0 of the answer is 1 while the chip is busy.
pub(super) const POLL_BUSY: Instruction = [0xF0, 0x00, 0x00, 0x00];
pub(super) const BUSY: u8 = 0x01;
/// Index 0: the byte that the hardware loads at reset.
pub(super) const READ_CALIBRATION: Instruction = [0x38, 0x00, 0x00, 0x00];
pub(super) const READ_LOCK: Instruction = [0x58, 0x00, 0x00, 0x00];
/// Fuse low, high, extended.
pub(super) const READ_FUSE: [Instruction; 3] = [[0x50, 0x00, 0x00, 0x00], [0x58, 0x08, 0x00, 0x00], [0x50, 0x08, 0x00, 0x00]];

/// `index` 0 to 2.
pub(super) fn read_id(index: u8) -> Instruction {
    [0x30, 0x00, index, 0x00]
}

/// `value` must have its unused bits 1 (the two top ones among them).
pub(super) fn write_lock(value: u8) -> Instruction {
    [0xAC, 0xE0, 0x00, value]
}

/// Fuse `byte` in the order low, high, extended; `None` where there is no such byte.
pub(super) fn write_fuse(byte: usize, value: u8) -> Option<Instruction> {
    let second = *[0xA0, 0xA8, 0xA4].get(byte)?;
    Some([0xAC, second, 0x00, value])
}

/// Bits 23 to 16 of the word address, for the flash instructions that follow.
pub(super) fn load_extended_address(bits_23_to_16: u8) -> Instruction {
    [0x4D, 0x00, bits_23_to_16, 0x00]
}

/// Writes the loaded page buffer to the page that holds word `at`.
pub(super) fn write_flash_page(at: WordAddress) -> Instruction {
    let [_, _, high, low] = at.0.to_be_bytes();
    [0x4C, high, low, 0x00]
}

/// The low byte of a flash word at an even address, the high one at an odd address. Bits 23 to 16 must have been loaded before.
pub(super) fn read_flash_byte(at: ByteAddress) -> Instruction {
    let [_, _, high, low] = at.word().0.to_be_bytes();
    [if at.0.is_multiple_of(2) { 0x20 } else { 0x28 }, high, low, 0x00]
}

pub(super) fn read_eeprom_byte(at: ByteAddress) -> Instruction {
    let [_, _, high, low] = at.0.to_be_bytes();
    [0xA0, high, low, 0x00]
}

pub(super) fn write_eeprom_byte(at: ByteAddress, value: u8) -> Instruction {
    let [_, _, high, low] = at.0.to_be_bytes();
    [0xC0, high, low, value]
}

/// `at` is the first byte of the page.
pub(super) fn write_eeprom_page(at: ByteAddress) -> Instruction {
    let [_, _, high, low] = at.0.to_be_bytes();
    [0xC2, high, low, 0x00]
}

fn slot(kind: SlotKind, bit: u8, width: u8) -> Slot {
    Slot { kind, bit, width }
}

/// Loads a whole flash page into the chip's page buffer: for each word the low byte, then the high byte (the order that
/// every edition demands). `page` has an even number of bytes, at most 512.
pub(super) fn load_flash_page(page: Vec<u8>) -> Pattern {
    Pattern {
        template: vec![0x40, 0x00, 0x00, 0x00, 0x48, 0x00, 0x00, 0x00],
        slots: vec![
            slot(SlotKind::Counter, 16, 8),
            slot(SlotKind::Data, 24, 8),
            slot(SlotKind::Counter, 48, 8),
            slot(SlotKind::Data, 56, 8),
        ],
        first: 0,
        repeat: page.len() as u32 / 2,
        data: page,
        outcome: Outcome::Discard,
    }
}

/// Reads `words` flash words from `first` on, low byte first. Bits 23 to 16 must have been loaded before.
pub(super) fn read_flash(first: WordAddress, words: u32, outcome: Outcome) -> Pattern {
    Pattern {
        template: vec![0x20, 0x00, 0x00, 0x00, 0x28, 0x00, 0x00, 0x00],
        slots: vec![
            slot(SlotKind::Counter, 8, 16),
            slot(SlotKind::Capture, 24, 8),
            slot(SlotKind::Counter, 40, 16),
            slot(SlotKind::Capture, 56, 8),
        ],
        first: first.0,
        repeat: words,
        data: Vec::new(),
        outcome,
    }
}

/// Loads bytes into the EEPROM page buffer, from place `first` in the page on.
pub(super) fn load_eeprom_page(first: u8, bytes: Vec<u8>) -> Pattern {
    Pattern {
        template: vec![0xC1, 0x00, 0x00, 0x00],
        slots: vec![slot(SlotKind::Counter, 16, 8), slot(SlotKind::Data, 24, 8)],
        first: u32::from(first),
        repeat: bytes.len() as u32,
        data: bytes,
        outcome: Outcome::Discard,
    }
}

/// Reads `bytes` EEPROM bytes from `first` on.
pub(super) fn read_eeprom(first: ByteAddress, bytes: u32, outcome: Outcome) -> Pattern {
    Pattern {
        template: vec![0xA0, 0x00, 0x00, 0x00],
        slots: vec![slot(SlotKind::Counter, 8, 16), slot(SlotKind::Capture, 24, 8)],
        first: first.0,
        repeat: bytes,
        data: Vec::new(),
        outcome,
    }
}
