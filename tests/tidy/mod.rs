//! House rules that the compiler does not know, run over the sources. Each rule has a canary: a made-up source that it must flag, without
//! which a rule that has gone blind would look like a rule that is kept.

mod calls;
mod layers;
mod lines;
mod reached;
mod source;

use std::collections::BTreeMap;
use std::path::Path;

/// Every `.rs` file below `folder` of this project: its path from the project's root, with `/`, and its text.
fn sources(folder: &str) -> BTreeMap<String, String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut found = BTreeMap::new();
    let mut open = vec![root.join(folder)];
    while let Some(folder) = open.pop() {
        for entry in std::fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display())) {
            let path = entry.expect("a folder's entry").path();
            if path.is_dir() {
                open.push(path);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
                let name = path.strip_prefix(root).expect("a path below the root").to_string_lossy().replace('\\', "/");
                found.insert(name, text);
            }
        }
    }
    assert!(!found.is_empty(), "no sources below {folder}");
    found
}

/// Made-up sources for a canary.
fn made_up(files: &[(&str, &str)]) -> BTreeMap<String, String> {
    files.iter().map(|(path, text)| (path.to_string(), text.to_string())).collect()
}

/// Fails with all that a rule has found.
fn nothing_in(complaints: Vec<String>) {
    assert!(complaints.is_empty(), "\n{}\n", complaints.join("\n"));
}
