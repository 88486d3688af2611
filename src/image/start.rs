//! Whether an 8-bit chip can start an image, and its vector table as the chip reads it.
//!
//! Source: AVR Instruction Set Manual (DS40002198), sections JMP and RJMP, and the words of the other instructions named
//! here, from memory; the tests compare with what avr-gcc's assembler makes.

use super::{ByteAddress, Image, WordAddress};
use std::fmt;

/// What decides how a chip reads its code.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Core {
    pub flash_bytes: u32,
    /// Whether it has JMP and CALL. Its vectors are then of two words, and without them of one, which has room for RJMP.
    /// Source: datasheets, chapter Interrupts; from memory.
    pub jmp: bool,
}

/// More vectors than any such part has.
const MOST_VECTORS: u32 = 128;

/// What stands where the chip starts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Start {
    /// A jump into the image.
    Jump { to: ByteAddress },
    /// An instruction that programs commonly begin with.
    Code { word: u16 },
    /// The image holds nothing there.
    Nothing,
    /// A blank word.
    Blank,
    /// A jump to an address that the flash does not have or the image does not hold.
    LeadsOutside { to: ByteAddress },
    /// JMP or CALL, which the chip does not have.
    NoSuchInstruction { word: u16 },
    /// A word with which programs do not begin.
    Unknown { word: u16 },
}

impl Start {
    /// Whether the chip is likely to start this.
    pub fn starts(self) -> bool {
        matches!(self, Start::Jump { .. } | Start::Code { .. })
    }
}

impl fmt::Display for Start {
    /// A clause that follows 'at the start address'.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Start::Jump { to } => write!(f, "there is a jump to {to}"),
            Start::Code { word } => write!(f, "there is code (0x{word:04X})"),
            Start::Nothing => write!(f, "the image holds nothing"),
            Start::Blank => write!(f, "the flash is blank (0xFFFF)"),
            Start::LeadsOutside { to } => write!(f, "there is a jump to {to}, where the image holds nothing"),
            Start::NoSuchInstruction { word } => {
                write!(
                    f,
                    "there is {} (0x{word:04X}), an instruction that this chip does not have",
                    if word & 2 == 0 { "JMP" } else { "CALL" }
                )
            }
            Start::Unknown { word } => write!(f, "there is 0x{word:04X}, with which no program begins"),
        }
    }
}

/// What the chip finds when reset leads to `entry`.
pub fn start_at(image: &Image, entry: ByteAddress, core: Core) -> Start {
    let Some(word) = word(image, entry) else { return Start::Nothing };
    match jump(image, entry, core) {
        // JMP and CALL: 1001 010k kkkk 11ck.
        _ if word & 0xFE0C == 0x940C && !core.jmp => Start::NoSuchInstruction { word },
        Some(to) if lands(image, to, core) => Start::Jump { to },
        Some(to) => Start::LeadsOutside { to },
        None if word == 0xFFFF => Start::Blank,
        None if begins_a_program(word) => Start::Code { word },
        None => Start::Unknown { word },
    }
}

/// One entry of a vector table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Vector {
    pub at: ByteAddress,
    pub to: ByteAddress,
    /// Whether the image holds code there.
    pub lands: bool,
}

/// The vector table at `entry`: all jumps in a row, as far apart as this core has its vectors. Empty where the image starts without a
/// table.
pub fn vectors(image: &Image, entry: ByteAddress, core: Core) -> Vec<Vector> {
    let step = if core.jmp { 4 } else { 2 };
    let places = (0..MOST_VECTORS).map_while(|n| entry.0.checked_add(n * step)).map(ByteAddress);
    let jumps = places.map_while(|at| jump(image, at, core).map(|to| (at, to)));
    jumps.map(|(at, to)| Vector { at, to, lands: lands(image, to, core) }).collect()
}

/// The word at a byte address, low byte first, as the chip fetches it.
fn word(image: &Image, at: ByteAddress) -> Option<u16> {
    Some(u16::from_le_bytes([image.byte(at)?, image.byte(ByteAddress(at.0.checked_add(1)?))?]))
}

/// Where the jump at `at` leads, if there is one.
fn jump(image: &Image, at: ByteAddress, core: Core) -> Option<ByteAddress> {
    let first = word(image, at)?;
    if first & 0xFE0E == 0x940C && core.jmp {
        // JMP k: 1001 010k kkkk 110k kkkk kkkk kkkk kkkk, k an absolute word address.
        let upper = u32::from(first >> 3 & 0x3E | first & 1);
        let lower = word(image, ByteAddress(at.0.checked_add(2)?))?;
        return Some(WordAddress(upper << 16 | u32::from(lower)).byte());
    }
    if first & 0xF000 == 0xC000 {
        // RJMP k: 1100 kkkk kkkk kkkk, k a signed count of words from the next one; it wraps at the end of the flash.
        let offset = i64::from((first << 4).cast_signed() >> 4);
        let words = i64::from(core.flash_bytes / 2).max(1);
        let to = (i64::from(at.word().0) + 1 + offset).rem_euclid(words);
        return Some(WordAddress(to as u32).byte());
    }
    None
}

/// Whether there is something to execute at `to`.
fn lands(image: &Image, to: ByteAddress, core: Core) -> bool {
    to.0 < core.flash_bytes && word(image, to).is_some_and(|word| word != 0xFFFF)
}

/// Whether programs that have no jump at their start commonly begin with this instruction: those that clear a register,
/// load or store one, move the stack pointer or the status register, or call.
fn begins_a_program(word: u16) -> bool {
    let zero_operand = matches!(word, 0x0000 /* NOP */ | 0x94F8 /* CLI */ | 0x95A8 /* WDR */);
    let by_mask = [
        (0xFC00, 0x2400), // EOR, CLR
        (0xFC00, 0x2C00), // MOV
        (0xFF00, 0x0100), // MOVW
        (0xF000, 0xE000), // LDI, SER
        (0xF000, 0xB000), // IN, OUT
        (0xFC00, 0x9000), // LDS, LD, POP, STS, ST, PUSH, LPM
        (0xFC00, 0x9800), // CBI, SBIC, SBI, SBIS
        (0xF000, 0xD000), // RCALL
        (0xFE0E, 0x940E), // CALL
    ];
    zero_operand || by_mask.iter().any(|(mask, value)| word & mask == *value)
}
