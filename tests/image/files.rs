//! Files that are no image, and how formats are told apart.

use super::make::{elf, load, record};
use farrier::image::read::{LARGEST_FILE, load as load_file};
use farrier::image::{ByteAddress, Format, Memory};
use std::fs;
use tempfile::TempDir;

const HEX: &[u8] = b":02000000BEEF51\n:00000001FF\n";

fn message(name: &str, contents: &[u8], at: Option<u32>) -> String {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join(name);
    fs::write(&path, contents).unwrap();
    load_file(&path, at.map(ByteAddress)).expect_err(name).to_string()
}

fn says(message: &str, pieces: &[&str]) {
    for piece in pieces {
        assert!(message.contains(piece), "no '{piece}' in:\n{message}");
    }
}

#[test]
fn formats_are_told_by_contents_and_not_by_name() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("vent.bin");
    fs::write(&path, HEX).unwrap();
    assert_eq!(load_file(&path, None).unwrap().format, Format::IntelHex);
    fs::write(&path, elf(&[load(0, &[1])])).unwrap();
    assert_eq!(load_file(&path, None).unwrap().format, Format::Elf);
    fs::write(&path, [0x0C, 0x94, 0x34, 0x00]).unwrap();
    let file = load_file(&path, Some(ByteAddress(0x1F000))).unwrap();
    assert_eq!(file.format, Format::Binary);
    assert_eq!(file.flash().spans().map(|s| s.to_string()).collect::<Vec<_>>(), ["0x1F000 to 0x1F003"]);
    assert_eq!(file.others().count(), 0);
}

#[test]
fn an_elf_with_nothing_for_the_flash_has_an_empty_flash() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("settings.elf");
    fs::write(&path, elf(&[load(0x81_0000, &[1, 2])])).unwrap();
    let file = load_file(&path, None).unwrap();
    assert!(file.flash().is_empty());
    assert_eq!(file.others().map(|(memory, image)| (memory, image.len())).collect::<Vec<_>>(), [(Memory::Eeprom, 2)]);
}

#[test]
fn what_is_no_image_file_is_called_by_what_it_is() {
    let folder = TempDir::new().unwrap();
    let of_folder = load_file(folder.path(), None).unwrap_err().to_string();
    says(&of_folder, &[folder.path().to_str().unwrap(), "found a folder", "expected an image file"]);
    let missing = load_file(&folder.path().join("frost.hex"), None).unwrap_err().to_string();
    says(&missing, &["frost.hex", "cannot be read", "No such file"]);
    says(&load_file("/dev/null".as_ref(), None).unwrap_err().to_string(), &["found a device or pipe", "expected an ordinary file"]);
    says(&message("empty.hex", b"", None), &["empty.hex", "empty file", "0 bytes"]);
    says(&message("empty.bin", b"", Some(0)), &["empty file"]);
    says(
        &message("pump.hex", b"PK\x03\x04rest", None),
        &["pump.hex", "another kind of file", "found a ZIP archive", "expected Intel HEX, ELF"],
    );
    says(&message("pump.hex", b"<!DOCTYPE html><html>", None), &["found a web page"]);
    says(&message("pump.hex", b"S00600004844521B\n", None), &["found Motorola S-records"]);
    says(&message("pump.hex", b"just some notes\n", None), &["found plain text"]);
    says(&message("pump.hex", &[0x0C, 0x94, 0x34, 0x00], None), &["binary data of no known kind", "--at ADDRESS"]);
    says(&message("pump.hex", &[0xFF; 64], None), &["one byte over and over"]);
}

#[test]
fn a_file_too_large_is_refused_by_its_size_alone() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("disk.img");
    fs::File::create(&path).unwrap().set_len(LARGEST_FILE + 1).unwrap();
    says(&load_file(&path, None).unwrap_err().to_string(), &["disk.img", "too large", "found 67108865 bytes", "at most 67108864"]);
}

#[test]
fn at_is_for_raw_binary_only() {
    says(&message("vent.hex", HEX, Some(0x100)), &["--at", "Intel HEX", "Leave --at out"]);
    says(&message("vent.elf", &elf(&[load(0, &[1])]), Some(0)), &["--at", "ELF", "Leave --at out"]);
    says(&message("vent.bin", &[1, 2, 3], Some(u32::MAX - 2)), &["does not fit at 0xFFFFFFFD", "3 bytes"]);
}

#[test]
fn a_damaged_first_line_is_still_intel_hex() {
    let text = format!("x{}\n{}\n:00000001FF\n", record(0, 0, &[1]), record(0, 1, &[2]));
    says(&message("vent.hex", text.as_bytes(), None), &["vent.hex: line 1: not a record", "found 'x'", "expected ':'"]);
}
