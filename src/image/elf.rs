//! ELF as avr-gcc's linker makes it, read with crate object.

use super::sparse::Builder;
use super::{ByteAddress, Image, Memory, Span};
use object::LittleEndian;
use object::elf::{self, FileHeader32};
use object::read::elf::{FileHeader, ProgramHeader};
use std::collections::BTreeMap;

/// What an ELF file holds for a chip.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ElfFile {
    pub memories: BTreeMap<Memory, Image>,
    pub start: Option<ByteAddress>,
    /// What was left out and why, as sentences.
    pub left_out: Vec<String>,
}

/// What is wrong with an ELF file.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ElfError {
    #[error("offset 0x{offset:X}: damaged ELF: {what}\nThe file is cut off or changed. Get it again from where it was built.")]
    Damaged { offset: u64, what: &'static str },
    #[error("offset 0x4: another kind of ELF: found {found},\nexpected 32-bit little-endian")]
    Class { found: String },
    #[error("offset 0x12: built for another machine: found {found},\nexpected AVR (machine 83)")]
    Machine { found: String },
    #[error("offset 0x10: not a linked program: found {found}, expected an executable\nGive the file that the linker made.")]
    NotExecutable { found: String },
    #[error(
        "offset 0x{header:X}: segment {segment} is cut off: it asks for {bytes} bytes at offset 0x{offset:X},\n\
         found a file of {file} bytes. Get it again from where it was built."
    )]
    CutOff { header: u64, segment: usize, offset: u32, bytes: u32, file: usize },
    #[error(
        "offset 0x{header:X}: segment {segment} is out of range: its {bytes} bytes from 0x{start:08X} on\npass 0xFFFFFFFE, the last address"
    )]
    OutOfRange { header: u64, segment: usize, start: u32, bytes: u32 },
    #[error("offset 0x{header:X}: too much to load: the segments up to number {segment} ask for {found} bytes,\nexpected at most {limit}")]
    TooMuch { header: u64, segment: usize, found: u64, limit: u64 },
    #[error("offset 0x34: nothing to load: found no load segment with bytes for a memory of the chip")]
    Nothing,
    #[error("conflicting bytes for {} address {at}: one segment gives 0x{one:02X}, another 0x{other:02X}", memory.name())]
    Conflict { memory: Memory, at: ByteAddress, one: u8, other: u8 },
}

/// Where avr-gcc's linker puts what. Source: linker scripts of binutils (`avr-ld --verbose`), checked against binutils 2.26.
const PLACES: [(u32, u32, Place); 7] = [
    (0x00_0000, 0x80_0000, Place::Memory(Memory::Flash)),
    (0x80_0000, 0x81_0000, Place::LeftOut("for the RAM, which no file can set")),
    (0x81_0000, 0x82_0000, Place::Memory(Memory::Eeprom)),
    (0x82_0000, 0x83_0000, Place::Memory(Memory::Configuration)),
    (0x83_0000, 0x84_0000, Place::Memory(Memory::Lock)),
    (0x84_0000, 0x85_0000, Place::LeftOut("that name the chip's ID (section .signature)")),
    (0x85_0000, u32::MAX, Place::LeftOut("for addresses that no memory of such a chip has")),
];

#[derive(Clone, Copy)]
enum Place {
    Memory(Memory),
    /// Bytes that are for no memory that can be written; the text ends the sentence '12 bytes ...'.
    LeftOut(&'static str),
}

/// Reads an ELF file: its load segments at their physical addresses, each memory's addresses counted from 0.
///
/// # Errors
/// Another machine, class or kind of ELF; damage; segments that together ask for more than `limit` bytes.
pub fn read(file: &[u8], limit: u64) -> Result<ElfFile, ElfError> {
    let header = checked_header(file)?;
    let segments = header.program_headers(LittleEndian, file).map_err(|_| ElfError::Damaged {
        offset: u64::from(header.e_phoff(LittleEndian)),
        what: "the table of segments is not where the header says",
    })?;
    let mut builders: BTreeMap<Memory, Builder> = BTreeMap::new();
    let mut result = ElfFile { start: Some(ByteAddress(header.e_entry(LittleEndian))), ..ElfFile::default() };
    let mut total = 0;
    for (n, segment) in segments.iter().enumerate() {
        let at = |n: usize| u64::from(header.e_phoff(LittleEndian)) + n as u64 * 32;
        let bytes = segment.p_filesz(LittleEndian);
        if segment.p_type(LittleEndian) != elf::PT_LOAD || bytes == 0 {
            continue;
        }
        total += u64::from(bytes);
        if total > limit {
            return Err(ElfError::TooMuch { header: at(n), segment: n, found: total, limit });
        }
        let (start, offset) = (segment.p_paddr(LittleEndian), segment.p_offset(LittleEndian));
        let span = Span::sized(ByteAddress(start), bytes).ok_or(ElfError::OutOfRange { header: at(n), segment: n, start, bytes })?;
        let cut = ElfError::CutOff { header: at(n), segment: n, offset, bytes, file: file.len() };
        let contents = segment.data(LittleEndian, file).map_err(|()| cut)?;
        place(span, contents, &mut builders, &mut result.left_out);
    }
    for (memory, builder) in builders {
        let conflict = |c: super::Conflict| ElfError::Conflict { memory, at: c.at, one: c.held, other: c.given };
        result.memories.insert(memory, builder.finish().map_err(conflict)?);
    }
    if result.memories.is_empty() { Err(ElfError::Nothing) } else { Ok(result) }
}

/// Gives a segment's bytes to the memory or memories that its addresses mean.
fn place(span: Span, bytes: &[u8], builders: &mut BTreeMap<Memory, Builder>, left_out: &mut Vec<String>) {
    for (first, end, place) in PLACES {
        let here = Span::new(ByteAddress(first), ByteAddress(end)).and_then(|here| here.overlap(span));
        let Some(part) = here else { continue };
        let bytes = &bytes[(part.start().0 - span.start().0) as usize..][..part.len() as usize];
        match place {
            Place::Memory(memory) => {
                let start = ByteAddress(part.start().0 - first);
                let Some(own) = Span::sized(start, part.len()) else { continue };
                builders.entry(memory).or_default().add(own, bytes);
            }
            Place::LeftOut(why) => left_out.push(format!("{} bytes at {} are left out: they are bytes {why}.", part.len(), part.start())),
        }
    }
}

/// The header of a 32-bit little-endian executable for AVR.
fn checked_header(file: &[u8]) -> Result<&FileHeader32<LittleEndian>, ElfError> {
    let (class, order) = (file.get(4).copied().unwrap_or_default(), file.get(5).copied().unwrap_or_default());
    if (class, order) == (2, 1) || (class, order) == (2, 2) || (class, order) == (1, 2) {
        let bits = if class == 2 { 64 } else { 32 };
        let order = if order == 1 { "little-endian" } else { "big-endian" };
        let machine = file.get(18..20).map(|m| if order == "little-endian" { [m[0], m[1]] } else { [m[1], m[0]] });
        let machine = machine.map(|m| format!(" for {}", machine_name(u16::from_le_bytes(m)))).unwrap_or_default();
        return Err(ElfError::Class { found: format!("{bits}-bit {order}{machine}") });
    }
    let damaged = |_| ElfError::Damaged { offset: 0, what: "the file header is not whole" };
    let header = FileHeader32::<LittleEndian>::parse(file).map_err(damaged)?;
    let _: LittleEndian = header.endian().map_err(damaged)?;
    let machine = header.e_machine(LittleEndian);
    if machine != elf::EM_AVR {
        return Err(ElfError::Machine { found: machine_name(machine.0) });
    }
    match header.e_type(LittleEndian) {
        elf::ET_EXEC => Ok(header),
        elf::ET_REL => Err(ElfError::NotExecutable { found: "an object file".to_string() }),
        other => Err(ElfError::NotExecutable { found: format!("type {}", other.0) }),
    }
}

/// The machines that people who build for AVR are likely to have built for by mistake.
fn machine_name(machine: u16) -> String {
    let name = match machine {
        3 => "x86",
        40 => "32-bit ARM",
        62 => "x86-64",
        83 => "AVR",
        94 => "Xtensa",
        105 => "MSP430",
        183 => "64-bit ARM",
        243 => "RISC-V",
        _ => return format!("machine {machine}"),
    };
    format!("{name} (machine {machine})")
}
