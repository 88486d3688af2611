//! What people and programs read: text on stdout, remarks and errors on stderr, JSON with a version.

use super::map::Ink;
use crate::finding::{Finding, Severity};
use anstyle::{AnsiColor, Style};
use serde_json::{Value, json};

/// The widest that a line of text may be.
pub const WIDTH: usize = 100;

/// The version of every JSON document that the commands print.
pub const JSON_VERSION: u32 = 1;

/// Prints a paragraph on stdout, broken at [`WIDTH`].
pub fn say(paragraph: impl AsRef<str>) {
    anstream::println!("{}", textwrap::fill(paragraph.as_ref(), options(WIDTH, "", "")));
}

/// Prints a paragraph whose later lines are indented like its first.
pub fn say_under(label: &str, paragraph: impl AsRef<str>) {
    anstream::println!("{}", wrapped(label, paragraph.as_ref(), label.chars().count()));
}

/// A paragraph after a label, broken at [`WIDTH`]; later lines are indented by `indent` columns.
pub fn wrapped(label: &str, paragraph: &str, indent: usize) -> String {
    textwrap::fill(paragraph, options(WIDTH, label, &" ".repeat(indent)))
}

/// Prints a line as it is: of a table, a map, a command to type.
pub fn line(text: impl AsRef<str>) {
    anstream::println!("{}", text.as_ref());
}

/// Prints an empty line.
pub fn gap() {
    anstream::println!();
}

/// Prints the command to type next, which is never broken; or what to do next, in words.
pub fn next(command: impl AsRef<str>) {
    gap();
    match command.as_ref() {
        only if only.starts_with("farrier ") => only_next(only).iter().for_each(line),
        words => say_under("Next: ", words),
    }
}

/// The only command that may come next, as lines.
fn only_next(command: &str) -> Vec<String> {
    let line = format!("Next: {command}");
    if line.chars().count() <= WIDTH { vec![line] } else { vec!["Next:".to_owned(), format!("  {command}")] }
}

/// A command to type, and what it is for.
pub type Offer = (String, &'static str);

/// Prints the commands that may come next.
pub fn next_of(offers: &[Offer]) {
    gap();
    next_lines(offers).iter().for_each(line);
}

/// The commands that may come next, as lines.
pub fn next_lines(offers: &[Offer]) -> Vec<String> {
    match offers {
        [(only, _)] => only_next(only),
        _ => std::iter::once("Next:".to_owned()).chain(list(offers)).collect(),
    }
}

/// Commands below each other, each with what it is for, as lines.
pub fn list(offers: &[Offer]) -> Vec<String> {
    const MOST: usize = 60;
    let fitting = offers.iter().map(|(command, _)| command.chars().count()).filter(|long| *long <= MOST);
    let column = fitting.max().unwrap_or(MOST);
    let lines = |(command, purpose): &Offer| match command.chars().count() <= column {
        true => vec![wrapped(&format!("  {command:<column$}  "), purpose, column + 4)],
        false => vec![format!("  {command}"), wrapped(&" ".repeat(column + 4), purpose, column + 4)],
    };
    offers.iter().flat_map(lines).collect()
}

/// Prints a JSON document on stdout, with its version added.
pub fn json(document: &Value) {
    let mut document = document.clone();
    if let Value::Object(fields) = &mut document {
        fields.insert("version".into(), json!(JSON_VERSION));
    }
    anstream::println!("{document:#}");
}

/// Prints an error on stderr.
pub fn error(message: &str) {
    let label = styled(Severity::Refuse, "error");
    anstream::eprintln!("{label}: {}", fill(message));
}

/// Prints a remark on stderr.
pub fn remark(text: &str) {
    anstream::eprintln!("{}", fill(text));
}

/// Prints a finding on stdout: its name, its severity as a word, its sentence.
pub fn finding(finding: &Finding) {
    anstream::println!("{}", finding_text(finding));
}

/// Prints a finding that stops the command, or is asked about, on stderr.
pub fn finding_asked(finding: &Finding) {
    anstream::eprintln!("{}", finding_text(finding));
}

fn finding_text(finding: &Finding) -> String {
    let word = match finding.severity() {
        Severity::Note => "note",
        Severity::Consent => "needs consent",
        Severity::Refuse => "refused",
    };
    let sentence = textwrap::fill(&finding.sentence, options(WIDTH, "    ", "    "));
    format!("{}: {}\n{sentence}", styled(finding.severity(), word), finding.kind.name())
}

/// A number of bytes as people read it.
pub fn bytes(count: u64) -> String {
    match count {
        1 => "1 byte".into(),
        0..1024 => format!("{count} bytes"),
        _ if count.is_multiple_of(1024) => format!("{} KiB", count / 1024),
        _ => format!("{:.1} KiB", count as f64 / 1024.0),
    }
}

/// Said of everything that comes from a simulated board, right after which board that is.
pub fn simulated(simulated: bool) {
    if simulated {
        say("SIMULATED: this is a simulated board; firmware is not executed there.");
    }
}

/// A duration as people read it.
pub fn seconds(time: std::time::Duration) -> String {
    match time.as_secs_f64() {
        0.0 => "-".into(),
        s if s < 0.01 => format!("{:.1} ms", s * 1e3),
        s if s < 1.0 => format!("{:.0} ms", s * 1e3),
        s if s < 10.0 => format!("{s:.1} s"),
        s if s < 120.0 => format!("{s:.0} s"),
        s => format!("{:.0} min", s / 60.0),
    }
}

fn styled(severity: Severity, word: &str) -> String {
    let style = match severity {
        Severity::Note => Style::new().bold(),
        Severity::Consent => AnsiColor::Yellow.on_default().bold(),
        Severity::Refuse => AnsiColor::Red.on_default().bold(),
    };
    format!("{style}{word}{style:#}")
}

/// Breaks a text of stderr, line by line, so that line breaks in it stay; room is left for a label before it.
pub fn fill(text: &str) -> String {
    text.lines().map(|line| textwrap::fill(line, options(WIDTH - 8, "", "  "))).collect::<Vec<_>>().join("\n")
}

/// Names with hyphens in them stay whole.
fn options<'a>(width: usize, first: &'a str, later: &'a str) -> textwrap::Options<'a> {
    let whole = textwrap::WordSplitter::NoHyphenation;
    textwrap::Options::new(width).initial_indent(first).subsequent_indent(later).word_splitter(whole)
}

/// What maps are drawn with: block characters where the locale is UTF-8, else ASCII.
pub fn ink() -> Ink {
    let locale = ["LC_ALL", "LC_CTYPE", "LANG"].iter().find_map(|name| std::env::var(name).ok().filter(|value| !value.is_empty()));
    match locale.is_some_and(|locale| locale.to_ascii_lowercase().replace('-', "").contains("utf8")) {
        true => Ink::Blocks,
        false => Ink::Ascii,
    }
}
