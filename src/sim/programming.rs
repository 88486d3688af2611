//! What the programming instructions read and write once programming is enabled.

use super::chip::{Running, SimChip};
use super::contents::Write;
use super::instruction::Instruction;
use crate::board::{EepromWrites, Ready, Role, Way};
use crate::time::Moment;
use std::ops::Range;
use std::time::Duration;

/// Lock bits for the programming interface, 0 = programmed (9223, table 32-1). LB1 alone is mode 2, both are mode 3. LB2 alone is in no
/// table; it is taken as mode 3.
pub(super) const LB1: u8 = 0x01;
pub(super) const LB2: u8 = 0x02;

/// The page buffer: loading clears bits, writing the page sets all of them again.
pub(super) struct PageBuffer {
    bytes: Vec<u8>,
    loaded: Vec<bool>,
}

impl PageBuffer {
    pub(super) fn new(page: u32) -> PageBuffer {
        PageBuffer { bytes: vec![0xFF; page as usize], loaded: vec![false; page as usize] }
    }

    /// A second load of the same byte can only clear more bits.
    fn load(&mut self, at: usize, data: u8) {
        self.bytes[at] &= data;
        self.loaded[at] = true;
    }

    /// The contents, leaving the buffer blank.
    fn take(&mut self) -> Vec<u8> {
        let blank = PageBuffer::new(self.bytes.len() as u32);
        std::mem::replace(self, blank).bytes
    }
}

/// The EEPROM's page buffer: only bytes that were loaded are written.
pub(super) struct EepromBuffer(Vec<Option<u8>>);

impl EepromBuffer {
    pub(super) fn new(page: u32) -> EepromBuffer {
        EepromBuffer(vec![None; page as usize])
    }
}

impl SimChip {
    /// What an instruction that asks gives with its fourth byte; `None` for one that does not ask.
    pub(super) fn read(&mut self, instruction: Instruction) -> Option<u8> {
        use Instruction as I;
        Some(match instruction {
            // Only bit 0 has a meaning; the others are x in the table.
            I::PollReady => (self.rng.u8(..) & 0xFE) | u8::from(self.running.is_some()),
            I::ReadFlash { high, word } if self.reading_locked() => stand_in(word, high),
            I::ReadFlash { high, word } => self.flash_byte(self.flash_address(word).0 + usize::from(high)),
            I::ReadEeprom { at } if self.reading_locked() => stand_in(at, false),
            I::ReadEeprom { at } => self.contents.eeprom[usize::from(at) % self.contents.eeprom.len()],
            I::ReadSignature(index) => self.overlay.id.unwrap_or(self.part.id).get(usize::from(index)).copied().unwrap_or(0xFF),
            I::ReadCalibration(0) => self.contents.calibration,
            I::ReadCalibration(_) => 0xFF,
            I::ReadLock => self.contents.lock,
            I::ReadFuse(index) => self.contents.fuses.get(index).copied().unwrap_or(0xFF),
            _ => return None,
        })
    }

    /// Does what an instruction that loads or writes does.
    pub(super) fn program(&mut self, instruction: Instruction, end: Moment) {
        use Instruction as I;
        match instruction {
            I::ChipErase => {
                let eeprom = self.erased_eeprom();
                self.start(Write::Erase { eeprom }, self.times.erase, end);
            }
            I::LoadExtendedAddress(bits) => self.session.extended = bits,
            I::LoadPage { high, word, data } => self.load_page(high, word, data, end),
            I::WritePage { word } => self.write_page(word, end),
            I::WriteEeprom { at, data } => self.write_eeprom(at, data, end),
            I::LoadEepromPage { at, data } => self.load_eeprom_page(at, data, end),
            I::WriteEepromPage { at } => self.write_eeprom_page(at, end),
            I::WriteLock(value) => self.write_lock(value, end),
            I::WriteFuse { index, data } => self.write_fuse(index, data, end),
            _ => {}
        }
    }

    /// Whether the part's instruction table has this one. Older tables end without RDY/BSY (40001974, ATmega8A), and have no page
    /// instructions for the EEPROM (from memory).
    pub(super) fn knows(&self, instruction: Instruction) -> bool {
        use Instruction as I;
        match instruction {
            I::PollReady => !self.is_old(),
            I::LoadEepromPage { .. } | I::WriteEepromPage { .. } => !self.writes_eeprom_by_bytes(),
            _ => true,
        }
    }

    /// Whether this asks a part without RDY/BSY for the very place that is being written, which reads 0xFF until that is done (2490 and
    /// 2512, 'Data Polling Flash' and 'Data Polling EEPROM').
    pub(super) fn polls_data(&self, instruction: Instruction) -> bool {
        if !self.is_old() || !self.session.began_busy {
            return false;
        }
        let Some(running) = &self.running else {
            return matches!(instruction, Instruction::ReadFlash { .. } | Instruction::ReadEeprom { .. });
        };
        match (&running.write, instruction) {
            (Write::FlashPage { start, bytes }, Instruction::ReadFlash { word, .. }) => {
                (*start..start + bytes.len()).contains(&self.flash_address(word).0)
            }
            (Write::Eeprom(bytes), Instruction::ReadEeprom { at }) => bytes.iter().any(|(place, _)| *place == usize::from(at)),
            _ => false,
        }
    }

    fn is_old(&self) -> bool {
        self.part.way_in(Way::Spi).is_some_and(|way_in| way_in.ready == Ready::DataPolling)
    }

    fn writes_eeprom_by_bytes(&self) -> bool {
        self.part.way_in(Way::Spi).is_some_and(|way_in| way_in.eeprom_writes == EepromWrites::Bytes)
    }

    fn start(&mut self, write: Write, takes: Duration, end: Moment) {
        self.running = Some(Running { write, until: end.plus(takes) });
    }

    fn forbid(&mut self, at: Moment, text: String) {
        self.violations.add(at, text);
    }

    fn writing_locked(&self) -> bool {
        self.contents.lock & (LB1 | LB2) != LB1 | LB2
    }

    fn reading_locked(&self) -> bool {
        self.contents.lock & LB2 == 0
    }

    /// Whether lock bits keep a write out; that it was tried is a violation.
    fn refuses(&mut self, what: &str, at: Moment) -> bool {
        let locked = self.writing_locked();
        if locked {
            let lock = self.contents.lock;
            self.forbid(at, format!("a write of {what} to a locked chip (lock byte 0x{lock:02X})"));
        }
        locked
    }

    /// The byte address of a word's low byte, and whether the flash is large enough for it; what is beyond mirrors. Parts of up to 128 KiB
    /// have no extended address (2549, note to the instruction table: not all instructions are applicable for all parts).
    fn flash_address(&self, word: u16) -> (usize, bool) {
        let size = self.contents.flash.len();
        let extended = if size > 0x2_0000 { usize::from(self.session.extended) << 16 } else { 0 };
        let at = (extended | usize::from(word)) * 2;
        (at % size, at < size)
    }

    fn flash_byte(&self, at: usize) -> u8 {
        let page = self.part.flash.page as usize;
        let weak = self.overlay.weak_pages.contains(&((at / page) as u32));
        self.contents.flash[at] | if weak { weak_bits(at) } else { 0 }
    }

    fn load_page(&mut self, high: bool, word: u8, data: u8, end: Moment) {
        let words = self.part.flash.page as usize / 2;
        let at = usize::from(word) % words * 2;
        if high && !self.session.page.loaded[at] {
            self.forbid(end, format!("the high byte of word 0x{word:02X} was loaded before its low byte"));
            let garbage = self.rng.u8(..);
            self.session.page.load(at, garbage);
        }
        self.session.page.load(at + usize::from(high), data);
    }

    fn write_page(&mut self, word: u16, end: Moment) {
        let bytes = self.session.page.take();
        if self.refuses("flash", end) {
            return;
        }
        let (at, inside) = self.flash_address(word);
        if !inside {
            self.forbid(end, format!("a page write at word 0x{word:04X} is beyond the flash"));
        }
        self.start(Write::FlashPage { start: at / bytes.len() * bytes.len(), bytes }, self.times.flash, end);
    }

    /// An EEPROM address, wrapped to the size that the part has.
    fn eeprom_address(&mut self, at: u16, end: Moment) -> usize {
        let size = self.contents.eeprom.len();
        if usize::from(at) >= size {
            self.forbid(end, format!("an EEPROM write at 0x{at:04X} is beyond the EEPROM"));
        }
        usize::from(at) % size
    }

    /// What a chip erase takes of the EEPROM: nothing under EESAVE, else all of it; whether what EELOCK locks is among that, no document
    /// that was read says, so it is one time and another time not.
    fn erased_eeprom(&mut self) -> Vec<Range<usize>> {
        let size = self.contents.eeprom.len();
        match self.locked_eeprom() {
            _ if self.keeps_eeprom() => Vec::new(),
            Some(locked) if self.rng.bool() => vec![0..locked.start, locked.end..size],
            _ => std::iter::once(0..size).collect(),
        }
    }

    /// Whether the fuses in force lock this byte of the EEPROM: then nothing is written there, and that it was tried is a violation.
    fn keeps_out(&mut self, at: usize, end: Moment) -> bool {
        let locked = self.locked_eeprom().is_some_and(|locked| locked.contains(&at));
        if locked {
            self.forbid(end, format!("a write of EEPROM at 0x{at:04X}, which a fuse locks"));
        }
        locked
    }

    fn write_eeprom(&mut self, at: u16, data: u8, end: Moment) {
        if !self.refuses("EEPROM", end) {
            let at = self.eeprom_address(at, end);
            if self.keeps_out(at, end) {
                return;
            }
            self.start(Write::Eeprom(vec![(at, data)]), self.times.eeprom, end);
        }
    }

    fn load_eeprom_page(&mut self, at: u8, data: u8, end: Moment) {
        let page = self.session.eeprom_page.0.len();
        if usize::from(at) >= page {
            self.forbid(end, format!("an EEPROM page load at 0x{at:02X} is outside the page of {page} bytes"));
        }
        self.session.eeprom_page.0[usize::from(at) % page] = Some(data);
    }

    fn write_eeprom_page(&mut self, at: u16, end: Moment) {
        let page = self.session.eeprom_page.0.len();
        let loaded = std::mem::replace(&mut self.session.eeprom_page, EepromBuffer::new(page as u32));
        if self.refuses("EEPROM", end) {
            return;
        }
        let at = self.eeprom_address(at, end);
        if !at.is_multiple_of(page) {
            self.forbid(end, format!("an EEPROM page write at 0x{at:04X} is not aligned to {page} bytes"));
        }
        let start = at / page * page;
        if self.keeps_out(start, end) {
            return;
        }
        let bytes = loaded.0.iter().enumerate().filter_map(|(place, byte)| Some((start + place, (*byte)?))).collect();
        self.start(Write::Eeprom(bytes), self.times.eeprom, end);
    }

    /// Lock bits go from 1 to 0 only, and in mode 3 they stay as they are, boot lock bits included (9223, table 32-2).
    fn write_lock(&mut self, value: u8, end: Moment) {
        let unused = !self.part.lock.used;
        if value & unused != unused {
            self.forbid(end, format!("lock byte 0x{value:02X} programs unused bits"));
        }
        if self.reading_locked() {
            self.forbid(end, "a write of lock bits in lock mode 3".into());
            return;
        }
        self.start(Write::Lock(value | unused), self.times.fuse, end);
    }

    /// The clock that this fuse byte comes to choose, where the chip file says nothing of it. A real chip runs on something then, and this
    /// one falls silent; so it is no answer to anything.
    fn unknown_clock(&self, index: usize, value: u8) -> Option<String> {
        let field = self.part.field_for(Role::Clock).filter(|field| field.incomplete && field.byte == index)?;
        let mut fuses = self.contents.fuses.clone();
        let before = field.bits_in(&fuses);
        *fuses.get_mut(index)? = value;
        let chosen = field.read(&fuses).filter(|chosen| chosen.value.is_none() && before != Some(chosen.bits))?;
        let (symbol, code) = (&field.symbol, chosen.name());
        Some(format!("{symbol} is set to {code}, of which the chip file says nothing: what then runs the chip is not modelled"))
    }

    /// SPIEN cannot be reached in serial mode (2543 and 8272, table of the fuse high byte): its bit stays as it is.
    fn write_fuse(&mut self, index: usize, data: u8, end: Moment) {
        let Some(byte) = self.part.configuration.get(index) else {
            self.forbid(end, format!("a write of fuse byte {index}, which this part does not have"));
            return;
        };
        if data & !byte.used != !byte.used {
            let text = format!("{} fuse byte 0x{data:02X} programs unused bits", byte.name);
            self.forbid(end, text);
        }
        if self.refuses("fuses", end) {
            return;
        }
        let spien = self.part.fields.iter().filter(|field| field.byte == index && field.symbol == "SPIEN");
        let kept = spien.fold(0, |mask, field| mask | field.mask);
        let value = (data & !kept) | (self.contents.fuses[index] & kept);
        if let Some(text) = self.unknown_clock(index, value) {
            self.forbid(end, text);
        }
        self.start(Write::Fuse { index, value }, self.times.fuse, end);
    }
}

/// What a locked chip gives instead of a memory's byte: the address (from memory; parts differ).
fn stand_in(address: u16, high: bool) -> u8 {
    address.to_be_bytes()[usize::from(!high)]
}

/// The bits of a byte in a weak page that do not hold a 0: one of each fourth byte.
pub(super) fn weak_bits(at: usize) -> u8 {
    if at.is_multiple_of(4) { 1 << (at / 4 % 8) } else { 0 }
}
