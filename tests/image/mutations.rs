//! Bad days: random bytes, and files cut or changed anywhere. An error or an image, never a panic.

use super::make::{elf, load, record};
use farrier::image::read::{Problem, parse};
use farrier::image::{ByteAddress, Format, Image, ImageFile, hex};
use proptest::prelude::*;

/// A HEX file of both address forms, a start record and long and short data records.
pub fn good_hex() -> Vec<u8> {
    let data: Vec<u8> = (0..64_u8).map(|n| n.wrapping_mul(37)).collect();
    let lines = [
        record(0, 0, &data[..16]),
        record(2, 0, &[0x10, 0x00]),
        record(0, 0xFFF8, &data[16..32]),
        record(4, 0, &[0x00, 0x02]),
        record(0, 0x0100, &data),
        record(3, 0, &[0, 0, 0, 0]),
        record(5, 0, &[0, 1, 0xF8, 0]),
        record(1, 0, &[]),
    ];
    lines.iter().flat_map(|line| format!("{line}\r\n").into_bytes()).collect()
}

/// An ELF file for three memories.
pub fn good_elf() -> Vec<u8> {
    elf(&[load(0, &[0x0C, 0x94, 2, 0, 0xFF, 0xCF]), load(0x80_0100, &[]), load(0x81_0000, &[1, 2, 3]), load(0x82_0000, &[0xE2])])
}

fn raw(bytes: Vec<u8>) -> Result<ImageFile, Problem> {
    parse(bytes, None)
}

/// Every message must be readable: it says something and stays within 100 columns.
fn sensible(result: Result<ImageFile, Problem>) {
    if let Err(problem) = result {
        let message = problem.to_string();
        assert!(!message.is_empty() && message.lines().all(|line| line.chars().count() <= 100), "{message}");
    }
}

#[test]
fn every_cut_of_a_hex_file_is_noticed() {
    let good = good_hex();
    let whole = raw(good.clone()).unwrap();
    let end = good.len() - 2;
    for len in 0..good.len() {
        match raw(good[..len].to_vec()) {
            // Only the line end after the end record may be missing.
            Ok(file) => assert!(len >= end && file == whole, "a cut after {len} bytes went unnoticed"),
            Err(problem) => sensible(Err(problem)),
        }
    }
}

#[test]
fn every_changed_byte_of_a_hex_file_is_noticed_or_harmless() {
    let good = good_hex();
    let whole = raw(good.clone()).unwrap();
    for at in 0..good.len() {
        for value in 0..=255_u8 {
            let mut changed = good.clone();
            changed[at] = value;
            match raw(changed) {
                // A digit of the other case, or another blank at a line's end, says the same.
                Ok(file) => assert_eq!(file, whole, "byte {at} changed to 0x{value:02X} went unnoticed"),
                Err(problem) => sensible(Err(problem)),
            }
        }
    }
}

#[test]
fn every_cut_and_changed_byte_of_an_elf_file_is_survived() {
    let good = good_elf();
    assert_eq!(raw(good.clone()).unwrap().format, Format::Elf);
    for len in 0..good.len() {
        assert!(raw(good[..len].to_vec()).is_err(), "a cut after {len} bytes went unnoticed");
    }
    for at in 0..good.len() {
        for value in 0..=255_u8 {
            let mut changed = good.clone();
            changed[at] = value;
            sensible(raw(changed));
        }
    }
}

/// The file with some bytes changed, put in, taken out, or cut off.
pub fn mutated(good: Vec<u8>) -> impl Strategy<Value = Vec<u8>> {
    let changes = prop::collection::vec((any::<prop::sample::Index>(), any::<u8>(), 0..4_u8), 1..6);
    changes.prop_map(move |changes| {
        let mut bytes = good.clone();
        for (at, value, kind) in changes {
            let at = at.index(bytes.len().max(1)).min(bytes.len());
            match kind {
                0 if at < bytes.len() => bytes[at] = value,
                1 => bytes.insert(at, value),
                2 if at < bytes.len() => drop(bytes.remove(at)),
                _ => bytes.truncate(at.max(1)),
            }
        }
        bytes
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn random_bytes_are_survived(bytes in prop::collection::vec(any::<u8>(), 0..400), at in prop::option::of(any::<u32>())) {
        sensible(parse(bytes, at.map(ByteAddress)));
    }

    #[test]
    fn random_bytes_after_a_true_beginning_are_survived(
        bytes in prop::collection::vec(any::<u8>(), 0..400),
        beginning in prop::sample::select(vec![&b":"[..], b":10", b"\x7fELF\x01\x01\x01", b"\x7fELF"]),
    ) {
        sensible(raw([beginning, &bytes].concat()));
    }

    #[test]
    fn mutated_hex_is_survived(bytes in mutated(good_hex())) {
        sensible(raw(bytes));
    }

    #[test]
    fn mutated_elf_is_survived(bytes in mutated(good_elf())) {
        sensible(raw(bytes));
    }

    #[test]
    fn well_formed_records_in_any_mixture_never_panic(
        records in prop::collection::vec((0..7_u8, any::<u16>(), prop::collection::vec(any::<u8>(), 0..6)), 0..12),
    ) {
        let text: String = records.iter().map(|(kind, offset, data)| record(*kind, *offset, data) + "\n").collect();
        let _: Result<hex::HexFile, _> = hex::read(text.as_bytes());
    }

    /// Data records in any order, overlapping: the image is what a naive reader gets, or there is a true conflict.
    #[test]
    fn records_in_any_order_are_a_map(
        records in prop::collection::vec((0..80_u16, prop::collection::vec(0..2_u8, 0..12)), 0..8),
    ) {
        let mut map = std::collections::BTreeMap::new();
        let mut conflict = false;
        for (at, data) in &records {
            for (n, byte) in data.iter().enumerate() {
                conflict |= *map.entry(u32::from(*at) + n as u32).or_insert(*byte) != *byte;
            }
        }
        let mut text: String = records.iter().map(|(at, data)| record(0, *at, data) + "\n").collect();
        text += ":00000001FF\n";
        match hex::read(text.as_bytes()) {
            Ok(file) => {
                prop_assert!(!conflict);
                let mut image = Image::default();
                map.iter().for_each(|(at, byte)| image.overwrite(ByteAddress(*at), &[*byte]));
                prop_assert_eq!(file.image, image);
            }
            Err(hex::HexError::Conflict { line, at, found, expected, earlier }) => {
                prop_assert!(conflict && earlier < line);
                let byte = |line: usize| {
                    let (start, data) = &records[line - 1];
                    at.0.checked_sub(u32::from(*start)).and_then(|n| data.get(n as usize)).copied()
                };
                prop_assert_eq!((byte(line), byte(earlier)), (Some(found), Some(expected)));
                prop_assert_ne!(found, expected);
            }
            Err(other) => prop_assert!(false, "{}", other),
        }
    }
}
