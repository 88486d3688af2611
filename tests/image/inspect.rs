//! What `inspect FILE` says, below the command line.

use super::make::{elf, load, record};
use farrier::board::Catalog;
use farrier::cli::inspect_image::{json, text};
use farrier::cli::map::Ink;
use farrier::image::{ImageFile, parse};
use std::collections::BTreeSet;

/// An application of two vectors, a loader in the vent board's reservation, and settings.
fn application() -> ImageFile {
    let words = |words: &[u16]| -> Vec<u8> { words.iter().flat_map(|word| word.to_le_bytes()).collect() };
    let table = words(&[0x940C, 0x0006, 0x940C, 0x0008, 0x940C, 0x0008, 0x2411, 0xCFFF, 0x9518]);
    let loader = words(&[0x94F8, 0x2411]);
    let file = elf(&[load(0, &table), load(0x1_F800, &loader), load(0x81_0000, &[1, 2, 3]), load(0x82_0000, &[0xF7, 0xD9, 0xFC])]);
    parse(file, None).unwrap()
}

fn lines(on_board: bool) -> Vec<String> {
    let (board, chip) = Catalog::built_in().board("vent").unwrap();
    text("vent.elf", &application(), on_board.then_some((&board, &chip)), 100, Ink::Ascii)
}

fn has(lines: &[String], wanted: &str) {
    assert!(lines.iter().any(|line| line == wanted), "no line\n{wanted}\nin\n{}", lines.join("\n"));
}

#[test]
fn text_names_format_spans_sizes_and_checksum() {
    let lines = lines(false);
    has(&lines, "vent.elf: ELF for AVR");
    has(&lines, "  0x00000 to 0x00011  18 bytes");
    has(&lines, "  0x1F800 to 0x1F803  4 bytes");
    // CRC-32 of 01 02 03, worked out with Python's zlib.
    has(&lines, "eeprom: 3 bytes in 1 span, CRC-32 0x55BC801D");
    has(&lines, "  0x00000: F7 D9 FC");
    assert!(!lines.iter().any(|line| line.contains("leads to")));
}

#[test]
fn with_a_board_the_vector_table_is_read_as_its_chip_does() {
    let lines = lines(true);
    has(&lines, "vector table at 0x00000, as an ATmega1284P reads it: 3 vectors");
    has(&lines, "  reset      0x00000  leads to 0x0000C");
    has(&lines, "  2 others          lead to 0x00010");
    has(&lines, "at 0x1F800, as an ATmega1284P reads it: there is code (0x94F8)");
    assert!(lines.iter().any(|line| line.contains("clock") && line.contains(" = ")), "{}", lines.join("\n"));
}

#[test]
fn the_map_is_the_chips_whole_flash_with_the_reservation() {
    let lines = lines(true);
    has(&lines, &format!("     0x00000  #{}", ".".repeat(63)));
    has(&lines, &format!("     0x1C000  {}#{}", ".".repeat(56), "=".repeat(7)));
    assert!(lines.iter().any(|line| line.contains("= reservation")));
}

#[test]
fn no_line_is_wider_than_asked() {
    let scattered: String = (0..40_u16).map(|n| record(0, n * 300, &[1]) + "\n").collect::<String>() + ":00000001FF\n";
    let scattered = parse(scattered.into_bytes(), None).unwrap();
    let many = text("many.hex", &scattered, None, 100, Ink::Blocks);
    has(&many, "  and 28 more, which --json lists");
    for line in many.iter().chain(&lines(true)) {
        assert!(line.chars().count() <= 100, "{line}");
    }
}

#[test]
fn bytes_outside_the_flash_are_said() {
    let text_of = format!("{}\n{}\n:00000001FF\n", record(4, 0, &[0, 2]), record(0, 0, &[1, 2]));
    let (board, chip) = Catalog::built_in().board("vent").unwrap();
    let lines = text("far.hex", &parse(text_of.into_bytes(), None).unwrap(), Some((&board, &chip)), 100, Ink::Ascii);
    has(&lines, "2 bytes lie outside the flash of an ATmega1284P (0x00000 to 0x1FFFF).");
}

#[test]
fn json_has_the_flash_at_the_top_and_each_memory_below() {
    let document = json("vent.elf", &application());
    assert_eq!(document["format"], "elf");
    assert_eq!(document["bytes"], 22);
    assert_eq!(document["spans"], serde_json::json!([{ "start": 0, "end": 18 }, { "start": 0x1F800, "end": 0x1F804 }]));
    assert_eq!(document["crc32"], document["memories"]["flash"]["crc32"]);
    assert_eq!(document["memories"]["eeprom"]["crc32"], 0x55BC_801D_u32);
    let plain = json("a.hex", &parse(b":02000000BEEF51\n:00000001FF\n".to_vec(), None).unwrap());
    assert_eq!((&plain["bytes"], &plain["format"]), (&2.into(), &"intel-hex".into()));
    assert!(plain.get("memories").is_none() && plain.get("start").is_none() && plain.get("left_out").is_none());
}

#[test]
fn json_has_the_fields_that_its_description_lists_and_no_others() {
    let source = include_str!("../../src/cli/inspect_image.rs");
    let described: BTreeSet<&str> = source.lines().filter_map(|line| line.strip_prefix("/// | `")?.split('`').next()).collect();
    let mut file = application();
    file.left_out.push("3 bytes are left out.".to_string());
    let document = json("vent.elf", &file);
    let emitted: BTreeSet<&str> = document.as_object().unwrap().keys().map(String::as_str).collect();
    assert_eq!(described, emitted);
}
