//! The sample files: what lies in `samples/valid` reads; what lies in `samples/invalid` gives exactly the mistakes that stand
//! in the `.expected` file beside it, one on each line.

use farrier::board::{Catalog, read_board, read_chip};
use farrier::reader::Mistake;
use std::fs;
use std::path::{Path, PathBuf};

fn samples(kind: &str) -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/board/samples").join(kind);
    let mut files: Vec<PathBuf> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.retain(|file| file.extension().is_some_and(|extension| extension == "toml"));
    files.sort();
    assert!(!files.is_empty());
    files
}

fn mistakes(file: &Path) -> Vec<Mistake> {
    let text = fs::read_to_string(file).unwrap();
    let is_chip = file.file_name().unwrap().to_str().unwrap().starts_with("chip-");
    let catalog = Catalog::built_in();
    let found = match is_chip {
        true => read_chip(&text).err(),
        false => read_board(&text, |part| catalog.chip(part).map_err(|error| error.to_string())).err(),
    };
    found.unwrap_or_default()
}

fn lines(mistakes: &[Mistake]) -> String {
    mistakes.iter().map(|mistake| format!("{}:{}: {}\n", mistake.line, mistake.column, mistake.message)).collect()
}

#[test]
fn valid_samples_read() {
    for file in samples("valid") {
        assert_eq!(lines(&mistakes(&file)), "", "{}", file.display());
    }
}

#[test]
fn invalid_samples_give_the_mistakes_beside_them() {
    let mut wrong = String::new();
    for file in samples("invalid") {
        let expected = fs::read_to_string(file.with_extension("expected")).unwrap();
        let found = lines(&mistakes(&file));
        if found != expected {
            wrong += &format!("{}\n expected:\n{expected} found:\n{found}\n", file.display());
        }
    }
    assert!(wrong.is_empty(), "{wrong}");
}
