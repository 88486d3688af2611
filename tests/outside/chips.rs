//! The chip files against sources that we did not write: the headers of avr-libc, as avr-gcc reads them; the vendor's chip
//! descriptions, as two crates carry them; and the tables in `data/` (see `data/ORIGIN.md`).

use super::{program, run};
use farrier::board::{Catalog, Chip, Field, known_chips, refused_chips};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;

const PARTS: [&str; 3] = ["ATmega328P", "ATmega1284P", "ATmega2560"];
/// Differences from the headers, and from the descriptions: `PART FACT SOURCE VALUE chip-file VALUE reason`.
const DIFFERENCES: &str = include_str!("data/avr-libc-differences.txt");
const DESCRIPTION_DIFFERENCES: &str = include_str!("data/description-differences.txt");
const PARTS_TABLE: &str = include_str!("data/avr-parts.csv");
const FUSES_TABLE: &str = include_str!("data/avr-fuses.csv");

/// Values by the name that a header gives them.
type Facts = BTreeMap<String, i64>;

fn chip(part: &str) -> Chip {
    Catalog::built_in().chip(part).unwrap()
}

/// The datasheet's names of a field's bits with their positions: `BOOTSZ1..0` on bits 2 and 1 is BOOTSZ1 on 2, BOOTSZ0 on 1, and
/// `BODLEVEL+BODEN` has BODLEVEL on the upper.
fn bits_of(field: &Field) -> Vec<(String, u32)> {
    let lowest = field.mask.trailing_zeros();
    if let Some((upper, lower)) = field.symbol.split_once('+') {
        return vec![(upper.into(), lowest + 1), (lower.into(), lowest)];
    }
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
        ("JMP", chip.jmp.into()),
    ]
    .map(|(name, value)| (name.to_string(), value.into()))
    .into();
    for byte in &chip.configuration {
        let letter = if chip.configuration.len() == 1 { String::new() } else { byte.name[..1].to_uppercase() };
        facts.insert(format!("{letter}FUSE_DEFAULT"), byte.factory.into());
    }
    for (name, bit) in chip.fields.iter().flat_map(bits_of) {
        facts.insert(format!("FUSE_{name}"), i64::from(!(1_u8 << bit)));
    }
    facts
}

/// Whether a macro of the header is one of the facts that are compared.
fn is_compared(name: &str) -> bool {
    let exact = ["FLASHEND", "SPM_PAGESIZE", "E2END", "E2PAGESIZE", "SIGNATURE_0", "SIGNATURE_1", "SIGNATURE_2"];
    exact.contains(&name) || name.starts_with("FUSE_") || name.ends_with("FUSE_DEFAULT")
}

/// The datasheet's name of a fuse bit that a header calls otherwise.
fn datasheet_name(name: &str) -> String {
    let bit = name.strip_prefix("FUSE_").unwrap_or_default();
    let number = bit.strip_prefix("SUT_CKSEL").or(bit.strip_prefix("CKSEL_SUT")).and_then(|number| number.parse::<u8>().ok());
    match (bit, number) {
        (_, Some(number @ 0..4)) => format!("FUSE_CKSEL{number}"),
        (_, Some(number)) => format!("FUSE_SUT{}", number - 4),
        ("RSTDSBL", _) => "FUSE_RSTDISBL".into(),
        ("SPMEN", _) => "FUSE_SELFPRGEN".into(),
        ("CKDIV", _) => "FUSE_CKDIV8".into(),
        ("_32OEN", _) => "FUSE_32OEN".into(),
        _ => name.into(),
    }
}

/// Some headers complement their fuse bits without a cast, which sets the bits above the byte as well.
fn in_range(name: &str, value: i64) -> i64 {
    if name.contains("FUSE_") { value & 0xFF } else { value }
}

/// What the header says: avr-gcc lists the macros, then evaluates each into the assembly that it writes. `None` where it has no such part.
fn facts_in_header(part: &str) -> Option<Facts> {
    let folder = tempfile::tempdir().unwrap();
    let gcc = || {
        let mut gcc = Command::new(program("avr-gcc"));
        gcc.arg(format!("-mmcu={}", part.to_ascii_lowercase()));
        gcc
    };
    let source = folder.path().join("facts.c");
    std::fs::write(&source, "#include <avr/io.h>\n").unwrap();
    let listed = gcc().args(["-E", "-dM"]).arg(&source).output().unwrap();
    if !listed.status.success() {
        return None;
    }
    let macros = String::from_utf8(listed.stdout).unwrap();
    let names = macros.lines().filter_map(|line| line.strip_prefix("#define ")?.split(' ').next()).filter(|name| is_compared(name));
    let mut text = "#include <avr/io.h>\nvoid facts(void) {\n".to_string();
    for name in names.filter(|name| !name.contains('(')) {
        writeln!(text, "asm volatile(\"; FACT {name} %0\" :: \"n\"((long){name}));").unwrap();
    }
    std::fs::write(&source, text + "}\n").unwrap();
    let assembly = String::from_utf8(run(gcc().args(["-S", "-o", "-"]).arg(&source))).unwrap();
    let facts = assembly.lines().filter_map(|line| line.trim().strip_prefix("; FACT ")?.split_once(' '));
    let mut facts: Facts = facts.map(|(name, value)| (datasheet_name(name), in_range(name, value.parse().unwrap()))).collect();
    // The compiler's own, not the header's.
    facts.insert("JMP".into(), macros.contains("#define __AVR_HAVE_JMP_CALL__ 1").into());
    // Some call the only byte the low one.
    if facts.get("FUSE_MEMORY_SIZE") == Some(&1)
        && let Some(only) = facts.remove("LFUSE_DEFAULT")
    {
        facts.insert("FUSE_DEFAULT".into(), only);
    }
    // A compiler may know a part for which this library has no header.
    facts.contains_key("FLASHEND").then_some(facts)
}

fn in_hex(value: Option<&i64>) -> String {
    value.map_or("none".into(), |value| format!("0x{value:02X}"))
}

/// The differences between a chip file and its header; a part that avr-gcc does not know is one.
fn differences_from_header(part: &str) -> Vec<String> {
    let Some(header) = facts_in_header(part) else { return vec![format!("{part} header none chip-file there ")] };
    let ours = facts_of(&chip(part));
    let names: std::collections::BTreeSet<&String> = ours.keys().chain(header.keys()).collect();
    let differing = names.into_iter().filter(|name| ours.get(*name) != header.get(*name));
    differing.map(|name| format!("{part} {name} header {} chip-file {} ", in_hex(header.get(name)), in_hex(ours.get(name)))).collect()
}

/// What was found is what is known, and each that is known has a reason behind it.
fn are_the_known_ones(mut found: Vec<String>, known: &str) {
    found.sort();
    let mut known: Vec<&str> = known.lines().collect();
    known.sort();
    let missing: Vec<&str> =
        found.iter().filter(|found| !known.iter().any(|known| known.starts_with(*found))).map(String::as_str).collect();
    let gone: Vec<&&str> =
        known.iter().filter(|known| !found.iter().any(|found| known.starts_with(found) && known.len() > found.len())).collect();
    assert!(
        missing.is_empty() && gone.is_empty(),
        "found and not known:\n{}\nknown and not found, or without a reason:\n{gone:#?}",
        missing.join("\n")
    );
}

#[test]
fn every_chip_file_agrees_with_avr_libc() {
    let parts: Vec<&str> = known_chips().map(|(_, part)| part).collect();
    let found = std::thread::scope(|scope| {
        let of = |parts: &[&str]| parts.iter().flat_map(|part| differences_from_header(part)).collect::<Vec<_>>();
        let halves: Vec<_> = parts.chunks(parts.len().div_ceil(2)).map(|half| scope.spawn(move || of(half))).collect();
        halves.into_iter().flat_map(|half| half.join().unwrap()).collect()
    });
    are_the_known_ones(found, DIFFERENCES);
    println!("{} chip files against avr-libc", parts.len());
}

/// A script of `descriptions/`, which reads what cargo has fetched.
fn script(name: &str) -> Command {
    let path: PathBuf = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/descriptions").join(name);
    let mut python = Command::new(program("python3"));
    python.arg(path);
    python
}

#[test]
fn every_chip_file_agrees_with_the_vendors_descriptions() {
    let printed = String::from_utf8(run(&mut script("check.py"))).unwrap();
    let mut lines: Vec<String> = printed.lines().map(|line| format!("{line} ")).collect();
    let count = lines.pop().unwrap();
    println!("{count}");
    let numbers: Vec<usize> = count.split_whitespace().filter_map(|word| word.parse().ok()).collect();
    assert!(numbers[0] >= 199 && numbers[1] >= 158, "{count}");
    are_the_known_ones(lines, DESCRIPTION_DIFFERENCES);
}

#[test]
fn making_the_chip_files_again_gives_the_same_files() {
    let printed = String::from_utf8(run(script("make.py").arg("--check"))).unwrap();
    assert_eq!(printed, format!("{} chip files\n", known_chips().count()));
}

/// The rows of a table by the names of its columns.
fn rows(table: &str) -> Vec<BTreeMap<&str, &str>> {
    // The last column is the only one with commas in it, and nothing here reads it.
    let mut lines = table.lines().map(|line| line.split(',').map(|cell| cell.trim_matches('"')).collect::<Vec<_>>());
    let header = lines.next().unwrap();
    lines.map(|cells| header.iter().copied().zip(cells).collect()).collect()
}

/// Every part of the table has a chip file or is refused with a reason, and its ID is the table's.
#[test]
fn every_part_of_the_parts_table_is_known() {
    let rows = rows(PARTS_TABLE);
    assert_eq!(rows.len(), 191);
    let hex = |id: [u8; 3]| id.map(|byte| format!("{byte:02X}")).concat();
    let (mut made, mut refused) = (0, 0);
    for row in rows {
        let part = row["part"];
        match known_chips().find(|(_, known)| known.eq_ignore_ascii_case(part)) {
            Some((id, _)) => {
                assert_eq!(hex(id), row["signature"], "{part}");
                made += 1;
            }
            None => {
                assert_eq!(row["flash_page_bytes"], "", "{part} has page flash and no chip file");
                let found = refused_chips().iter().find(|refused| refused.part.eq_ignore_ascii_case(part));
                let found = found.unwrap_or_else(|| panic!("{part} is neither made nor refused"));
                assert_eq!(hex(found.id.unwrap()), row["signature"], "{part}");
                refused += 1;
            }
        }
    }
    println!("{made} of the table's parts have a chip file, {refused} are refused");
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
