//! A simulated bridge behind a real port of this computer: a pseudo-terminal, or TCP. The programs at both ends are the one that users
//! run, and the time is real.

use super::{Held, Home, Ran};
use farrier::board::Catalog;
use farrier::link::SerialWire;
use farrier::sim::{Pty, Store};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpListener;
use std::process::{Child, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// `farrier sim serve`, until it is dropped.
pub struct Serving {
    process: Child,
    pub via: String,
}

impl Serving {
    /// Serves a sim of this home; `how` is `--pty` or `--tcp 127.0.0.1:0`.
    pub fn start(home: &Home, sim: &str, how: &str) -> Serving {
        let line = format!("sim serve {sim} {how} --json");
        let mut process = home.command().args(line.split_whitespace()).stdout(Stdio::piped()).spawn().expect("the program starts");
        let mut told = String::new();
        let mut out = BufReader::new(process.stdout.take().expect("a pipe"));
        while !told.trim_end().ends_with('}') {
            assert_ne!(out.read_line(&mut told).expect("its output"), 0, "it ended: {told}");
        }
        let document: serde_json::Value = serde_json::from_str(&told).expect("JSON");
        Serving { process, via: document["via"].as_str().expect("a place").to_owned() }
    }

    /// It is killed, as a cable is pulled.
    pub fn kill(&mut self) {
        self.process.kill().expect("it is killed");
        self.process.wait().expect("it ends");
    }

    /// Waits for it to end by itself, well.
    pub fn ends(&mut self) {
        assert!(self.process.wait().expect("it ends").success());
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

/// A sim whose chip runs at 8 MHz already (fuses: CKDIV8 unprogrammed), so that real time is not spent on reading at the slowest clock.
pub fn fast_frost(home: &Home) {
    fast_sim(home, "bench");
}

fn fast_sim(home: &Home, name: &str) {
    home.run(&format!("sim new {name} --board frost")).exits(0);
    let open = Store::open(home.path().join("sims"), Catalog::built_in()).open_sim(name).expect("the sim");
    open.sim().edit(|contents| contents.fuses[0] = 0xE2);
    open.sync().expect("it is saved");
}

/// What the same command gives on the same board through the memory wire.
pub fn in_virtual_time(line: &str) -> Held {
    let home = Home::new();
    fast_frost(&home);
    home.run(&line.replace("VIA", "sim:bench")).exits(0);
    home.export("bench")
}

fn same_as_in_virtual_time(how: &str) {
    let line = "loader install --via VIA --board frost --yes";
    let home = Home::new();
    fast_frost(&home);
    let mut serving = Serving::start(&home, "bench", &format!("{how} --once"));
    let ran = home.run(&line.replace("VIA", &serving.via));
    ran.exits(0).says("Done.").says("SIMULATED").says("Bridge: sim bench, protocol version 1").says(&serving.via);
    serving.ends();
    let (held, expected) = (home.export("bench"), in_virtual_time(line));
    assert_eq!(held.flash, expected.flash);
    assert!(held.flash.iter().any(|byte| *byte != 0xFF), "the loader is there");
    assert_eq!((held.fuses(), held.lock(), held.violations()), (expected.fuses(), expected.lock(), 0));
}

#[test]
fn a_loader_is_installed_over_a_serial_port() {
    same_as_in_virtual_time("--pty");
}

#[test]
fn a_loader_is_installed_over_tcp() {
    same_as_in_virtual_time("--tcp 127.0.0.1:0");
}

#[test]
fn a_second_program_at_the_same_port_is_refused_and_told_by_whom() {
    let home = Home::new();
    fast_frost(&home);
    let serving = Serving::start(&home, "bench", "--pty");
    let via = serving.via.clone();
    let mut first = home
        .command()
        .args(["snapshot", "take", "--board", "frost", "--via", &via])
        .stderr(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("it starts");
    let holder = format!("process {}", first.id());
    // The first one says so once it has the bridge.
    let mut heard = String::new();
    BufReader::new(first.stderr.take().expect("a pipe")).read_line(&mut heard).expect("its output");
    assert!(heard.starts_with("Bridge:"), "{heard}");
    home.run(&format!("inspect --board frost --via {via}@115200")).exits(4).says("in use").says(&holder);
    // Another user's home knows nothing of that lock; the port itself does.
    let other = Home::new();
    other.run(&format!("inspect --board frost --via {via}")).exits(4).says("in use").says(&holder);
    let mut told = String::new();
    first.stdout.take().expect("a pipe").read_to_string(&mut told).expect("its output");
    assert!(first.wait().expect("it ends").success(), "{told}");
    home.run(&format!("inspect --board frost --via {via}")).exits(0);
}

#[test]
fn a_sim_that_is_served_is_in_use() {
    let home = Home::new();
    fast_frost(&home);
    let serving = Serving::start(&home, "bench", "--tcp 127.0.0.1:0");
    home.run("inspect --via sim:bench").exits(4).says("in use").says(&format!("process {}", serving.process.id()));
}

fn refused(home: &Home, via: &str) -> Ran {
    home.run(&format!("inspect --board frost --via {via}"))
}

#[test]
fn what_cannot_be_opened_is_told_with_what_to_do() {
    let home = Home::new();
    refused(&home, "/dev/ttyNONE7").exits(4).says("no serial port /dev/ttyNONE7").says("farrier bridges");
    refused(&home, "/dev/null").exits(4).says("/dev/null");
    let file = home.file("port", b"");
    refused(&home, &file.display().to_string()).exits(2).says("no serial port");
    refused(&home, "tcp://127.0.0.1:1").exits(4).says("cannot be reached");
    refused(&home, "frost").exits(2).says("sim:frost");
    home.run(&format!("inspect --via {}", Pty::open().expect("a pty").path().display())).exits(2).says("--board");
}

#[test]
fn silence_at_a_port_is_told_with_the_speeds_that_were_tried() {
    let home = Home::new();
    let pty = Pty::open().expect("a pty");
    let ran = refused(&home, &pty.path().display().to_string());
    ran.exits(4).says("no bridge answers").says("1000000, 500000, 115200 baud").says("Waiting for the bridge").says("farrier bridges");
}

#[test]
fn ctrl_c_while_nothing_answers_is_heard_at_once() {
    let home = Home::new();
    let pty = Pty::open().expect("a pty");
    for line in ["inspect --board frost --via PATH", "loader install --board frost --yes --via PATH", "bridges --ask PATH PATH@115200"] {
        let line = line.replace("PATH", &pty.path().display().to_string());
        let mut command = home.command();
        command.args(line.split_whitespace()).stderr(Stdio::piped()).stdout(Stdio::piped());
        let mut running = command.spawn().expect("it starts");
        let mut heard = String::new();
        BufReader::new(running.stderr.as_mut().expect("a pipe")).read_line(&mut heard).expect("its output");
        assert!(heard.starts_with("Waiting for the bridge"), "{heard}");
        let asked = Instant::now();
        signal(running.id(), "-INT");
        let ran = Ran::of(&line, &running.wait_with_output().expect("it ends"));
        let took = asked.elapsed();
        assert!(took < Duration::from_secs(2), "{line}: {took:?}");
        ran.exits(5).says("stopped as asked");
    }
    let free = SerialWire::open(&pty.path().display().to_string(), 115_200);
    assert!(free.is_ok(), "the port is free");
}

#[test]
fn a_port_that_vanishes_in_the_middle_stops_the_job_and_the_same_command_goes_on() {
    for how in ["--pty", "--tcp 127.0.0.1:0"] {
        let home = Home::new();
        fast_frost(&home);
        let line = "loader install --via VIA --board frost --tag 1187 --yes";
        let mut serving = Serving::start(&home, "bench", how);
        let args = line.replace("VIA", &serving.via);
        let mut command = home.command();
        let running = command.args(args.split_whitespace()).stderr(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("it starts");
        // The silicon's changes are on disk as they happen.
        while !home.path().join("sims/bench/changes.jsonl").exists() {
            std::thread::yield_now();
        }
        serving.kill();
        let ran = Ran::of(&args, &running.wait_with_output().expect("it ends"));
        ran.exits(4).says("is gone").says("unplugged").says("is unfinished. The same command goes on from there:");
        ran.says(&format!("  farrier {args}"));
        let serving = Serving::start(&home, "bench", how);
        home.run(&line.replace("VIA", &serving.via)).exits(0).says("Done.");
        drop(serving);
        let (held, expected) = (home.export("bench"), in_virtual_time(line));
        assert_eq!((&held.flash, held.lock()), (&expected.flash, expected.lock()), "{how}");
    }
}

#[test]
fn garbage_at_a_port_is_told() {
    let home = Home::new();
    let mut pty = Pty::open().expect("a pty");
    let path = pty.path().display().to_string();
    let stop = AtomicBool::new(false);
    let ran = std::thread::scope(|scope| {
        scope.spawn(|| {
            while !stop.load(Ordering::Relaxed) {
                // What nobody reads, or nobody has open, is lost.
                let _ = pty.writer().write_all(b"temperature 21.5\r\n\0");
                std::thread::sleep(Duration::from_millis(5));
            }
        });
        let ran = refused(&home, &path);
        stop.store(true, Ordering::Relaxed);
        ran
    });
    ran.exits(4).says("no Farrier bridge, or has another speed");
}

/// Something at a TCP port that says these bytes whenever it hears any.
fn parrot(says: &'static [u8]) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let via = format!("tcp://{}", listener.local_addr().expect("its address"));
    std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().expect("a program");
        let mut heard = [0; 4096];
        while stream.read(&mut heard).is_ok_and(|count| count > 0) {
            let _ = stream.write_all(says);
        }
    });
    via
}

#[test]
fn another_version_and_silence_and_echo_over_tcp_are_told() {
    let home = Home::new();
    // `other-version` of the worked examples in hardware-notes/bridge-protocol.md.
    let other_version = parrot(&[0x02, 0x81, 0x01, 0x04, 0x02, 0xF0, 0xF1, 0x00]);
    refused(&home, &other_version).exits(4).says("protocol version 2, this program speaks 1").says("newer farrier");
    refused(&home, &parrot(b"")).exits(4).says("no bridge answers").says("25 times");
    refused(&home, &parrot(b"login: \0")).exits(4).says("no Farrier bridge");
}

#[test]
fn bridges_asks_what_is_named_and_gives_the_text_to_copy() {
    let home = Home::new();
    fast_frost(&home);
    home.run("bridges").exits(0).says("farrier bridges").says("Next: farrier");
    let serving = Serving::start(&home, "bench", "--pty");
    let via = &serving.via;
    let ran = home.run(&format!("bridges --ask {via}"));
    ran.exits(0).says("SIMULATED bridge \"sim bench\": protocol version 1, 1000000 baud, pins at 3.3 V").says(&format!("--via {via}"));
    ran.says(&format!("Next: farrier inspect --board NAME --via {via}"));
    let ran = home.run(&format!("bridges --json --ask {via} tcp://127.0.0.1:1 sim:bench"));
    ran.exits(4);
    let listed = ran.json()["bridges"].clone();
    let of = |via: &str| listed.as_array().and_then(|all| all.iter().find(|one| one["via"] == via)).cloned().unwrap_or_default();
    assert_eq!((&of(via)["state"], &of(via)["hello"]["name"]), (&"bridge".into(), &"sim bench".into()), "{listed}");
    assert_eq!(of("tcp://127.0.0.1:1")["state"], "failed", "{listed}");
    assert!(of("sim:bench")["why"].as_str().is_some_and(|why| why.contains("sim list")), "{listed}");
    home.run("bridges --ask vent").exits(2).says("sim:vent");
}

/// Stops a process or lets it go on, as a shell does.
fn signal(process: u32, signal: &str) {
    assert!(std::process::Command::new("kill").args([signal, &process.to_string()]).status().expect("kill runs").success());
}

#[test]
fn a_job_that_runs_through_a_port_is_not_taken_for_an_unfinished_one() {
    let home = Home::new();
    fast_frost(&home);
    let serving = Serving::start(&home, "bench", "--pty");
    let line = format!("loader install --via {} --board frost --yes", serving.via);
    let mut command = home.command();
    command.args(line.split_whitespace()).stderr(Stdio::null()).stdout(Stdio::null());
    let mut running = command.spawn().expect("it starts");
    while !home.path().join("sims/bench/changes.jsonl").exists() {
        std::thread::yield_now();
    }
    // The bridge falls silent, so that the job lasts.
    signal(serving.process.id(), "-STOP");
    fast_sim(&home, "other");
    let other = home.run("loader install --via sim:other --yes");
    assert!(running.try_wait().expect("its state").is_none(), "the first job was to outlast the second");
    other.exits(0);
    running.kill().expect("it is killed");
    running.wait().expect("it ends");
    signal(serving.process.id(), "-CONT");
    // Now it is unfinished, and another blank board may be the one that it was begun on.
    fast_sim(&home, "third");
    home.run("loader install --via sim:third --yes").exits(3).says("--resume 1");
}

#[test]
fn ctrl_c_finishes_the_page_in_hand_and_leaves_chip_and_port_free() {
    let home = Home::new();
    fast_frost(&home);
    let mut serving = Serving::start(&home, "bench", "--pty");
    let line = format!("loader install --via {} --board frost --tag 1187 --yes", serving.via);
    let mut command = home.command();
    command.args(line.split_whitespace()).stderr(Stdio::piped()).stdout(Stdio::piped());
    let running = command.spawn().expect("it starts");
    while !home.path().join("sims/bench/changes.jsonl").exists() {
        std::thread::yield_now();
    }
    signal(running.id(), "-INT");
    let ran = Ran::of(&line, &running.wait_with_output().expect("it ends"));
    ran.exits(5).says("the chip is let go").says("The same command goes on from there:").says(&format!("  farrier {line}"));
    let free = home.run(&format!("bridges --json --ask {}", serving.via));
    assert!(free.exits(0).json()["bridges"].as_array().is_some_and(|all| all.iter().any(|one| one["state"] == "bridge")));
    home.run(&line).exits(0).says("Done.");
    signal(serving.process.id(), "-INT");
    serving.ends();
    assert_eq!(home.export("bench").flash, in_virtual_time("loader install --via VIA --board frost --yes").flash);
}
