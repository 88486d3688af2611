//! Whatever a description holds, reading it ends in a description or in mistakes that name their places.

use farrier::board::{Catalog, read_board, read_chip};
use farrier::reader::Mistake;
use proptest::prelude::*;
use std::sync::LazyLock;

static SOUND: [&str; 4] = [
    include_str!("../../boards/demo/vent.toml"),
    include_str!("../../boards/demo/pump.toml"),
    include_str!("samples/valid/board-clock-signal.toml"),
    include_str!("samples/valid/chip-plain.toml"),
];

/// Reads a text both as a board and as a chip.
fn read_both(text: &str) -> [Option<Vec<Mistake>>; 2] {
    static CHIP: LazyLock<farrier::board::Chip> = LazyLock::new(|| Catalog::built_in().chip("ATmega1284P").unwrap());
    [read_board(text, |_| Ok(CHIP.clone())).err(), read_chip(text).err()]
}

/// Each mistake stands at a place that the text has, and says something.
fn has_sound_places(text: &str, mistakes: &[Mistake]) -> bool {
    let columns = |line: u32| text.split('\n').nth(line as usize - 1).map(|line| line.chars().count() as u32);
    !mistakes.is_empty() && mistakes.iter().all(|m| columns(m.line).is_some_and(|len| m.column <= len + 1) && !m.message.is_empty())
}

fn check(text: &str) -> Result<(), TestCaseError> {
    for mistakes in read_both(text).iter().flatten() {
        prop_assert!(has_sound_places(text, mistakes), "{mistakes:?}\n{text}");
    }
    Ok(())
}

/// Fragments that matter to the language, for insertion into sound files.
fn fragment() -> impl Strategy<Value = String> {
    let known = [
        "[",
        "]",
        "[[",
        "]]",
        "=",
        "\"",
        "'",
        "\"\"\"",
        "{",
        "}",
        ",",
        "\n",
        "#",
        ".",
        "0x",
        "-1",
        "_",
        "99999999999999999999",
        "true",
        "nan",
        "1979-05-27",
        "\u{0}",
        "\u{fffd}",
        "é",
        "name = 1\n",
        "[clock]\n",
        "[[fields]]\n",
        "values = []\n",
        "signals = [1]\n",
        "size = 0\n",
    ];
    prop_oneof![proptest::sample::select(known.to_vec()).prop_map(str::to_string), ".{0,4}"]
}

proptest! {
    #[test]
    fn random_text(text in "\\PC{0,200}") {
        check(&text)?;
    }

    #[test]
    fn random_bytes(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        check(&String::from_utf8_lossy(&bytes))?;
    }

    #[test]
    fn changed_files(which in 0..SOUND.len(), cuts in proptest::collection::vec((any::<prop::sample::Index>(), 0..40usize, fragment()), 1..4)) {
        let mut text: Vec<char> = SOUND[which].chars().collect();
        for (at, removed, put) in cuts {
            let at = at.index(text.len() + 1);
            let end = (at + removed).min(text.len());
            text.splice(at..end, put.chars());
        }
        check(&text.into_iter().collect::<String>())?;
    }

    #[test]
    fn lines_in_another_order(which in 0..SOUND.len(), seed in any::<prop::sample::Index>(), other in any::<prop::sample::Index>()) {
        let mut lines: Vec<&str> = SOUND[which].lines().collect();
        let (a, b) = (seed.index(lines.len()), other.index(lines.len()));
        lines.swap(a, b);
        check(&lines.join("\n"))?;
    }

    #[test]
    fn a_number_replaced(which in 0..SOUND.len(), at in any::<prop::sample::Index>(), number in prop_oneof![any::<i64>(), 0..70_000i64]) {
        let mut lines: Vec<String> = SOUND[which].lines().map(str::to_string).collect();
        let numbered: Vec<usize> = (0..lines.len()).filter(|n| lines[*n].contains("= 0x") || lines[*n].ends_with("00")).collect();
        let line = numbered[at.index(numbered.len())];
        let key = lines[line].split('=').next().unwrap_or_default().to_string();
        lines[line] = format!("{key}= {number}");
        check(&lines.join("\n"))?;
    }
}

/// Deep nesting must end in a mistake and not in an overflow of the stack.
#[test]
fn deep_nesting_is_a_mistake() {
    for text in [format!("a = {}", "[".repeat(100_000)), format!("[{}]", "a.".repeat(100_000)), format!("a = {}", "{a=".repeat(100_000))] {
        for mistakes in read_both(&text) {
            assert!(has_sound_places(&text, &mistakes.unwrap()));
        }
    }
}
