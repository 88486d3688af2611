//! The screens in README.md are what the program shows today: its commands are run in their order, a home for each chapter.

use super::Home;
use super::loader::demo_application;

const PAGE: &str = include_str!("../../README.md");

/// What has to be there before a command of the page is run.
const BEFORE: &[(&str, &[&str])] = &[
    ("revive --via sim:bench-2", &["sim new bench-2 --board vent --bricked slow-clock"]),
    ("inspect --via sim:bench-3", &["sim new bench-3 --board pump", "loader install --via sim:bench-3 --tag 1187 --yes"]),
];

#[test]
fn the_screens_in_the_readme_are_what_the_program_shows() {
    let (mut home, mut of_chapter) = (Home::new(), 0);
    let mut screens = 0;
    for (chapter, line, shown) in blocks() {
        if chapter != of_chapter {
            (home, of_chapter) = (Home::new(), chapter);
        }
        home.file("vent.hex", demo_application("vent"));
        let before = BEFORE.iter().find(|(of, _)| *of == line).map_or(&[][..], |(_, before)| before);
        for line in before {
            home.run(line).exits(0);
        }
        let ran = home.run_where_text_is_unicode(&line);
        let (out, shown) = (flat(&format!("{}{}", ran.out, ran.err), &home), flat(&shown, &home));
        match shown.strip_suffix(" ...") {
            Some(beginning) => assert!(out.starts_with(beginning), "`farrier {line}` begins otherwise:\n{}\n{}", ran.out, ran.err),
            None => assert_eq!(out, shown, "`farrier {line}` shows\n{}\n{}", ran.out, ran.err),
        }
        screens += 1;
    }
    assert!(screens >= 8, "only {screens} screens found");
}

/// The commands in the page's screens, each with its chapter's number and what follows it there.
fn blocks() -> Vec<(u32, String, String)> {
    let mut blocks: Vec<(u32, String, String)> = Vec::new();
    let (mut chapter, mut inside) = (0, false);
    for line in PAGE.lines() {
        chapter += u32::from(line.starts_with("## "));
        let text = line.strip_prefix("    ");
        if let Some(command) = text.and_then(|text| text.strip_prefix("$ farrier ")) {
            blocks.push((chapter, command.to_owned(), String::new()));
            inside = true;
        } else if let (Some(text), true) = (text, inside) {
            blocks.last_mut().expect("a block").2 += &format!("{text}\n");
        } else if !line.is_empty() {
            inside = false;
        }
    }
    blocks
}

/// Without what differs from day to day and from home to home: how lines are broken, dates, the home's path, the number of a snapshot
/// within its second.
fn flat(text: &str, home: &Home) -> String {
    let text = text.replace(&home.path().display().to_string(), "/home/workshop/farrier");
    let words = text.split_whitespace().map(|word| {
        let dated = |at: usize| word.get(at..at + 3).is_some_and(|year| year == "202");
        let shape = |word: &str| {
            let digits = word.chars().map(|of| if of.is_ascii_digit() { '0' } else { of }).collect::<String>();
            digits.trim_end_matches("-0").to_owned()
        };
        match word.rsplit_once('/') {
            _ if dated(0) => shape(word),
            Some((folder, name)) if name.starts_with("202") => format!("{folder}/{}", shape(name)),
            _ => word.to_owned(),
        }
    });
    words.collect::<Vec<_>>().join(" ")
}
