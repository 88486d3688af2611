//! What is left where a system is no Unix, judged by the compiler, on Linux. A compiler for another system is not here, so this says
//! that nothing outside its `cfg` needs Unix or Linux; it does not say that the program was tried there.

use std::fs;
use std::path::Path;
use std::process::Command;

/// What each condition becomes where the system is neither Unix nor Linux nor macOS.
const CONDITIONS: [(&str, &str); 5] = [
    ("cfg(not(any(target_os = \"linux\", target_os = \"macos\")))", "cfg(all())"),
    ("cfg(not(unix))", "cfg(all())"),
    ("cfg(not(target_os = \"linux\"))", "cfg(all())"),
    ("cfg(unix)", "cfg(any())"),
    ("cfg(target_os = \"linux\")", "cfg(any())"),
];

/// Parts of the standard library that only Unix has.
const UNIX_ONLY: [&str; 2] = ["std::os::unix", "std::os::fd"];

/// Copies a folder, each source file as `change` makes it.
fn copy(from: &Path, to: &Path, change: &dyn Fn(String) -> String) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap().map(Result::unwrap) {
        let (path, goal) = (entry.path(), to.join(entry.file_name()));
        match path.extension() {
            _ if path.is_dir() => copy(&path, &goal, change),
            Some(kind) if kind == "rs" => fs::write(goal, change(fs::read_to_string(&path).unwrap())).unwrap(),
            _ => fs::copy(&path, &goal).map(drop).unwrap(),
        }
    }
}

/// The manifest without what only Unix or Linux has, and without tests and benchmarks.
fn manifest(whole: &str) -> String {
    let [unix, dev, tests] = ["[target.'cfg(unix)'", "[dev-dependencies]", "[[test]]"].map(|table| whole.find(table).expect(table));
    format!("{}{}", &whole[..unix], &whole[dev..tests])
}

/// Whether the program without Unix compiles, with `change` made to its source besides; what the compiler says.
fn check(name: &str, change: fn(String) -> String) -> (bool, String) {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    let _ = fs::remove_dir_all(&folder);
    let elsewhere = |source: String| {
        let source = CONDITIONS.iter().fold(change(source), |text, (from, to)| text.replace(from, to));
        UNIX_ONLY.iter().fold(source, |text, module| text.replace(module, "std::os::not_here"))
    };
    for part in ["src", "boards", "hardware-notes"] {
        copy(&here.join(part), &folder.join(part), &elsewhere);
    }
    for file in ["build.rs", "Cargo.lock"] {
        fs::copy(here.join(file), folder.join(file)).unwrap();
    }
    fs::write(folder.join("Cargo.toml"), manifest(&fs::read_to_string(here.join("Cargo.toml")).unwrap())).unwrap();
    let mut cargo = Command::new(env!("CARGO"));
    cargo.args(["check", "--offline", "--lib", "--bins", "--target-dir"]).arg(here.join("target")).current_dir(&folder);
    let output = cargo.output().unwrap();
    (output.status.success(), String::from_utf8_lossy(&output.stderr).into_owned())
}

#[test]
fn nothing_outside_its_condition_needs_unix() {
    let (compiles, said) = check("other-systems", |source| source);
    assert!(compiles && !said.contains("warning"), "{said}");
}

#[test]
fn a_unix_call_without_its_condition_is_found() {
    let (compiles, said) = check("other-systems-canary", |source| source.replace("#[cfg(unix)]\nfn ", "fn "));
    assert!(!compiles && said.contains("not_here"), "{said}");
}
