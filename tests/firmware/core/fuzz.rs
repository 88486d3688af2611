//! The target of `tests/fuzz/core` on random inputs: a host that says anything, and a port that checks what the core promises.

use super::{INCLUDES, SANITIZERS};
use crate::firmware::running::{compile, core_sources};
use std::path::Path;
use std::process::Command;

/// Enough to reach every operation, and few enough for a second or two.
const INPUTS: &str = "3000";

#[test]
fn whatever_a_host_says_the_core_keeps_its_promises() {
    let mut sources = core_sources();
    sources.push(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/core.c"));
    let tight = ["-DRANDOM_INPUTS", "-DBRIDGE_SPARE=24", "-DBRIDGE_ABILITIES=7"];
    let program = compile("bridge-core-fuzz", &[INCLUDES.as_slice(), &SANITIZERS, &tight].concat(), &sources);
    let output = Command::new(program).args(["1", INPUTS]).output().unwrap();
    let (out, err) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{out}{err}");
    // A host to whom nothing is answered would find nothing.
    let carried_out: u64 = out.split(' ').next().and_then(|word| word.parse().ok()).expect(&out);
    assert!(carried_out > 3_000, "{out}");
}
