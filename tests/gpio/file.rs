//! The description of GPIO lines, and what is said of mistakes in it.

use farrier::link::gpio::{LineNumbers, parse_gpio_file, read_gpio_file};
use farrier::reader::FileError;
use farrier::units::Millivolts;
use proptest::prelude::*;
use std::time::Duration;

const EXAMPLE: &str = include_str!("../../hardware-notes/gpio-bridge-example.toml");

fn mistakes(text: &str) -> Vec<String> {
    let found = parse_gpio_file(text).expect_err("mistakes");
    found.into_iter().map(|m| format!("{}:{}: {}", m.line, m.column, m.message)).collect()
}

#[test]
fn the_example_is_right_and_the_page_shows_it() {
    let file = parse_gpio_file(EXAMPLE).expect("no mistakes");
    assert_eq!(file.chip.to_str(), Some("/dev/gpiochip0"));
    assert_eq!(file.lines, LineNumbers { sck: 36, mosi: 37, miso: 38, reset: 39 });
    assert_eq!(file.pin_level, Millivolts(3_300));
    assert_eq!(file.shortest_half, Duration::from_micros(2));
    let shown: String = EXAMPLE.lines().map(|line| if line.is_empty() { "\n".into() } else { format!("    {line}\n") }).collect();
    assert!(include_str!("../../hardware-notes/gpio-bridge.md").contains(&shown));
}

#[test]
fn the_half_period_may_be_left_out() {
    let text = EXAMPLE.lines().filter(|line| !line.starts_with("shortest_half")).collect::<Vec<_>>().join("\n");
    assert_eq!(parse_gpio_file(&text).expect("no mistakes").shortest_half, Duration::ZERO);
}

#[test]
fn every_mistake_has_its_place() {
    let text = "summary = \"bench\"\nchip = \"gpiochip0\"\npin_level = 3300\n\n[lines]\nsck = 4\nmosi = 5\nmiso = 4\nreset = -1\n";
    assert_eq!(
        mistakes(text),
        [
            "1:1: the file lacks the key `pin_level_mv`",
            "2:8: `chip` must be the whole path of a device, such as /dev/gpiochip0; found \"gpiochip0\"",
            "3:1: the file has no key `pin_level`; allowed: chip, lines, pin_level_mv, shortest_half_period_us or summary",
            "9:9: `reset` must be from 0 to 65535; found -1",
        ]
    );
    assert_eq!(
        mistakes(&text.replace("-1", "7").replace("pin_level ", "pin_level_mv ")),
        [
            "2:8: `chip` must be the whole path of a device, such as /dev/gpiochip0; found \"gpiochip0\"",
            "8:8: `miso` is line 4, which `sck` is already",
        ]
    );
    assert_eq!(mistakes(&EXAMPLE.replace("reset = ", "cs = ")).len(), 2);
}

#[test]
fn a_file_by_its_path() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bench.toml");
    assert!(matches!(read_gpio_file(&path), Err(FileError::Unreadable { .. })));
    std::fs::write(&path, "chip = 5").unwrap();
    let said = read_gpio_file(&path).unwrap_err().to_string();
    assert!(said.contains("bench.toml:1:8: `chip` must be a text"), "{said}");
    std::fs::write(&path, EXAMPLE).unwrap();
    assert!(read_gpio_file(&path).is_ok());
}

proptest! {
    /// One character another: a description, or mistakes that name places in the text.
    #[test]
    fn a_changed_character_never_harms(at in 0..EXAMPLE.len(), to in any::<char>()) {
        let text: String = EXAMPLE.chars().enumerate().map(|(n, c)| if n == at { to } else { c }).collect();
        if let Err(mistakes) = parse_gpio_file(&text) {
            prop_assert!(!mistakes.is_empty());
            for mistake in mistakes {
                prop_assert!(mistake.line >= 1 && mistake.line as usize <= text.split('\n').count(), "{mistake:?}");
                prop_assert!(mistake.column >= 1 && !mistake.message.is_empty());
            }
        }
    }
}
