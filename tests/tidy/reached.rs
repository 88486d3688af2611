//! Every file of tests is part of the one test program. A file that no `mod` line names would look like a test and never run.

use super::source::tokens;
use super::{made_up, nothing_in, sources};
use std::collections::{BTreeMap, BTreeSet};

const ROOT: &str = "tests/main.rs";

fn unreached(sources: &BTreeMap<String, String>) -> Vec<String> {
    let mut reached = BTreeSet::new();
    let mut open = vec![ROOT.to_owned()];
    while let Some(file) = open.pop() {
        let Some(text) = sources.get(&file) else { continue };
        let tokens = tokens(text);
        let named = tokens.windows(3).filter(|words| words[0].text == "mod" && words[2].text == ";").map(|words| &words[1].text);
        let folder = folder_of(&file);
        open.extend(named.flat_map(|name| [format!("{folder}/{name}.rs"), format!("{folder}/{name}/mod.rs")]));
        reached.insert(file);
    }
    let forgotten = sources.keys().filter(|file| !reached.contains(*file));
    forgotten.map(|file| format!("{file}: no `mod` line leads to it from {ROOT}")).collect()
}

/// Where the modules that a file names are.
fn folder_of(file: &str) -> String {
    let own = file.strip_suffix("/mod.rs").or_else(|| file.strip_suffix("/main.rs"));
    own.unwrap_or_else(|| file.strip_suffix(".rs").unwrap_or(file)).to_owned()
}

#[test]
fn no_test_file_is_forgotten() {
    // Programs of their own: tests/image/fuzz.rs runs the bodies of the fuzz targets, tests/outside/guest.rs the checks of the guest;
    // tests/outside/chips.rs the scripts of the descriptions.
    let mut sources = sources("tests");
    sources.retain(|file, _| {
        !["tests/fuzz/", "tests/bench/", "tests/guest/", "tests/outside/descriptions/"].iter().any(|folder| file.starts_with(folder))
    });
    nothing_in(unreached(&sources));
}

#[test]
fn canary() {
    let kept = [("tests/main.rs", "mod a;\nmod b;"), ("tests/a.rs", "mod deep;"), ("tests/a/deep.rs", ""), ("tests/b/mod.rs", "")];
    assert!(unreached(&made_up(&kept)).is_empty());
    for (file, main) in
        [("tests/c.rs", "mod a; mod b;"), ("tests/b/c.rs", "mod a; mod b; // mod c;"), ("tests/b/c.rs", "mod a; mod b; mod c;")]
    {
        let mut files = made_up(&kept);
        files.insert(ROOT.to_owned(), main.to_owned());
        files.insert(file.to_owned(), String::new());
        assert_eq!(unreached(&files), [format!("{file}: no `mod` line leads to it from tests/main.rs")]);
    }
}
