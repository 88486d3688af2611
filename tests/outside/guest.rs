//! The USB and serial wires against Linux's own USB stack, in a virtual machine: what is tried there is in tests/guest/src/checks.rs.

use super::run;
use std::process::Command;

#[test]
fn usb_and_serial_wires_in_a_guest() {
    let said = run(Command::new("tests/guest/run").arg(env!("CARGO_BIN_EXE_farrier")).current_dir(env!("CARGO_MANIFEST_DIR")));
    print!("{}", String::from_utf8_lossy(&said));
}
