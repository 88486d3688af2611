//! ELF: which bytes belong to which memory, and every mistake.

use super::make::{Segment, elf, load};
use farrier::image::elf::{ElfFile, read};
use farrier::image::{ByteAddress, Image, Memory};

const LIMIT: u64 = 1 << 20;

fn held(file: &ElfFile, memory: Memory) -> Option<Vec<(u32, Vec<u8>)>> {
    Some(file.memories.get(&memory)?.runs().map(|(at, run)| (at.0, run.to_vec())).collect())
}

#[test]
fn each_memory_is_its_own_and_counts_from_zero() {
    let file = elf(&[
        load(0, &[1, 2, 3, 4]),
        load(4, &[5]),
        load(0x80_0100, &[6, 6, 6]),
        load(0x81_0010, &[7, 8]),
        load(0x82_0000, &[0xE2, 0xD9, 0xFF]),
        load(0x83_0000, &[0xCF]),
        load(0x84_0000, &[0x1E, 0x97, 0x05]),
    ]);
    let file = read(&file, LIMIT).unwrap();
    assert_eq!(held(&file, Memory::Flash), Some(vec![(0, vec![1, 2, 3, 4, 5])]));
    assert_eq!(held(&file, Memory::Eeprom), Some(vec![(0x10, vec![7, 8])]));
    assert_eq!(held(&file, Memory::Configuration), Some(vec![(0, vec![0xE2, 0xD9, 0xFF])]));
    assert_eq!(held(&file, Memory::Lock), Some(vec![(0, vec![0xCF])]));
    assert_eq!(file.left_out.len(), 2);
    assert!(file.left_out[0].contains("3 bytes at 0x800100") && file.left_out[0].contains("RAM"), "{:?}", file.left_out);
}

#[test]
fn segments_that_load_nothing_are_let_pass() {
    let notes = Segment { kind: 4, physical: 0, contents: &[1, 2, 3] };
    let file = read(&elf(&[load(0x80_0100, &[]), notes, load(0x100, &[9])]), LIMIT).unwrap();
    assert_eq!(file.memories.values().map(Image::len).sum::<usize>(), 1);
    assert_eq!(file.memories[&Memory::Flash].byte(ByteAddress(0x100)), Some(9));
}

#[test]
fn a_segment_across_the_end_of_the_flash_is_parted() {
    let file = read(&elf(&[load(0x7F_FFFE, &[1, 2, 3, 4])]), LIMIT).unwrap();
    assert_eq!(held(&file, Memory::Flash), Some(vec![(0x7F_FFFE, vec![1, 2])]));
    assert!(file.left_out[0].contains("2 bytes at 0x800000"));
}

#[test]
fn every_mistake_says_offset_found_and_expected() {
    let good = elf(&[load(0, &[1, 2, 3, 4])]);
    let with = |at: usize, bytes: &[u8]| {
        let mut file = good.clone();
        file[at..at + bytes.len()].copy_from_slice(bytes);
        file
    };
    let cases: Vec<(Vec<u8>, &[&str])> = vec![
        (with(4, &[2]), &["offset 0x4", "found 64-bit little-endian", "expected 32-bit"]),
        (with(5, &[2]), &["offset 0x4", "found 32-bit big-endian", "expected 32-bit little-endian"]),
        (
            {
                let mut f = with(4, &[2]);
                f[18] = 62;
                f
            },
            &["64-bit little-endian for x86-64 (machine 62)"],
        ),
        (with(18, &[40]), &["offset 0x12", "found 32-bit ARM (machine 40)", "expected AVR (machine 83)"]),
        (with(18, &[0xF3, 0x7F]), &["found machine 32755", "expected AVR"]),
        (with(16, &[1]), &["offset 0x10", "not a linked program", "found an object file", "expected an executable"]),
        (with(16, &[4]), &["offset 0x10", "found type 4", "expected an executable"]),
        (good[..40].to_vec(), &["offset 0x0", "damaged", "file header"]),
        (good[..60].to_vec(), &["offset 0x34", "damaged", "table of segments"]),
        (with(28, &[0xFF, 0xFF, 0xFF, 0xFF]), &["offset 0xFFFFFFFF", "damaged", "table of segments"]),
        (good[..good.len() - 1].to_vec(), &["offset 0x34", "segment 0 is cut off", "4 bytes at offset 0x54", "file of 87 bytes"]),
        (with(52 + 12, &[0xFE, 0xFF, 0xFF, 0xFF]), &["offset 0x34", "out of range", "4 bytes from 0xFFFFFFFE"]),
        (elf(&[]), &["offset 0x34", "nothing to load"]),
        (elf(&[load(0x80_0000, &[1])]), &["nothing to load"]),
        (elf(&[load(0, &[1, 2]), load(1, &[3])]), &["conflicting bytes", "flash address 0x00001", "0x02", "0x03"]),
    ];
    for (file, expected) in cases {
        let message = read(&file, LIMIT).expect_err(expected[0]).to_string();
        for piece in expected {
            assert!(message.contains(piece), "no '{piece}' in:\n{message}");
        }
        assert!(message.lines().all(|line| line.len() <= 100), "too wide:\n{message}");
    }
}

#[test]
fn a_small_file_cannot_ask_for_more_than_the_limit() {
    // Every segment has the same contents in the file, each at another address.
    let mut file = elf(&[load(0, &[1; 4096]), load(0x10000, &[]), load(0x20000, &[])]);
    for segment in 1..3 {
        file[52 + 32 * segment + 4..][..4].copy_from_slice(&(52_u32 + 96).to_le_bytes());
        file[52 + 32 * segment + 16..][..4].copy_from_slice(&4096_u32.to_le_bytes());
    }
    assert_eq!(read(&file, LIMIT).unwrap().memories[&Memory::Flash].len(), 3 * 4096);
    let message = read(&file, 8192).unwrap_err().to_string();
    assert!(message.contains("offset 0x74") && message.contains("12288 bytes") && message.contains("at most 8192"), "{message}");
}
