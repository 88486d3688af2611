//! The chip files against two sources that we did not write: the headers of avr-libc, as avr-gcc reads them, and the vendor's
//! chip descriptions, by way of the tables in `data/` (see `data/ORIGIN.md`).

use super::{program, run};
use farrier::board::{Catalog, Chip, Field};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::process::Command;

const PARTS: [&str; 3] = ["ATmega328P", "ATmega1284P", "ATmega2560"];
const DIFFERENCES: &str = include_str!("data/avr-libc-differences.txt");
const PARTS_TABLE: &str = include_str!("data/avr-parts.csv");
const FUSES_TABLE: &str = include_str!("data/avr-fuses.csv");

/// Values by the name that a header gives them.
type Facts = BTreeMap<String, i64>;

fn chip(part: &str) -> Chip {
    Catalog::built_in().chip(part).unwrap()
}

/// The datasheet's names of a field's bits with their positions: `BOOTSZ1..0` on bits 2 and 1 is BOOTSZ1 on 2, BOOTSZ0 on 1.
fn bits_of(field: &Field) -> Vec<(String, u32)> {
    let lowest = field.mask.trailing_zeros();
    match field.symbol.split_once("..") {
        None => vec![(field.symbol.clone(), lowest)],
        Some((first, last)) => {
            let stem = first.trim_end_matches(|c: char| c.is_ascii_digit());
            let number = |text: &str| text[text.len() - 1..].parse::<u32>().unwrap();
            let (high, low) = (number(first), number(last));
            assert_eq!(high - low + 1, field.mask.count_ones(), "{} on {} bits", field.symbol, field.mask.count_ones());
            (low..=high).map(|n| (format!("{stem}{n}"), lowest + n - low)).collect()
        }
    }
}

/// What the chip file says, by the header's names.
fn facts_of(chip: &Chip) -> Facts {
    let mut facts: Facts = [
        ("FLASHEND", chip.flash.bytes - 1),
        ("SPM_PAGESIZE", chip.flash.page),
        ("E2END", chip.eeprom.bytes - 1),
        ("E2PAGESIZE", chip.eeprom.page),
        ("FUSE_MEMORY_SIZE", chip.configuration.len() as u32),
        ("SIGNATURE_0", chip.id[0].into()),
        ("SIGNATURE_1", chip.id[1].into()),
        ("SIGNATURE_2", chip.id[2].into()),
    ]
    .map(|(name, value)| (name.to_string(), value.into()))
    .into();
    for byte in &chip.configuration {
        let letter = byte.name[..1].to_uppercase();
        facts.insert(format!("{letter}FUSE_DEFAULT"), byte.factory.into());
    }
    for (name, bit) in chip.fields.iter().flat_map(bits_of) {
        facts.insert(format!("FUSE_{name}"), i64::from(!(1_u8 << bit)));
    }
    for (field, header) in [("programming-lock", "LB"), ("boot-lock", "BLB1"), ("application-lock", "BLB0")] {
        let field = chip.lock_field(field).unwrap();
        for value in &field.values {
            let mut byte = [0xFF];
            field.set(&mut byte, value.bits);
            facts.insert(format!("{header}_MODE_{}", mode(header, value.bits)), byte[0].into());
        }
    }
    facts
}

/// The mode numbers of the datasheet's lock tables (for the supported parts 28-2 and 28-3 and their like): LB knows three
/// modes, the boot lock bits a fourth.
fn mode(header: &str, bits: u8) -> u8 {
    match (header, bits) {
        (_, 0b11) => 1,
        (_, 0b10) => 2,
        (_, 0b00) => 3,
        ("LB", _) => panic!("LB 01 is no mode"),
        _ => 4,
    }
}

/// Whether a macro of the header is one of the facts that are compared.
fn is_compared(name: &str) -> bool {
    let exact = ["FLASHEND", "SPM_PAGESIZE", "E2END", "E2PAGESIZE", "SIGNATURE_0", "SIGNATURE_1", "SIGNATURE_2"];
    exact.contains(&name) || name.starts_with("FUSE_") || name.ends_with("FUSE_DEFAULT") || (name.contains("LB") && name.contains("_MODE_"))
}

/// What the header says: avr-gcc lists the macros, then evaluates each into the assembly that it writes.
fn facts_in_header(part: &str) -> Facts {
    let folder = tempfile::tempdir().unwrap();
    let gcc = || {
        let mut gcc = Command::new(program("avr-gcc"));
        gcc.arg(format!("-mmcu={}", part.to_ascii_lowercase()));
        gcc
    };
    let source = folder.path().join("facts.c");
    std::fs::write(&source, "#include <avr/io.h>\n").unwrap();
    let macros = String::from_utf8(run(gcc().args(["-E", "-dM"]).arg(&source))).unwrap();
    let names = macros.lines().filter_map(|line| line.strip_prefix("#define ")?.split(' ').next()).filter(|name| is_compared(name));
    let mut text = "#include <avr/io.h>\nvoid facts(void) {\n".to_string();
    for name in names {
        writeln!(text, "asm volatile(\"; FACT {name} %0\" :: \"n\"((long){name}));").unwrap();
    }
    std::fs::write(&source, text + "}\n").unwrap();
    let assembly = String::from_utf8(run(gcc().args(["-S", "-o", "-"]).arg(&source))).unwrap();
    let facts = assembly.lines().filter_map(|line| line.trim().strip_prefix("; FACT ")?.split_once(' '));
    facts.map(|(name, value)| (name.to_string(), value.parse().unwrap())).collect()
}

fn in_hex(value: Option<&i64>) -> String {
    value.map_or("none".into(), |value| format!("0x{value:02X}"))
}

#[test]
fn chip_files_agree_with_avr_libc() {
    let mut found = Vec::new();
    for part in PARTS {
        let (ours, header) = (facts_of(&chip(part)), facts_in_header(part));
        assert!(header.len() > 30, "{part}: avr-gcc gave only {} facts", header.len());
        let names: std::collections::BTreeSet<&String> = ours.keys().chain(header.keys()).collect();
        for name in names.into_iter().filter(|name| ours.get(*name) != header.get(*name)) {
            found.push(format!("{part} {name} header {} chip-file {} ", in_hex(header.get(name)), in_hex(ours.get(name))));
        }
    }
    found.sort();
    let mut known: Vec<&str> = DIFFERENCES.lines().collect();
    known.sort();
    let same =
        found.len() == known.len() && found.iter().zip(&known).all(|(found, known)| known.starts_with(found) && known.len() > found.len());
    assert!(same, "differences found:\n{}\nknown, with reasons:\n{}", found.join("\n"), known.join("\n"));
}

/// The rows of a table by the names of its columns.
fn rows(table: &str) -> Vec<BTreeMap<&str, &str>> {
    let mut lines = table.lines().map(|line| line.split(',').map(|cell| cell.trim_matches('"')).collect::<Vec<_>>());
    let header = lines.next().unwrap();
    lines.map(|cells| header.iter().copied().zip(cells).collect()).collect()
}

#[test]
fn chip_files_agree_with_the_parts_table() {
    let rows = rows(PARTS_TABLE);
    assert_eq!(rows.len(), PARTS.len());
    for row in rows {
        let chip = chip(row["part"]);
        let largest_boot = chip.boot_sections.iter().map(|section| section.span.len()).max().unwrap();
        let ours = [
            ("signature", chip.id.map(|byte| format!("{byte:02X}")).concat()),
            ("flash_bytes", chip.flash.bytes.to_string()),
            ("flash_page_bytes", chip.flash.page.to_string()),
            ("eeprom_bytes", chip.eeprom.bytes.to_string()),
            ("eeprom_page_bytes", chip.eeprom.page.to_string()),
            ("fuse_bytes", chip.configuration.len().to_string()),
            ("fuse_low_default", format!("0x{:02X}", chip.configuration[0].factory)),
            ("fuse_high_default", format!("0x{:02X}", chip.configuration[1].factory)),
            ("fuse_extended_default", format!("0x{:02X}", chip.configuration[2].factory)),
            ("boot_section_max_bytes", largest_boot.to_string()),
        ];
        for (column, value) in ours {
            assert_eq!(row[column], value, "{} {column}", chip.part);
        }
        let mut locks: Vec<&str> = row["lock_bits"].split('+').collect();
        locks.sort();
        // BLB12..11 is BLB1 there.
        let mut ours: Vec<&str> = chip.lock_fields.iter().map(|field| field.symbol.split_once("..").unwrap().0).collect();
        ours.iter_mut().for_each(|symbol| *symbol = &symbol[..symbol.len() - 1]);
        ours.sort();
        assert_eq!(ours, locks, "{}", chip.part);
    }
}

#[test]
fn chip_files_agree_with_the_fuses_table() {
    let mut ours = Vec::new();
    let mut expected = Vec::new();
    for row in rows(FUSES_TABLE) {
        if row["name"] != "-" {
            expected.push(format!("{} {} {} {} {}", row["part"], row["byte"], row["bit"], row["name"], row["default"]));
        }
    }
    for chip in PARTS.map(chip) {
        for field in &chip.fields {
            let byte = &chip.configuration[field.byte];
            for (name, bit) in bits_of(field) {
                let default = if byte.factory >> bit & 1 == 0 { "programmed" } else { "unprogrammed" };
                ours.push(format!("{} {} {bit} {name} {default}", chip.part.to_lowercase(), byte.name));
            }
        }
    }
    ours.sort();
    expected.sort();
    assert_eq!(ours, expected);
}

/// The table leaves out which bits have no meaning; the chip files must leave out the same.
#[test]
fn bits_without_a_name_are_left_out_of_comparisons() {
    let unused = |part: &str, byte: &str| {
        let rows = rows(FUSES_TABLE);
        let bits = rows.iter().filter(|row| row["part"] == part.to_lowercase() && row["byte"] == byte && row["name"] == "-");
        bits.fold(0_u8, |mask, row| mask | 1 << row["bit"].parse::<u8>().unwrap())
    };
    for chip in PARTS.map(chip) {
        for byte in &chip.configuration {
            assert_eq!(!byte.used, unused(&chip.part, &byte.name), "{} {}", chip.part, byte.name);
        }
    }
}
