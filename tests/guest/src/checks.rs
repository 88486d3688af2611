//! The checks.

use crate::gadget::{PORT, Plugged};
use crate::program::{ROOT, User, has_changed, held, make_board, run, run_as, start, udevadm, until};
use std::fs;
use std::os::unix::fs::chown;
use std::time::{Duration, Instant};

/// The device by its bulk endpoints, as `bridges` names it.
const USB: &str = "usb:GH-0042";

/// Each with its name, in the order in which they run.
pub const ALL: &[(&str, fn())] = &[
    ("bridges are listed and asked", list),
    ("a loader is installed over USB", || install(USB, "usb")),
    ("a loader is installed over the serial port", || install(PORT, "serial")),
    ("USB is pulled out in the middle", || pull_out(USB, "usb-cut")),
    ("the serial port is pulled out in the middle", || pull_out(PORT, "serial-cut")),
    ("the only bridge is used unasked, and both ways to it are one bridge", only_bridge),
    ("a user who may open neither", without_permission),
];

/// A user who is no root, with a group of that number; and the group that serial ports belong to. Both are in the guest's /etc/group.
const USER: u32 = 1000;
const DIALOUT: u32 = 20;
const USER_HOME: &str = "/home/user";

/// Bytes in a flash page of frost's chip, which is written in pieces of a page.
const PAGE: usize = 128;

const PATIENCE: Duration = Duration::from_secs(60);

/// The flash with the board's loader in its place and nothing else.
fn wanted(board: &str) -> Vec<u8> {
    fs::read(format!("/home/{board}-flash.bin")).expect("made by tests/guest/run")
}

fn install_via(via: &str, board: &str, sim: &str) -> String {
    // The tag tells after an interruption that it is the same board: its flash was blank and its chip has no number of its own.
    format!("loader install --board {board} --tag {sim} --via {via} --yes")
}

/// Its flash holds just what it should, and no rule of its datasheet was broken.
fn is_installed(board: &str, sim: &str) {
    let (flash, state) = held(sim);
    assert!(flash == wanted(board), "{sim}: the flash is not as it should be");
    assert!(state.contains("\"violations\": 0"), "{sim}: {state}");
}

/// Both ways to the bridge are listed without being opened, and asked when they shall be.
fn list() {
    make_board("frost", "listed");
    let plugged = Plugged::new("listed");
    let ran = run("bridges").exits(&[0]);
    for place in [USB, PORT] {
        ran.says(&format!("{place} 1209:0001 GH-0042 Farrier bridge"));
    }
    assert_eq!(plugged.heard(), 0, "nothing was asked");
    let ran = run("bridges --ask").exits(&[0]);
    for place in [USB, PORT] {
        ran.says(&format!("{place} 1209:0001 GH-0042 Farrier bridge SIMULATED bridge \"sim listed\": protocol version 1"));
        ran.says(&format!("--via {place}"));
    }
}

/// A loader is installed. A second program that wants the bridge meanwhile is told that it is in use, and disturbs nothing.
fn install(via: &str, sim: &str) {
    make_board("vent", sim);
    assert!(held(sim).0 != wanted("vent"), "the board is blank before");
    let plugged = Plugged::new(sim);
    let first = start(ROOT, &install_via(via, "vent", sim));
    until(PATIENCE, || (plugged.heard() > 0).then_some(())).expect("the first has the bridge");
    let second = run(&format!("inspect --board vent --via {via}")).exits(&[4]);
    second.says(&format!("is in use by another run of this program: process {}", first.id()));
    let ran = first.wait().exits(&[0]);
    println!("        {} bytes from the host, {:.1} s", plugged.heard(), ran.took.as_secs_f64());
    drop(plugged);
    is_installed("vent", sim);
}

/// Where one bridge is plugged in, no --via is needed, and it is said which it is. Whoever has it over USB has its serial port too.
fn only_bridge() {
    make_board("vent", "only");
    let plugged = Plugged::new("only");
    let first = start(ROOT, "loader install --board vent --tag only --yes");
    until(PATIENCE, || (plugged.heard() > 0).then_some(())).expect("the first has the bridge");
    for via in [USB, PORT] {
        let second = run(&format!("inspect --board vent --via {via}")).exits(&[4]);
        second.says(&format!("is in use by another run of this program: process {}", first.id()));
    }
    first.wait().exits(&[0]).says("The only bridge there is: usb:GH-0042");
    drop(plugged);
    is_installed("vent", "only");
}

/// Bytes in the middle of the loader that stand so on the wire too: without a zero, and inside a page.
fn middle_of_loader(board: &str) -> Vec<u8> {
    let flash = wanted(board);
    let loader = flash.iter().position(|byte| *byte != 0xFF).expect("a loader")..flash.len();
    let end = flash.iter().rposition(|byte| *byte != 0xFF).expect("a loader");
    let middle = (loader.start + end) / 2;
    let in_page = |at: &usize| at % PAGE + 12 <= PAGE;
    let found = (middle..end - 12).filter(in_page).map(|at| &flash[at..at + 12]).find(|bytes| bytes.iter().all(|byte| *byte != 0));
    found.expect("a run without a zero").to_vec()
}

/// The plug is pulled while the loader is being written. The command ends and says why; with the plug in again it finishes. (A small
/// chip, because half of the time goes into reading it.)
fn pull_out(via: &str, sim: &str) {
    make_board("frost", sim);
    let plugged = Plugged::deaf_after(sim, &middle_of_loader("frost"));
    let running = start(ROOT, &install_via(via, "frost", sim));
    // The first half has reached the bridge, and is in the silicon soon.
    until(PATIENCE, || (plugged.is_deaf() && has_changed(sim)).then_some(())).expect("the loader is being written");
    let pulled_out = Instant::now();
    drop(plugged);
    let ran = running.wait().exits(&[4, 5]);
    println!("        ended {:.1} s after it", pulled_out.elapsed().as_secs_f64());
    ran.says("It was unplugged");
    ran.says("The same command goes on from there");
    let (flash, _) = held(sim);
    assert!(flash != wanted("frost") && flash.iter().any(|byte| *byte != 0xFF), "it was not in the middle of the flash");

    let plugged = Plugged::new(sim);
    let ran = run(&install_via(via, "frost", sim)).exits(&[0]);
    ran.says("Goes on job");
    drop(plugged);
    is_installed("frost", sim);
}

/// Somebody who is no root, in the group of that number.
fn user(group: u32) -> User {
    fs::create_dir_all(USER_HOME).expect("a folder");
    chown(USER_HOME, Some(USER), Some(group)).expect("root may");
    User { user: USER, group, home: USER_HOME }
}

/// A user who may open neither is told what helps, and with that may.
fn without_permission() {
    make_board("frost", "forbidden");
    let plugged = Plugged::new("forbidden");
    let serial = format!("bridges --ask {PORT}");
    let usb = format!("bridges --ask {USB}");
    let told = run_as(user(USER), &format!("inspect --board vent --via {PORT}")).exits(&[4]);
    told.says(&format!("this user may not open serial port {PORT}"));
    told.says("sudo usermod -aG dialout $USER");
    let told = run_as(user(USER), &format!("inspect --board vent --via {USB}")).exits(&[4]);
    told.says(&format!("this user may not open {USB}"));
    told.says("hardware-notes/udev/70-farrier-bridge.rules");
    let listed = run_as(user(USER), "bridges").exits(&[0]);
    listed.says("Only root may. hardware-notes/udev/70-farrier-bridge.rules");
    listed.says("sudo usermod -aG dialout $USER");

    // The group is Debian's own rule.
    run_as(user(DIALOUT), &serial).exits(&[0]).says("SIMULATED bridge");
    run_as(user(DIALOUT), &usb).exits(&[4]);
    drop(plugged);

    // Ours gives the files to whoever sits at the computer. Who that is only a login manager knows, so this ends with udev's word for it.
    fs::copy("/home/70-farrier-bridge.rules", "/etc/udev/rules.d/70-farrier-bridge.rules").expect("a copy");
    udevadm(&["control", "--reload"]);
    let plugged = Plugged::new("forbidden");
    let file = plugged.usb_file();
    assert!(udevadm(&["info", "--query=property", "--name", &file]).contains(":uaccess:"));
    assert!(udevadm(&["info", "--query=property", "--name", PORT]).contains(":uaccess:"));
    chown(file, Some(USER), None).expect("root may");
    run_as(user(USER), &usb).exits(&[0]).says("SIMULATED bridge");
}
