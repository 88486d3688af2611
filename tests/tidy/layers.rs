//! Who may use whom: the table at the top of `src/lib.rs` is the rule, and every `crate::` path, and every `super::` that climbs as far,
//! is an arrow. Tests inside `src` keep to it too.

use super::source::{PathUse, paths, tokens};
use super::{made_up, nothing_in, sources};
use std::collections::{BTreeMap, BTreeSet};

/// Whom each module may use; `None` is everybody.
type Table = BTreeMap<String, Option<BTreeSet<String>>>;

/// Reads the table of `lib.rs`: rows of `modules   whom they may use`, and `Every module may use X`.
fn table(lib: &str) -> Table {
    let document: Vec<&str> = lib.lines().filter_map(|line| line.strip_prefix("//!")).map(str::trim).collect();
    let rows = document.iter().skip_while(|line| **line != "```text").skip(1).take_while(|line| **line != "```");
    let for_all = document.iter().filter_map(|line| line.split("Every module may use `").nth(1)?.split('`').next());
    let for_all: Vec<String> = for_all.map(str::to_owned).collect();
    let mut table = Table::new();
    for row in rows {
        let (modules, uses) = row.split_once("  ").unwrap_or_else(|| panic!("a row without two columns: {row}"));
        for module in modules.split(',') {
            table.insert(module.trim().to_owned(), whom(uses, &for_all));
        }
    }
    assert!(table.len() > 1, "no table in lib.rs");
    table
}

/// The second column. A note in brackets, and what follows a semicolon, is for people.
fn whom(uses: &str, for_all: &[String]) -> Option<BTreeSet<String>> {
    let names = uses.split(';').next().unwrap_or_default().split(',').map(|name| name.split('(').next().unwrap_or_default().trim());
    let names: BTreeSet<String> = names.filter(|name| *name != "nothing").map(str::to_owned).collect();
    let all = names.contains("everything");
    (!all).then(|| names.into_iter().chain(for_all.iter().cloned()).collect())
}

/// The module below `src` that a file belongs to, and how many modules deep the file's own is. The crate's roots belong to none.
fn module_of(path: &str) -> Option<(String, usize)> {
    let inner = path.strip_prefix("src/")?.strip_suffix(".rs")?;
    let mut parts: Vec<&str> = inner.split('/').collect();
    if parts.last() == Some(&"mod") {
        parts.pop();
    }
    match parts[..] {
        ["lib" | "main"] => None,
        _ => Some((parts[0].to_owned(), parts.len())),
    }
}

/// The module of the crate that a path leads to, where it goes over the crate's root.
fn target(path: &PathUse, depth: usize) -> Option<&str> {
    let parts = path.parts.iter().map(String::as_str).collect::<Vec<_>>();
    let rest = match parts[..] {
        ["crate", ..] => &parts[1..],
        _ => {
            let rest = parts.strip_prefix(&["self"]).unwrap_or(&parts);
            let up = rest.iter().take_while(|part| **part == "super").count();
            if up == 0 || up < depth + path.inline_modules {
                return None;
            }
            &rest[up..]
        }
    };
    rest.first().copied()
}

fn forbidden(table: &Table, sources: &BTreeMap<String, String>) -> Vec<String> {
    let mut complaints = Vec::new();
    for (file, text) in sources {
        let Some((module, depth)) = module_of(file) else { continue };
        let Some(allowed) = table.get(&module) else {
            complaints.push(format!("{file}: module {module} is not in the table of lib.rs"));
            continue;
        };
        for path in paths(&tokens(text)) {
            let Some(to) = target(&path, depth) else { continue };
            let fine = to == module || (table.contains_key(to) && allowed.as_ref().is_none_or(|allowed| allowed.contains(to)));
            if !fine {
                complaints.push(format!("{file}:{}: {module} may not use {to} ({})", path.line, path.parts.join("::")));
            }
        }
    }
    complaints
}

#[test]
fn no_arrow_that_the_table_forbids() {
    let sources = sources("src");
    nothing_in(forbidden(&table(&sources["src/lib.rs"]), &sources));
}

#[test]
fn the_table_has_every_module_and_no_other() {
    let sources = sources("src");
    let tokens = tokens(&sources["src/lib.rs"]);
    let declared = tokens.windows(3).filter(|words| words[0].text == "mod" && words[2].text == ";").map(|words| words[1].text.clone());
    let declared: BTreeSet<String> = declared.collect();
    let table = table(&sources["src/lib.rs"]);
    assert_eq!(table.keys().cloned().collect::<BTreeSet<_>>(), declared);
    let named = table.values().flatten().flatten().find(|name| !declared.contains(*name));
    assert_eq!(named, None, "the table allows the use of something that is no module");
}

#[test]
fn canary() {
    let table = table(
        "//! Every module may use `units`.\n//! ```text\n//! units, time  nothing\n//! bus  time (the clock)\n//! cli   everything; it is the top\n//! ```\n",
    );
    let flagged = |file: &str, text: &str| forbidden(&table, &made_up(&[(file, text)])).len();
    assert_eq!(flagged("src/bus.rs", "use crate::cli::Home;"), 1);
    assert_eq!(flagged("src/bus.rs", "use crate::{time::Clock, cli::{Home, Output}};"), 2);
    assert_eq!(flagged("src/bus.rs", "fn f() -> crate::cli::Home { todo() }"), 1);
    assert_eq!(flagged("src/bus.rs", "use super::cli;"), 1);
    assert_eq!(flagged("src/bus/spi.rs", "use super::super::cli;"), 1);
    assert_eq!(flagged("src/bus/mod.rs", "use super::cli;"), 1);
    assert_eq!(flagged("src/bus.rs", "mod tests { use super::super::cli; }"), 1);
    assert_eq!(flagged("src/bus.rs", "#[cfg(test)] mod tests { use crate::cli; }"), 1);
    assert_eq!(flagged("src/time.rs", "use crate::bus;"), 1);
    assert_eq!(flagged("src/bus.rs", "use crate::VERSION;"), 1);
    assert_eq!(flagged("src/stray.rs", ""), 1);

    assert_eq!(flagged("src/bus.rs", "use crate::time::Clock; use crate::units::Hertz; use crate::bus::Line;"), 0);
    assert_eq!(flagged("src/bus/spi.rs", "use super::cli; mod tests { use super::super::line; use super::*; }"), 0);
    assert_eq!(flagged("src/bus.rs", "// use crate::cli;\npub(crate) const A: &str = \"crate::cli\";"), 0);
    assert_eq!(flagged("src/cli/mod.rs", "use crate::{bus, time};"), 0);
    assert_eq!(flagged("src/main.rs", "use farrier::cli;"), 0);
}
