//! The checks.

use crate::gadget::{PORT, Plugged};
use crate::program::{ROOT, User, has_changed, held, make_board, run, run_as, start, until};
use std::fs;
use std::os::unix::fs::chown;
use std::time::{Duration, Instant};

/// Each with its name, in the order in which they run.
pub const ALL: &[(&str, fn())] = &[
    ("a loader is installed over the serial port", || install(PORT, "serial")),
    ("the serial port is pulled out in the middle", || pull_out(PORT, "serial-cut")),
    ("a serial port that this user may not open", serial_without_permission),
];

/// A user who is no root, with a group of that number; and the group that serial ports belong to. Both are in the guest's /etc/group.
const USER: u32 = 1000;
const DIALOUT: u32 = 20;
const USER_HOME: &str = "/home/user";

const PATIENCE: Duration = Duration::from_secs(60);

/// The flash with the loader in its place and nothing else, as objcopy made it.
fn wanted() -> Vec<u8> {
    fs::read("/home/vent-flash.bin").expect("made by tests/guest/run")
}

fn install_via(via: &str) -> String {
    // The tag tells after an interruption that it is the same board: its flash was blank and its chip has no number of its own.
    format!("loader install --board vent --tag bay-3 --via {via} --yes")
}

/// Its flash holds just what it should, and no rule of its datasheet was broken.
fn is_installed(sim: &str) {
    let (flash, state) = held(sim);
    assert!(flash == wanted(), "{sim}: the flash is not as it should be");
    assert!(state.contains("\"violations\": 0"), "{sim}: {state}");
}

/// A loader is installed. A second program that wants the bridge meanwhile is told that it is in use, and disturbs nothing.
fn install(via: &str, sim: &str) {
    make_board(sim);
    assert!(held(sim).0 != wanted(), "the board is blank before");
    let plugged = Plugged::new(sim);
    let first = start(ROOT, &install_via(via));
    until(PATIENCE, || (plugged.heard() > 0).then_some(())).expect("the first has the bridge");
    let second = run(&format!("inspect --board vent --via {via}")).exits(&[4]);
    second.says(&format!("is in use by farrier itself: process {}.", first.id()));
    let ran = first.wait().exits(&[0]);
    println!("        {} bytes from the host, {:.1} s", plugged.heard(), ran.took.as_secs_f64());
    drop(plugged);
    is_installed(sim);
}

/// Bytes in the middle of the loader that stand so on the wire too: without a zero, and inside a page.
fn middle_of_loader() -> Vec<u8> {
    let flash = wanted();
    let loader = flash.iter().position(|byte| *byte != 0xFF).expect("a loader")..flash.len();
    let end = flash.iter().rposition(|byte| *byte != 0xFF).expect("a loader");
    let middle = (loader.start + end) / 2;
    let found = flash[middle..end].windows(12).find(|bytes| bytes.iter().all(|byte| *byte != 0));
    found.expect("a run without a zero").to_vec()
}

/// The plug is pulled while the loader is being written. The command ends and says why; with the plug in again it finishes.
fn pull_out(via: &str, sim: &str) {
    make_board(sim);
    let plugged = Plugged::deaf_after(sim, &middle_of_loader());
    let running = start(ROOT, &install_via(via));
    // The first half has reached the bridge, and is in the silicon soon.
    until(PATIENCE, || (plugged.is_deaf() && has_changed(sim)).then_some(())).expect("the loader is being written");
    let pulled_out = Instant::now();
    drop(plugged);
    let ran = running.wait().exits(&[4, 5]);
    println!("        ended {:.1} s after it", pulled_out.elapsed().as_secs_f64());
    ran.says("It was unplugged");
    ran.says("The same command goes on from there");
    let (flash, _) = held(sim);
    assert!(flash != wanted() && flash.iter().any(|byte| *byte != 0xFF), "it was not in the middle of the flash");

    let plugged = Plugged::new(sim);
    let ran = run(&install_via(via)).exits(&[0]);
    ran.says("Goes on job");
    drop(plugged);
    is_installed(sim);
}

/// Somebody who is no root, in the group of that number.
fn user(group: u32) -> User {
    fs::create_dir_all(USER_HOME).expect("a folder");
    chown(USER_HOME, Some(USER), Some(group)).expect("root may");
    User { user: USER, group, home: USER_HOME }
}

/// The serial port belongs to the group dialout, as Debian has it.
fn serial_without_permission() {
    make_board("serial-forbidden");
    let _plugged = Plugged::new("serial-forbidden");
    let line = format!("inspect --board vent --via {PORT}");
    let ran = run_as(user(USER), &line).exits(&[4]);
    ran.says("this user may not open serial port /dev/ttyACM0");
    ran.says("sudo usermod -aG dialout $USER");
    run_as(user(DIALOUT), &line).exits(&[0]).says("ATmega1284P");
}
