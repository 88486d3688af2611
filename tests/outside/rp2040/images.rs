//! The committed images: what their source builds, and what the chip's ROM takes.
//!
//! The ROM's rules and the UF2 format are checked from their published descriptions, apart from the script that made the files.

use super::{FLASH, built, committed, flash_image};
use std::fs;

const SECTOR: usize = 4096;

#[test]
fn the_committed_images_are_what_their_source_builds() {
    for name in ["bridge-rp2040.hex", "bridge-rp2040.uf2"] {
        let (kept, fresh) = (fs::read(committed(name)).unwrap(), fs::read(built().join(name)).unwrap());
        assert!(kept == fresh, "{name}: build it again with `make -C hardware-notes/bridge`");
    }
}

#[test]
fn the_rom_finds_a_second_stage_with_the_right_crc_and_the_vectors_lie_in_ram() {
    let image = flash_image();
    let crc = crc::Crc::<u32>::new(&crc::CRC_32_MPEG_2);
    assert_eq!(crc.checksum(&image[..252]).to_le_bytes(), image[252..256], "the CRC at 0x100000FC");
    let word = |at: usize| u32::from_le_bytes(image[at..at + 4].try_into().unwrap());
    assert_eq!(word(0x100), 0x2004_0000, "the stack begins at the end of the RAM");
    // The second stage copies what follows it to 0x20000000 and starts it there, in Thumb state.
    let begin = word(0x104);
    assert!(begin % 2 == 1 && (0x2000_0000..0x2000_0000 + image.len() as u32).contains(&begin), "0x{begin:08X}");
}

/// A block of a UF2 file.
struct Block<'a> {
    flags: u32,
    address: u32,
    payload: &'a [u8],
    number: u32,
    count: u32,
    family: u32,
}

fn blocks(file: &[u8]) -> Vec<Block<'_>> {
    let (blocks, rest) = file.as_chunks::<512>();
    assert!(rest.is_empty(), "{} bytes are no whole blocks", file.len());
    let read = |block: &'_ [u8; 512], at: usize| u32::from_le_bytes(block[at..at + 4].try_into().unwrap());
    let read_all = |block| {
        assert_eq!((read(block, 0), read(block, 4), read(block, 508)), (0x0A32_4655, 0x9E5D_5157, 0x0AB1_6F30), "the magic numbers");
        let size = read(block, 16) as usize;
        let [flags, address, number, count, family] = [8, 12, 20, 24, 28].map(|at| read(block, at));
        Block { flags, address, payload: &block[32..32 + size], number, count, family }
    };
    blocks.iter().map(read_all).collect()
}

#[test]
fn the_uf2_file_has_blocks_that_the_rom_takes() {
    let file = fs::read(committed("bridge-rp2040.uf2")).unwrap();
    let blocks = blocks(&file);
    for (number, block) in (0..).zip(&blocks) {
        // The only flag is 'a family is named', and the family is the RP2040's.
        assert_eq!((block.flags, block.family), (0x2000, 0xE48B_FF56), "block {number}");
        assert_eq!((block.number, block.count), (number, blocks.len() as u32), "block {number}");
        assert_eq!((block.payload.len(), block.address), (256, FLASH + 256 * number), "block {number}");
    }
}

#[test]
fn the_uf2_file_fills_whole_sectors_and_holds_what_the_hex_file_holds() {
    let file = fs::read(committed("bridge-rp2040.uf2")).unwrap();
    let mut image = flash_image();
    image.resize(image.len().next_multiple_of(SECTOR), 0xFF);
    let payload: Vec<u8> = blocks(&file).iter().flat_map(|block| block.payload).copied().collect();
    assert!(payload == image);
}
