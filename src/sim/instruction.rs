//! The serial programming instructions of parts with page flash, as bits.
//!
//! Source: datasheet 2549 (ATmega640/1280/1281/2560/2561), table 'Serial Programming Instruction Set'; 8271 and 8272 print the same
//! bits. Taken from this project's notes on those tables, not looked up anew.

/// An instruction of four bytes, decoded. Word addresses count flash words, byte addresses EEPROM bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Instruction {
    ProgrammingEnable,
    ChipErase,
    PollReady,
    LoadExtendedAddress(u8),
    LoadPage { high: bool, word: u8, data: u8 },
    WritePage { word: u16 },
    ReadFlash { high: bool, word: u16 },
    ReadEeprom { at: u16 },
    WriteEeprom { at: u16, data: u8 },
    LoadEepromPage { at: u8, data: u8 },
    WriteEepromPage { at: u16 },
    ReadSignature(u8),
    ReadCalibration(u8),
    ReadLock,
    WriteLock(u8),
    ReadFuse(usize),
    WriteFuse { index: usize, data: u8 },
}

impl Instruction {
    /// The instruction that four bytes are; `None` for bits that no table lists.
    pub(super) fn decode(bytes: [u8; 4]) -> Option<Instruction> {
        use Instruction as I;
        let [first, second, third, data] = bytes;
        let address = u16::from_be_bytes([second, third]);
        Some(match (first, second) {
            (0xAC, 0x53) => I::ProgrammingEnable,
            (0xAC, 0x80..=0x9F) => I::ChipErase,
            (0xAC, 0xE0..=0xFF) => I::WriteLock(data),
            (0xAC, 0xA0) => I::WriteFuse { index: 0, data },
            (0xAC, 0xA8) => I::WriteFuse { index: 1, data },
            (0xAC, 0xA4) => I::WriteFuse { index: 2, data },
            (0xF0, 0x00) => I::PollReady,
            (0x4D, 0x00) => I::LoadExtendedAddress(third),
            (0x40 | 0x48, 0x00..=0x1F) => I::LoadPage { high: first & 0x08 != 0, word: third, data },
            (0x4C, _) => I::WritePage { word: address },
            (0x20 | 0x28, _) => I::ReadFlash { high: first & 0x08 != 0, word: address },
            (0xA0, _) => I::ReadEeprom { at: address },
            (0xC0, _) => I::WriteEeprom { at: address, data },
            (0xC1, 0x00) => I::LoadEepromPage { at: third, data },
            (0xC2, _) => I::WriteEepromPage { at: address },
            (0x30, 0x00..=0x1F) => I::ReadSignature(third & 3),
            (0x38, 0x00..=0x1F) => I::ReadCalibration(third),
            (0x58, 0x00) => I::ReadLock,
            (0x50, 0x00) => I::ReadFuse(0),
            (0x58, 0x08) => I::ReadFuse(1),
            (0x50, 0x08) => I::ReadFuse(2),
            _ => return None,
        })
    }

    /// Whether it only asks, so that garbage in between harms nothing.
    pub(super) fn only_asks(self) -> bool {
        use Instruction as I;
        match self {
            I::ProgrammingEnable | I::PollReady | I::ReadFlash { .. } | I::ReadEeprom { .. } | I::ReadSignature(_) => true,
            I::ReadCalibration(_) | I::ReadLock | I::ReadFuse(_) => true,
            I::ChipErase | I::LoadExtendedAddress(_) | I::LoadPage { .. } | I::WritePage { .. } | I::WriteEeprom { .. } => false,
            I::LoadEepromPage { .. } | I::WriteEepromPage { .. } | I::WriteLock(_) | I::WriteFuse { .. } => false,
        }
    }
}
