//! What `boards`, `boards show` and `boards check` print.

use farrier::board::{Catalog, Listed};
use farrier::cli::boards::{check, check_json, list, list_json, show, show_json};
use farrier::cli::map::Ink;
use serde_json::Value;

fn sound() -> Vec<Listed> {
    Catalog::built_in().boards()
}

fn page(name: &str) -> String {
    let (board, chip) = Catalog::built_in().board(name).unwrap();
    show(name, &board, &chip, Ink::Ascii)
}

fn is_within_the_page(text: &str) -> bool {
    text.lines().all(|line| line.chars().count() <= 100 && line == line.trim_end())
}

#[test]
fn the_list_leads_with_what_decides() {
    let text = list(&sound(), 160);
    let row = |name: &str| text.lines().find(|line| line.starts_with(name)).unwrap().split_whitespace().collect::<Vec<_>>().join(" ");
    assert_eq!(row("vent"), "vent ATmega1284P 2048 bytes 129024 bytes spi");
    assert_eq!(row("frost"), "frost ATmega328P 1024 bytes 31744 bytes spi");
    assert!(text.contains("with one of 160 chips: generic- and its part number, such as generic-atmega88pa.\n"), "{text}");
    assert_eq!(text.lines().last(), Some("Next: farrier boards show frost"));
    assert!(is_within_the_page(&text), "{text}");
}

#[test]
fn a_page_names_every_field_pin_and_caution() {
    for listed in sound() {
        let (board, chip) = listed.described.unwrap();
        let text = show(&listed.name, &board, &chip, Ink::Blocks);
        let flowing = text.split_whitespace().collect::<Vec<_>>().join(" ");
        for field in chip.fields.iter().chain(&chip.lock_fields) {
            assert!(flowing.contains(&format!("{} {}", field.name, field.symbol)), "{}: {}", listed.name, field.name);
        }
        for (field, value) in board.expected_configuration.iter() {
            let words = &chip.field(field).unwrap().value(value).unwrap().words;
            assert!(flowing.contains(&format!("{value} {words}")), "{}: {field} = {value}", listed.name);
        }
        for ((signal, pin), number) in board.header.pins.iter().zip(1..) {
            assert!(flowing.contains(&format!("{number} {signal} {pin}")), "{}: pin {number}", listed.name);
        }
        for caution in &board.cautions {
            assert!(flowing.contains(&caution.text), "{}: {}", listed.name, caution.text);
        }
        assert!(flowing.contains("Next: farrier "), "{}", listed.name);
        assert!(is_within_the_page(&text), "{text}");
    }
}

#[test]
fn a_page_says_what_the_loader_costs() {
    let flowing = |name| page(name).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flowing("vent").contains("costs 2048 bytes, 1.6 % of the flash; the application starts up to 2 s later"));
    assert!(flowing("frost").contains("costs 1024 bytes, 3.1 % of the flash"));
    assert!(flowing("pump").contains("Room left 260096 bytes for the application, 0x00000 to 0x3F7FF"));
    assert!(flowing("generic-atmega328p").contains("the whole flash is the application's"));
}

#[test]
fn the_map_is_to_scale() {
    // 128 KiB in 8 rows of 64: 256 bytes a cell. The last row: 8 KiB application, 4 KiB season table, 2 KiB application, 2 KiB loader.
    let text = page("vent");
    let last = text.lines().find(|line| line.trim_start().starts_with("0x1C000")).unwrap();
    let cells: Vec<char> = last.chars().filter(|c| "#=+".contains(*c)).collect();
    let runs = [('#', 32), ('+', 16), ('#', 8), ('=', 8)];
    let expected: Vec<char> = runs.iter().flat_map(|(c, n)| std::iter::repeat_n(*c, *n)).collect();
    assert_eq!(cells, expected, "{last}");
}

#[test]
fn clocks_in_words() {
    assert!(page("vent").contains("16 MHz, a crystal; the bridge's clock output is wired to its clock pin\n"));
    assert!(page("frost").contains("8 MHz, the chip's own oscillator\n"));
    assert!(page("generic-atmega2560").contains("1 MHz, the chip's own oscillator of 8 MHz divided\n"));
    assert!(page("vent").contains("programming clock below 250 kHz as shipped, 2.667 MHz at 16 MHz\n"));
}

#[test]
fn check_says_what_is_right_or_every_mistake() {
    let catalog = Catalog::built_in();
    let good = "tests/board/samples/valid/board-least.toml";
    let right = check(good, &catalog.board(good));
    assert!(right.starts_with(&format!("{good} is right: board \"least\" with an ATmega328P")), "{right}");
    assert!(right.ends_with(&format!("Next: farrier boards show {good}")), "{right}");

    let bad = "tests/board/samples/invalid/board-many-at-once.toml";
    let wrong = check(bad, &catalog.board(bad));
    for place in ["1:8", "3:8", "6:12", "9:1", "10:1", "13:10", "17:8", "20:1"] {
        assert!(wrong.contains(&format!("{bad}:{place}: ")), "{place}: {wrong}");
    }
    assert!(wrong.contains("\n8 mistakes. ") && wrong.ends_with(&format!("Next: farrier boards check {bad}")), "{wrong}");
    assert!(is_within_the_page(&wrong), "{wrong}");

    let missing = check("no/such.toml", &catalog.board("no/such.toml"));
    assert!(missing.starts_with("error: no/such.toml cannot be read: ") && missing.ends_with("Next: farrier boards"), "{missing}");
}

/// The keys that the doc comments in the source describe are the keys that come out.
#[test]
fn json_has_the_documented_keys() {
    let keys = |value: &Value| value.as_object().unwrap().keys().cloned().collect::<Vec<_>>();
    let documented = |source: &str, function: &str| {
        let before = source.split(&format!("pub fn {function}(")).next().unwrap();
        let comment: Vec<&str> = before.lines().rev().take_while(|line| line.starts_with("///")).collect();
        comment.join(" ").split('`').skip(1).step_by(2).map(str::to_string).collect::<Vec<_>>()
    };
    let (board, chip) = Catalog::built_in().board("vent").unwrap();
    let shown = documented(include_str!("../../src/cli/boards/show.rs"), "show_json");
    for key in keys(&show_json(&board, &chip)) {
        assert!(shown.contains(&key), "show_json: {key} is not described");
    }
    let source = include_str!("../../src/cli/boards.rs");
    let checked = documented(source, "check_json");
    let bad = "tests/board/samples/invalid/board-console.toml";
    let json = check_json(bad, &Catalog::built_in().board(bad));
    for key in keys(&json).iter().chain(&keys(&json["mistakes"][0])) {
        assert!(checked.contains(key), "check_json: {key} is not described");
    }
    assert_eq!(json["mistakes"][0]["line"], 32);
    assert_eq!((&json["right"], &json["board"], &json["error"]), (&Value::Bool(false), &Value::Null, &Value::Null));
}

#[test]
fn json_carries_the_numbers() {
    let (board, chip) = Catalog::built_in().board("vent").unwrap();
    let json = show_json(&board, &chip);
    assert_eq!(json["id"], serde_json::json!([0x1E, 0x97, 0x05]));
    assert_eq!(json["reservation"]["span"], serde_json::json!({ "start": 0x1F800, "end": 0x20000 }));
    assert_eq!(json["application"], serde_json::json!({ "start": 0, "end": 0x1F800 }));
    assert_eq!(json["clock"]["source"], "crystal");
    assert_eq!(json["clock"]["system_hz"], 16_000_000);
    assert_eq!(json["expected_bytes"], serde_json::json!([0xFF, 0xD4, 0xFC]));
    let list = list_json(&sound(), 160);
    assert_eq!(list["boards"].as_array().unwrap().len(), 4);
    assert_eq!(list["chips"], 160);
    assert_eq!((&list["boards"][2]["name"], &list["boards"][2]["error"]), (&Value::from("vent"), &Value::Null));
}
