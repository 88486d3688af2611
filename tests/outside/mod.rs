//! Outside checks: what we made against programs and libraries that we did not write.
//!
//! `tests/run` installs them. A check whose program is missing fails and says so; none skips itself.

use std::path::{Path, PathBuf};
use std::process::Command;

mod boot;
mod chips;
mod cut_transfers;
mod drawings;
pub mod emulator;
mod every_chip;
mod fitted_loader;
mod guest;
mod images;
pub mod installed;
mod line_speeds;
pub mod loaders;
mod other_systems;
mod rp2040;
mod serial_server;
mod xmodem;

/// What to do when something is missing.
const INSTALL: &str = "run `tests/run`, which installs it or names the command that does";

/// The Python of the virtual environment that `tests/run` makes, with the packages intelhex, xmodem and pyserial.
pub fn python() -> PathBuf {
    let python = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/venv/bin/python");
    assert!(python.exists(), "{} is missing: {INSTALL}", python.display());
    python
}

/// A program of the machine, such as `avr-gcc` or `objcopy`.
pub fn program(name: &str) -> PathBuf {
    let folders = std::env::var_os("PATH").unwrap_or_default();
    let found = std::env::split_paths(&folders).map(|folder| folder.join(name)).find(|path| path.is_file());
    found.unwrap_or_else(|| panic!("{name} is missing: {INSTALL}"))
}

/// Runs a command that must succeed and gives its standard output; a failure shows the command and both outputs.
pub fn run(command: &mut Command) -> Vec<u8> {
    let output = command.output().unwrap_or_else(|error| panic!("{command:?}: {error}"));
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    assert!(output.status.success(), "{command:?}: {}\n{}{}", output.status, text(&output.stdout), text(&output.stderr));
    output.stdout
}
