//! What each fuzz target does with its bytes: read them, and check what must hold of whatever was read.
//!
//! A reader may refuse anything, but must not panic, and its message must be fit to be read.

mod bridge;
mod records;

pub use bridge::{frame, replies};
pub use records::{journal, snapshot};

use farrier::board::{Catalog, read_board, read_chip};
use farrier::image::{ByteAddress, Core, Image, compare, elf, hex, parse, start_at, vectors, write};
use farrier::reader::Mistake;

/// The widest line of a message.
const WIDTH: usize = 100;

/// Intel HEX: what was read and written again reads the same.
pub fn hex(bytes: &[u8]) {
    match hex::read(bytes) {
        Ok(file) => same_when_written(&file.image),
        Err(error) => fit_to_read(&error.to_string()),
    }
}

/// ELF for AVR.
pub fn elf(bytes: &[u8]) {
    const LIMIT: u64 = 1 << 20;
    match elf::read(bytes, LIMIT) {
        Ok(file) => {
            let held: usize = file.memories.values().map(Image::len).sum();
            assert!(held as u64 <= LIMIT);
            file.memories.values().for_each(same_when_written);
        }
        Err(error) => fit_to_read(&error.to_string()),
    }
}

/// A file of any format, with and without an address for raw binary; and what commands ask of it.
pub fn image(bytes: &[u8]) {
    for at in [None, Some(ByteAddress(0x1_F800))] {
        match parse(bytes.to_vec(), at) {
            Ok(file) => {
                for entry in [0, 0x1_F800, u32::MAX] {
                    let _ = start_at(file.flash(), ByteAddress(entry), Core { flash_bytes: 0x2_0000, jmp: true });
                    let _ = vectors(file.flash(), ByteAddress(entry), Core { flash_bytes: 0x2000, jmp: false });
                }
                assert!(compare(file.flash(), file.flash()).alike());
            }
            Err(problem) => fit_to_read(&problem.to_string()),
        }
    }
}

/// A board file.
pub fn board(bytes: &[u8]) {
    let catalog = Catalog::built_in();
    let find_chip = |part: &str| catalog.chip(part).map_err(|error| error.to_string());
    if let Err(mistakes) = read_board(&String::from_utf8_lossy(bytes), find_chip) {
        some(&mistakes);
    }
}

/// A chip file.
pub fn chip(bytes: &[u8]) {
    if let Err(mistakes) = read_chip(&String::from_utf8_lossy(bytes)) {
        some(&mistakes);
    }
}

fn same_when_written(image: &Image) {
    let again = hex::read(&write::hex(image)).map(|file| file.image);
    assert_eq!(again.as_ref(), Ok(image));
}

fn fit_to_read(message: &str) {
    assert!(!message.is_empty());
    assert!(message.lines().all(|line| line.chars().count() <= WIDTH), "{message}");
}

/// A file that is refused must come with a reason.
fn some(mistakes: &[Mistake]) {
    assert!(!mistakes.is_empty());
}
