//! A board as it is after a while in use: a loader and an application in its flash, its configuration set, settings in its EEPROM.

use crate::board::{self, Board, Chip};
use crate::image::{ByteAddress, Image, Span};
use crate::sim::contents::Contents;
use crc::{CRC_16_XMODEM, Crc};
use fastrand::Rng;

/// Vectors of a stand-in: as many as the smallest parts have.
const VECTORS: u32 = 10;
/// The largest stand-in for an application that fits.
const STAND_IN_MOST: u32 = 6 << 10;
/// Parts with at most this much flash jump with one word (RJMP), larger ones with two (JMP): datasheets, chapter Interrupts, from memory.
const ONE_WORD_JUMPS_UP_TO: u32 = 8 << 10;

/// What a used board holds, and what it holds it from.
#[derive(Clone, Debug)]
pub struct Used {
    pub contents: Contents,
    pub application: Image,
    /// `None` where the board reserves no flash for one.
    pub loader: Option<Image>,
}

impl Used {
    /// The board in use. The seed chooses its calibration byte and its settings; image and configuration are the same on all such boards.
    pub fn of(board: &Board, chip: &Chip, seed: u64) -> Used {
        let mut rng = Rng::with_seed(seed);
        let mut contents = Contents::factory(chip, rng.u8(0x80..));
        let (application, loader) = (application(board, chip), loader(board, chip));
        for (at, bytes) in loader.iter().chain([&application]).flat_map(Image::runs) {
            put(&mut contents.flash, at.0, bytes);
        }
        contents.fuses = board.expected_configuration(chip, &contents.fuses);
        contents.lock = board.expected_lock(chip, contents.lock);
        put(&mut contents.eeprom, settings_span(board, chip).start().0, &settings(board, chip, &mut rng));
        Used { contents, application, loader }
    }
}

/// Puts bytes into a memory, as far as they lie inside.
pub(super) fn put(memory: &mut [u8], at: u32, bytes: &[u8]) {
    let cells = memory.iter_mut().skip(at as usize);
    cells.zip(bytes).for_each(|(cell, byte)| *cell = *byte);
}

/// The application that comes with the board, or a stand-in for one.
fn application(board: &Board, chip: &Chip) -> Image {
    let room = board.application(chip);
    let fits = |image: &Image| image.extent().is_some_and(|extent| room.encloses(extent));
    let mut demos = board::demo_applications().iter();
    let own = demos.find(|demo| demo.board == board.name && demo.part == chip.part && fits(&demo.image));
    own.map_or_else(
        || {
            let bytes = (room.len() / 4).clamp(chip.flash.page, STAND_IN_MOST.max(chip.flash.page)).min(room.len());
            stand_in(chip, room.start(), bytes, &board.name)
        },
        |demo| demo.image.clone(),
    )
}

/// The loader that is built in for the board's reservation, or a stand-in for one.
fn loader(board: &Board, chip: &Chip) -> Option<Image> {
    let reservation = board.reservation.as_ref()?;
    let built = reservation.loader.as_deref().and_then(|name| board::loader(name, board, chip).ok()).map(|built| built.image);
    let span = reservation.span;
    Some(built.unwrap_or_else(|| stand_in(chip, span.start(), span.len() - span.len() / 8, &board.name)))
}

/// An image that no compiler made: vectors as a program begins with them, then noise that stands for its code. The same for the
/// same name.
pub(super) fn stand_in(chip: &Chip, start: ByteAddress, bytes: u32, name: &str) -> Image {
    let mut rng = Rng::with_seed(u64::from(checksum(name.as_bytes())) << 32 | u64::from(start.0));
    let short = chip.flash.bytes <= ONE_WORD_JUMPS_UP_TO;
    let step = if short { 2 } else { 4 };
    let code = VECTORS * step;
    let words = (0..VECTORS).flat_map(|vector| jump(start.0 + vector * step, start.0 + code, short));
    // EOR r1, r1: what compilers begin with.
    let mut image: Vec<u8> = words.chain([0x2411]).flat_map(u16::to_le_bytes).collect();
    // A byte that is not blank, so that it shows where the image ends.
    image.resize_with((bytes as usize).max(image.len()), || rng.u8(..0xFF));
    Image::of(start, &image)
}

/// RJMP or JMP at a byte address (AVR Instruction Set Manual, DS40002198, from memory).
fn jump(from: u32, to: u32, short: bool) -> Vec<u16> {
    let word = to / 2;
    match short {
        true => vec![0xC000 | (word.wrapping_sub(from / 2 + 1) & 0x0FFF) as u16],
        false => vec![0x940C | (word >> 17 << 4 & 0x01F0) as u16 | (word >> 16 & 1) as u16, word as u16],
    }
}

/// Where the settings lie: as the board says, or the first half of the EEPROM.
pub(super) fn settings_span(board: &Board, chip: &Chip) -> Span {
    board.settings.as_ref().map_or(Span::first(chip.eeprom.bytes / 2), |store| store.span)
}

/// Settings as a board gathers them: layout and name, a row of values, how often it was started, and a CRC over all of it.
fn settings(board: &Board, chip: &Chip, rng: &mut Rng) -> Vec<u8> {
    let room = settings_span(board, chip).len() as usize;
    let mut bytes = vec![1, rng.u8(1..=12)];
    bytes.extend(board.name.bytes().chain([0; 12]).take(12));
    let values = room.saturating_sub(bytes.len() + 4) / 2;
    bytes.extend((0..values.min(60)).flat_map(|_| rng.u16(5..3_000).to_le_bytes()));
    bytes.extend(rng.u16(200..9_000).to_le_bytes());
    bytes.truncate(room.saturating_sub(2));
    bytes.extend(checksum(&bytes).to_le_bytes());
    bytes
}

fn checksum(bytes: &[u8]) -> u16 {
    Crc::<u16>::new(&CRC_16_XMODEM).checksum(bytes)
}
