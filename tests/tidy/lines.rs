//! No line over 140 columns. The formatter keeps code within them, and gives up on long strings and comments.

use super::{made_up, nothing_in, sources};
use std::collections::BTreeMap;

const COLUMNS: usize = 140;

fn too_long(sources: &BTreeMap<String, String>) -> Vec<String> {
    let lines = sources.iter().flat_map(|(file, text)| text.lines().enumerate().map(move |(n, line)| (file, n + 1, line.chars().count())));
    lines
        .filter(|(_, _, columns)| *columns > COLUMNS)
        .map(|(file, line, columns)| format!("{file}:{line}: {columns} columns; {COLUMNS} at most"))
        .collect()
}

#[test]
fn no_line_is_too_long() {
    nothing_in(too_long(&sources("src")));
}

#[test]
fn canary() {
    let text = |columns: usize| format!("short\n{}\n", "\u{e9}".repeat(columns));
    assert_eq!(too_long(&made_up(&[("src/a.rs", &text(141))])), ["src/a.rs:2: 141 columns; 140 at most"]);
    assert!(too_long(&made_up(&[("src/a.rs", &text(140))])).is_empty());
}
