//! The image readers and the HEX writer against binutils and the Python library intelhex, on images made here.

use super::{program, python, run};
use crate::image::make::record;
use farrier::board::Catalog;
use farrier::image::{ByteAddress, Image, ImageFile, Memory, load, vectors, write};
use fastrand::Rng;
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use tempfile::TempDir;

const MIB: u32 = 1 << 20;

/// Spans and CRC-32, as whoever read the image says.
#[derive(Debug, PartialEq)]
struct Reading {
    spans: Vec<(u64, u64)>,
    crc32: u64,
}

fn ours(image: &Image) -> Reading {
    let spans = image.spans().map(|span| (span.start().0.into(), span.end().0.into())).collect();
    Reading { spans, crc32: image.crc32().into() }
}

/// The lines that `images.py` prints for these files.
fn from_python(files: &[&Path]) -> Vec<Value> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/images.py");
    let printed = run(Command::new(python()).arg(script).args(files));
    String::from_utf8(printed).unwrap().lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

fn by_intelhex(hex: &Path) -> Reading {
    let said = &from_python(&[hex])[0];
    let number = |value: &Value| value.as_u64().unwrap();
    let spans = said["spans"].as_array().unwrap().iter().map(|span| (number(&span[0]), number(&span[1]))).collect();
    Reading { spans, crc32: number(&said["crc32"]) }
}

/// Spans as objdump lists the sections, bytes as objcopy writes them, CRC-32 by Python's zlib.
fn by_binutils(hex: &Path) -> Reading {
    let listing = String::from_utf8(run(Command::new(program("objdump")).args(["-h", "-b", "ihex"]).arg(hex))).unwrap();
    let mut spans: Vec<(u64, u64)> = Vec::new();
    let mut sections: Vec<(u64, u64)> = listing.lines().filter_map(section).collect();
    sections.sort_unstable();
    for (start, end) in sections {
        match spans.last_mut() {
            Some(last) if last.1 == start => last.1 = end,
            _ => spans.push((start, end)),
        }
    }
    let binary = hex.with_extension("bin");
    run(Command::new(program("objcopy")).args(["-I", "ihex", "-O", "binary"]).args([hex, &binary]));
    let whole = fs::read(&binary).unwrap();
    let cut = |(start, end): &(u64, u64)| whole[(start - spans[0].0) as usize..(end - spans[0].0) as usize].to_vec();
    let held: Vec<u8> = spans.iter().flat_map(cut).collect();
    fs::write(&binary, held).unwrap();
    Reading { crc32: from_python(&[&binary])[0]["crc32"].as_u64().unwrap(), spans }
}

/// A line of objdump's table of sections: number, name, size, address, ...
fn section(line: &str) -> Option<(u64, u64)> {
    let words: Vec<&str> = line.split_whitespace().collect();
    words.first()?.parse::<usize>().ok()?;
    let number = |n: usize| u64::from_str_radix(words.get(n)?, 16).ok();
    let (size, start) = (number(2)?, number(3)?);
    Some((start, start + size))
}

/// All three readers must say the same of the file.
fn all_agree(hex: &Path) -> Reading {
    let own = ours(load(hex, None).unwrap().flash());
    assert_eq!(own, by_intelhex(hex), "{}: ours and intelhex", hex.display());
    assert_eq!(own, by_binutils(hex), "{}: ours and binutils", hex.display());
    own
}

/// Pieces of random bytes below `end`, not touching each other, each of at most `longest` bytes.
fn pieces(rng: &mut Rng, end: u32, count: usize, longest: u32) -> Vec<(u32, Vec<u8>)> {
    let mut starts: Vec<u32> = (0..count).map(|_| rng.u32(0..end - longest)).collect();
    starts.sort_unstable();
    starts.dedup();
    let room = |n: usize| starts.get(n + 1).copied().unwrap_or(end) - starts[n] - 1;
    let piece = |n: usize| (starts[n], std::iter::repeat_with(|| rng.u8(..)).take(room(n).min(longest) as usize).collect());
    (0..starts.len()).map(piece).filter(|(_, bytes): &(u32, Vec<u8>)| !bytes.is_empty()).collect()
}

/// The pieces as a HEX file that no tool of ours wrote: records of any length, in any order where `shuffled`, addresses by
/// type 02 or 04, now and then in small letters and with CRLF.
fn hex_text(rng: &mut Rng, pieces: &[(u32, Vec<u8>)], by_segment: bool, shuffled: bool) -> String {
    let mut data: Vec<(u32, Vec<u8>)> = Vec::new();
    for (start, bytes) in pieces {
        let mut done = 0;
        while done < bytes.len() {
            let at = start + done as u32;
            // No record crosses a multiple of 64 KiB: what type 02 then means, readers do not agree about.
            let most = (0x1_0000 - at % 0x1_0000).min(255) as usize;
            let len = rng.usize(1..=most).min(bytes.len() - done);
            data.push((at, bytes[done..done + len].to_vec()));
            done += len;
        }
    }
    if shuffled {
        rng.shuffle(&mut data);
    }
    let line_end = if rng.bool() { "\n" } else { "\r\n" };
    let mut upper = 0;
    let mut text = String::new();
    let mut put = |line: String| text.push_str(&((if line.len() % 4 == 1 { line.to_lowercase() } else { line }) + line_end));
    for (at, bytes) in data {
        if at >> 16 != upper {
            upper = at >> 16;
            let (kind, base) = if by_segment { (2, upper << 12) } else { (4, upper) };
            put(record(kind, 0, &(base as u16).to_be_bytes()));
        }
        put(record(0, at as u16, &bytes));
    }
    put(record(1, 0, &[]));
    text
}

#[test]
fn eight_mib_written_by_objcopy_read_the_same() {
    let folder = TempDir::new().unwrap();
    let (binary, hex) = (folder.path().join("whole"), folder.path().join("whole.hex"));
    let bytes = random(8, 8 * MIB as usize);
    fs::write(&binary, &bytes).unwrap();
    run(Command::new(program("objcopy")).args(["-I", "binary", "-O", "ihex"]).args([&binary, &hex]));
    let reading = all_agree(&hex);
    assert_eq!(reading.spans, [(0, 8 * u64::from(MIB))]);
    assert_eq!(Some(reading.crc32), from_python(&[&binary])[0]["crc32"].as_u64());
}

fn random(seed: u64, len: usize) -> Vec<u8> {
    let mut bytes = vec![0; len];
    Rng::with_seed(seed).fill(&mut bytes);
    bytes
}

#[test]
fn sparse_images_up_to_eight_mib_read_the_same() {
    for seed in 0..12 {
        let folder = TempDir::new().unwrap();
        let mut rng = Rng::with_seed(seed);
        let by_segment = seed % 3 == 0;
        let (end, shuffled) = (if by_segment { MIB } else { 8 * MIB }, seed % 2 == 0);
        let longest = if seed == 1 { 100_000 } else { 1500 };
        let made = pieces(&mut rng, end, 20, longest);
        let hex = folder.path().join(format!("seed-{seed}.hex"));
        fs::write(&hex, hex_text(&mut rng, &made, by_segment, shuffled)).unwrap();
        let reading = all_agree(&hex);
        let expected: Vec<(u64, u64)> = made.iter().map(|(at, bytes)| (u64::from(*at), u64::from(*at) + bytes.len() as u64)).collect();
        assert_eq!(reading.spans, expected, "seed {seed}");
    }
}

#[test]
fn what_our_writer_wrote_is_read_alike_by_others() {
    let folder = TempDir::new().unwrap();
    let mut rng = Rng::with_seed(99);
    let mut image = Image::default();
    for (at, bytes) in pieces(&mut rng, 8 * MIB, 30, 40_000) {
        image.overwrite(ByteAddress(at), &bytes);
    }
    let hex = folder.path().join("ours.hex");
    fs::write(&hex, write::hex(&image)).unwrap();
    assert_eq!(all_agree(&hex), ours(&image));
    let binary = folder.path().join("ours.bin");
    run(Command::new(program("objcopy")).args(["-I", "ihex", "-O", "binary", "--gap-fill", "0xFF"]).args([&hex, &binary]));
    assert!(fs::read(&binary).unwrap() == write::binary(&image, 0xFF).unwrap().bytes, "raw binary and objcopy's differ");
}

const PROGRAM: &str = r#"
#include <avr/io.h>
#include <avr/eeprom.h>
#include <avr/interrupt.h>
FUSES = { .low = 0xE2, .high = 0xD9, .extended = 0xFC };
LOCKBITS = 0xCF;
uint8_t EEMEM setpoints[5] = { 18, 21, 24, 27, 30 };
volatile uint8_t vents[7] = { 9, 8, 7, 6, 5, 4, 3 };
volatile uint8_t readings[100];
ISR(TIMER0_OVF_vect) { vents[0]++; }
int main(void) { sei(); for (;;) vents[1] += readings[3] + eeprom_read_byte(setpoints); }
"#;

/// The program for a chip, as avr-gcc links it.
fn linked(folder: &Path, chip: &str, more: &[&str]) -> PathBuf {
    let (source, elf) = (folder.join("vent.c"), folder.join("vent.elf"));
    fs::write(&source, PROGRAM).unwrap();
    run(Command::new(program("avr-gcc")).args(["-Os", "-o"]).arg(&elf).arg(format!("-mmcu={chip}")).args(more).arg(&source));
    elf
}

/// The bytes of some sections, as objcopy takes them out.
fn sections(elf: &Path, names: &[&str]) -> Vec<u8> {
    let out = elf.with_extension("out");
    let only = names.iter().flat_map(|name| ["-j", name]);
    run(Command::new(program("avr-objcopy")).args(only).args(["-O", "binary"]).args([elf, &out]));
    fs::read(out).unwrap()
}

#[test]
fn each_memory_of_an_elf_file_is_what_objcopy_takes_out() {
    for chip in ["atmega328p", "atmega1284p", "atmega2560"] {
        let folder = TempDir::new().unwrap();
        let elf = linked(folder.path(), chip, &[]);
        let file = load(&elf, None).unwrap();
        let held = |memory: Memory| file.memories[&memory].runs().next().map(|(at, run)| (at.0, run.to_vec())).unwrap();
        assert_eq!(file.flash().spans().count(), 1, "{chip}");
        assert_eq!(held(Memory::Flash), (0, sections(&elf, &[".text", ".data"])), "{chip}");
        assert_eq!(held(Memory::Eeprom), (0, sections(&elf, &[".eeprom"])), "{chip}");
        assert_eq!(held(Memory::Configuration), (0, sections(&elf, &[".fuse"])), "{chip}");
        assert_eq!(held(Memory::Lock), (0, sections(&elf, &[".lock"])), "{chip}");
        assert_eq!(file.left_out, [""; 0]);
    }
}

#[test]
fn a_loader_linked_high_starts_where_it_was_linked() {
    let folder = TempDir::new().unwrap();
    let elf = linked(folder.path(), "atmega1284p", &["-Wl,--section-start=.text=0x1F800"]);
    let file = load(&elf, None).unwrap();
    assert_eq!(file.flash().extent().map(|span| span.start().0), Some(0x1F800));
    assert_eq!(table(&file, 0x1F800, "ATmega1284P"), disassembled(&elf));
}

fn table(file: &ImageFile, entry: u32, part: &str) -> Vec<(u32, u32)> {
    let table = vectors(file.flash(), ByteAddress(entry), Catalog::built_in().chip(part).unwrap().core());
    assert!(table.iter().all(|vector| vector.lands));
    table.iter().map(|vector| (vector.at.0, vector.to.0)).collect()
}

/// The vector table as objdump prints it: each address and its jump's target. An rjmp is followed by its target in a comment.
fn disassembled(elf: &Path) -> Vec<(u32, u32)> {
    let text = String::from_utf8(run(Command::new(program("avr-objdump")).arg("-d").arg(elf))).unwrap();
    let table = text.lines().skip_while(|line| !line.ends_with("<__vectors>:")).skip(1).take_while(|line| !line.is_empty());
    let hexadecimal = |text: &str| u32::from_str_radix(text.trim().trim_start_matches("0x"), 16).unwrap();
    let line = |line: &str| {
        let target = line.split("; ").nth(1).unwrap().split_whitespace().next().unwrap();
        (hexadecimal(line.split(':').next().unwrap()), hexadecimal(target))
    };
    table.map(line).collect()
}

#[test]
fn vector_tables_are_those_that_the_disassembler_shows() {
    // Jumps of two words, and of one on a part with 8 KiB, but for those that have JMP; how many vectors each has, says its datasheet.
    for (part, count) in [("ATmega328P", 26), ("ATmega1284P", 35), ("ATmega2560", 57), ("ATmega88", 26), ("AT90USB82", 29)] {
        let (folder, chip) = (TempDir::new().unwrap(), part.to_lowercase());
        let elf = linked(folder.path(), &chip, &[]);
        let own = table(&load(&elf, None).unwrap(), 0, part);
        assert_eq!(own.len(), count, "{chip}");
        assert_eq!(own, disassembled(&elf), "{chip}");
    }
}
