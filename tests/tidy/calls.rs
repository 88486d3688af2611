//! Calls that do not belong where they are: what only cli may ask of the system, what only `time` may ask of the clock, and what ends the
//! program without an error message.

use super::source::{PathUse, Token, paths, tokens};
use super::{made_up, nothing_in, sources};
use std::collections::BTreeMap;

/// Ends of paths, where they may stand (a file, or a folder with `/`), and what to do instead.
const BANNED: &[(&[&str], &[&str], &str)] = &[
    (&["std", "env"], CLI, "take it as a parameter; cli reads the environment"),
    (&["env", "var"], CLI, "take it as a parameter; cli reads the environment"),
    (&["env", "var_os"], CLI, "take it as a parameter; cli reads the environment"),
    (&["env", "args"], CLI, "take it as a parameter; cli reads the command line"),
    (&["env", "args_os"], CLI, "take it as a parameter; cli reads the command line"),
    (&["env", "current_dir"], CLI, "take the path as a parameter"),
    (&["env", "temp_dir"], CLI, "take the path as a parameter"),
    (&["etcetera"], CLI, "take the folder as a parameter; cli knows the platform's"),
    (&["SystemTime", "now"], CLI, "take the date as a parameter"),
    (&["println!"], CLI, "return values; cli prints"),
    (&["print!"], CLI, "return values; cli prints"),
    (&["eprintln!"], CLI, "return values; cli prints"),
    (&["eprint!"], CLI, "return values; cli prints"),
    (&["anstream"], CLI, "return values; cli prints"),
    (&["indicatif"], CLI, "give events; cli shows them"),
    (&["ctrlc"], CLI, "ask the caller whether to stop"),
    (&["process", "exit"], CLI, "return an error; only what ends by itself lets the chip go"),
    (&["process", "abort"], &[], "return an error; only what ends by itself lets the chip go"),
    (&["Instant", "now"], TIME, "use a clock of `time`, which the sim can replace"),
    (&["thread", "sleep"], TIME, "use a clock of `time`, which the sim can replace"),
    (&["dbg!"], &[], "take it out"),
    (&["todo!"], &[], "do it"),
    (&["unimplemented!"], &[], "do it"),
];
const CLI: &[&str] = &["src/cli/"];
const TIME: &[&str] = &["src/time.rs"];

/// What panics, outside tests.
const PANICS: &[&str] = &["unwrap", "expect", "panic!", "unreachable!"];

/// The places that may panic: file, what stands on the line, and why it cannot happen or must.
const MAY_PANIC: &[(&str, &str, &str)] = &[];

fn banned(sources: &BTreeMap<String, String>) -> Vec<String> {
    let mut complaints = Vec::new();
    for (file, text) in sources {
        for path in paths(&tokens(text)).iter().filter(|path| !path.test) {
            let hits = BANNED.iter().filter(|(call, places, _)| is_part(path, call) && !places.iter().any(|place| file.starts_with(place)));
            complaints.extend(hits.map(|(call, _, instead)| format!("{file}:{}: {} here; {instead}", path.line, call.join("::"))));
        }
    }
    complaints
}

/// Whether `call` stands in the path, its parts side by side.
fn is_part(path: &PathUse, call: &[&str]) -> bool {
    path.parts.windows(call.len()).any(|parts| parts == call)
}

fn panicking(sources: &BTreeMap<String, String>, allowed: &[(&str, &str, &str)]) -> Vec<String> {
    let mut complaints = Vec::new();
    let mut used = vec![false; allowed.len()];
    for (file, text) in sources.iter().filter(|(file, _)| !is_test_file(file, sources)) {
        for token in panics(&tokens(text)) {
            let line = text.lines().nth(token.line - 1).unwrap_or_default();
            match allowed.iter().position(|(place, words, _)| place == file && line.contains(words)) {
                Some(entry) => used[entry] = true,
                None => {
                    complaints.push(format!("{file}:{}: {} may panic; return an error, or list it with its reason", token.line, token.text))
                }
            }
        }
    }
    let unused = allowed.iter().zip(used).filter(|(_, used)| !used);
    complaints.extend(unused.map(|((file, words, _), _)| format!("{file}: listed and not there any more: {words}")));
    complaints
}

/// `x.unwrap(`, `Option::unwrap`, `panic!`. A function of our own that is called `expect` is not one: it stands after `fn`.
fn panics(tokens: &[Token]) -> Vec<Token> {
    let before = |at: usize| at.checked_sub(1).map(|at| tokens[at].text.as_str()).unwrap_or_default();
    let is_one =
        |at: usize| PANICS.contains(&tokens[at].text.as_str()) && (tokens[at].text.ends_with('!') || matches!(before(at), "." | "::"));
    (0..tokens.len()).filter(|at| is_one(*at) && !tokens[*at].test).map(|at| tokens[at].clone()).collect()
}

/// Whether a file is a module that the one above declares for tests only.
fn is_test_file(file: &str, sources: &BTreeMap<String, String>) -> bool {
    let Some((folder, name)) = file.strip_suffix(".rs").and_then(|path| path.rsplit_once('/')) else { return false };
    [format!("{folder}/mod.rs"), format!("{folder}.rs")].iter().filter_map(|above| sources.get(above)).any(|above| {
        let tokens = tokens(above);
        tokens.windows(3).any(|words| words[0].text == "mod" && words[1].text == name && words[2].text == ";" && words[0].test)
    })
}

#[test]
fn no_call_where_it_does_not_belong() {
    nothing_in(banned(&sources("src")));
}

#[test]
fn nothing_panics_without_a_reason() {
    nothing_in(panicking(&sources("src"), MAY_PANIC));
}

#[test]
fn canary_of_banned_calls() {
    let flagged = |file: &str, text: &str| banned(&made_up(&[(file, text)])).len();
    for text in [
        "use std::env;",
        "use std::{fs, env};",
        "let x = std::env::var(\"HOME\");",
        "let now = SystemTime::now();",
        "use std::process::{Command, exit};",
        "fn f() { println!(\"x\") }",
        "fn f() { eprint!(\"x\") }",
        "use etcetera::BaseStrategy;",
        "let x = Instant::now();",
        "std::thread::sleep(x);",
        "todo!()",
    ] {
        assert!(flagged("src/job/mod.rs", text) > 0, "{text}");
        assert_eq!(flagged("src/job/mod.rs", &format!("#[cfg(test)] mod tests {{ {text} }}")), 0, "{text}");
        assert_eq!(flagged("src/job/mod.rs", &format!("// {text}")), 0, "{text}");
    }
    assert_eq!(flagged("src/cli/home.rs", "use std::env; println!(\"{}\", SystemTime::now())"), 0);
    assert!(flagged("src/cli/home.rs", "let x = Instant::now();") > 0);
    assert_eq!(flagged("src/time.rs", "let x = Instant::now();"), 0);
    assert_eq!(flagged("src/job/mod.rs", "let path = env!(\"CARGO_PKG_VERSION\"); let print = exit;"), 0);
}

#[test]
fn canary_of_panics() {
    let flagged = |text: &str, allowed: &[(&str, &str, &str)]| panicking(&made_up(&[("src/a.rs", text)]), allowed).len();
    for text in ["x.unwrap();", "x\n.expect(\"y\");", "x.map(Option::unwrap);", "panic!(\"y\")", "_ => unreachable!()"] {
        assert_eq!(flagged(text, &[]), 1, "{text}");
        assert_eq!(flagged(&format!("#[cfg(test)] mod tests {{ {text} }}"), &[]), 0, "{text}");
    }
    assert_eq!(flagged("x.unwrap_or_default(); // x.unwrap()\nfn expect(self) {}", &[]), 0);
    assert_eq!(flagged("let n = two.unwrap();", &[("src/a.rs", "two.unwrap()", "it is two")]), 0);
    assert_eq!(flagged("let n = two.unwrap();", &[("src/b.rs", "two.unwrap()", "another file")]), 2);
    assert_eq!(flagged("", &[("src/a.rs", "two.unwrap()", "gone")]), 1);

    let split =
        made_up(&[("src/a/mod.rs", "#[cfg(test)] mod tests;\nmod b;"), ("src/a/tests.rs", "x.unwrap()"), ("src/a/b.rs", "x.unwrap()")]);
    assert_eq!(panicking(&split, &[]).len(), 1);
}
