//! `--watch` at real ports: the bridge's firmware runs in an emulator behind one pseudo-terminal, with a simulated board at its pins. Whenever
//! that board is let go, what its flash holds then runs in a second emulator, and talks on another pseudo-terminal, the board's console.

use super::at_a_port::{ALONE, run};
use crate::cli::Home;
use crate::outside::emulator::Emulator;
use crate::outside::installed::reset_at;
use crate::outside::loaders::application;
use farrier::board::Catalog;
use farrier::image::{ByteAddress, Image, write};
use farrier::sim::{Fault, Pty, Sim, Store};
use serde_json::Value;
use std::io::Write;
use std::time::{Duration, Instant};

const SLICE: Duration = Duration::from_millis(2);

/// The application of the frost controller's board (an ATmega328P), running on what a simulated board holds while that is not in reset.
struct Console<'a> {
    sim: &'a Sim,
    /// Only with this clock does the chip run.
    clock: u8,
    port: Pty,
    /// What becomes of bytes on their way.
    line: fn(Vec<u8>) -> Vec<u8>,
    running: Option<(Emulator, Instant, Duration)>,
    /// What the chip has said since it was last let go.
    said: Vec<u8>,
}

impl Console<'_> {
    fn step(&mut self) {
        let (sim, clock) = (self.sim, self.clock);
        if sim.in_reset() {
            self.running = None;
            return;
        }
        if self.running.is_none() {
            self.said.clear();
        }
        let boot = || {
            let contents = sim.contents();
            let start = reset_at("frost", contents.fuses[1], &contents.flash);
            let runs = contents.fuses[0] == clock && contents.flash[start as usize..][..2] != [0xFF; 2];
            runs.then(|| (Emulator::boot("frost", &contents.flash, start), Instant::now(), Duration::ZERO))
        };
        self.running = self.running.take().or_else(boot);
        let Some((emulator, since, ran_for)) = &mut self.running else { return };
        if since.elapsed() > *ran_for {
            *ran_for += SLICE;
            let bytes = emulator.run(SLICE);
            self.said.extend(&bytes);
            self.port.writer().write_all(&(self.line)(bytes)).expect("the console");
        }
    }
}

/// What a receiver at half the speed makes of bytes: it sees a start bit, and samples in the middle of what it takes for bits.
fn at_half_speed(bytes: Vec<u8>) -> Vec<u8> {
    let bits = |byte: u8| std::iter::once(false).chain((0..8).map(move |n| byte >> n & 1 == 1)).chain([true]);
    let line: Vec<bool> = bytes.into_iter().flat_map(bits).collect();
    let level = |at: usize| line.get(at).copied().unwrap_or(true);
    let (mut heard, mut at) = (Vec::new(), 0);
    while at < line.len() {
        if level(at) {
            at += 1;
            continue;
        }
        heard.push((0..8).fold(0, |byte, n| byte | u8::from(level(at + 3 + 2 * n)) << n));
        at += 19;
    }
    heard
}

/// A home with the frost controller's board, which has its loader and an application that says that it is ready.
fn bench() -> Home {
    let home = Home::new();
    home.file("frost.hex", &write::hex(&Image::of(ByteAddress(0), &application("frost"))));
    home.run("sim new bench --board frost").exits(0);
    home.run("loader install --board frost --via sim:bench --with frost.hex --yes").exits(0);
    home
}

/// Runs a command that changes the board and watches; what it says of that, its exit code, and what the chip really said.
fn watched(home: &Home, command: &str, damage: impl FnOnce(&Sim), line: fn(Vec<u8>) -> Vec<u8>) -> (Value, i32, String) {
    let (document, code, said) = ran(home, command, damage, line);
    assert_eq!(document["result"], "done", "{document}");
    (document["watched"].clone(), code, said)
}

/// Runs a command that watches: its JSON, its exit code, and what the chip really said.
fn ran(home: &Home, command: &str, damage: impl FnOnce(&Sim), line: fn(Vec<u8>) -> Vec<u8>) -> (Value, i32, String) {
    let _alone = ALONE.lock();
    let port = Pty::open().expect("a pseudo-terminal");
    let command = format!("{command} --board frost --via PORT --console {} --levels-shifted --yes --json", port.path().display());
    // Opened anew each time: the bridge's time begins at nothing, and so must the board's.
    let open = Store::open(home.path().join("sims"), Catalog::built_in()).open_sim("bench").expect("the sim");
    let sim = open.sim();
    let clock = sim.contents().fuses[0];
    damage(sim);
    let mut console = Console { sim, clock, port, line, running: None, said: Vec::new() };
    let ran = run(home, &command, 3300, sim, || console.step());
    open.sync().expect("it is saved");
    (ran.json(), ran.code, String::from_utf8_lossy(&console.said).into_owned())
}

/// An application of which something is another.
fn other_application(home: &Home, change: impl FnOnce(&mut Vec<u8>)) {
    let mut image = application("frost");
    change(&mut image);
    home.file("other.hex", &write::hex(&Image::of(ByteAddress(0), &image)));
}

fn is_another_byte(image: &mut Vec<u8>) {
    image.extend([0x5A; 3]);
}

const READY: &str = "frost controller ready";

#[test]
#[ignore = "in real time: tests/run runs it by itself"]
fn the_right_text_is_seen_after_a_write_an_install_and_a_revival() {
    let home = bench();
    other_application(&home, is_another_byte);
    let (seen, code, said) = watched(&home, "write other.hex --watch 6", |_| {}, |bytes| bytes);
    assert!(said.contains(READY), "{said}");
    assert_eq!((&seen["alive"], code), (&Value::Bool(true), 0), "{seen}");
    // The loader waits for 2 s before it starts the application.
    assert!((1_000..6_000).contains(&seen["after_ms"].as_u64().expect("a time")), "{seen}");

    let blank = |sim: &Sim| sim.edit(|contents| contents.flash.fill(0xFF));
    let (seen, code, _) = watched(&home, "loader install --with frost.hex --watch 6 --resume none", blank, |bytes| bytes);
    assert_eq!((&seen["alive"], code), (&Value::Bool(true), 0), "{seen}");

    // With settings, or revive says rightly that those are still missing.
    let without_clock = |sim: &Sim| {
        sim.edit(|contents| contents.eeprom.fill(0x42));
        sim.damage(Fault::LostClock);
    };
    let (seen, code, _) = watched(&home, "revive --clock-output --watch 6", without_clock, |bytes| bytes);
    assert_eq!((&seen["alive"], code), (&Value::Bool(true), 0), "{seen}");
}

#[test]
#[ignore = "in real time: tests/run runs it by itself"]
fn a_board_on_which_nothing_is_to_be_changed_is_let_go_and_watched_too() {
    let home = bench();
    for (command, result) in [("write frost.hex", "unchanged"), ("loader install", "unchanged"), ("revive", "no-plan")] {
        let (document, code, said) = ran(&home, &format!("{command} --watch 6"), |_| {}, |bytes| bytes);
        assert!(said.contains(READY), "{command}: {said}");
        assert_eq!((&document["result"], &document["watched"]["alive"], code), (&Value::from(result), &Value::Bool(true), 0), "{document}");
        let (document, code, _) = ran(&home, &format!("{command} --watch 1"), |_| {}, |_| Vec::new());
        assert_eq!(
            (&document["result"], &document["watched"]["alive"], code),
            (&Value::from(result), &Value::Bool(false), 1),
            "{document}"
        );
    }
}

/// The old application said that it is ready before the job: that does not count.
#[test]
#[ignore = "in real time: tests/run runs it by itself"]
fn another_text_is_not_taken_for_it() {
    let home = bench();
    other_application(&home, |image| {
        let at = image.windows(5).position(|window| window == b"ready").expect("its text");
        image[at..at + 5].copy_from_slice(b"reedy");
    });
    let (seen, code, said) = watched(&home, "write other.hex --watch 4", |_| {}, |bytes| bytes);
    assert!(said.contains("frost controller reedy"), "{said}");
    assert_eq!((&seen["alive"], code), (&Value::Bool(false), 1), "{seen}");
    assert!(seen["said"].as_str().expect("a text").contains("frost controller reedy"), "{seen}");
}

#[test]
#[ignore = "in real time: tests/run runs it by itself"]
fn a_text_that_comes_late_is_not_seen() {
    let home = bench();
    other_application(&home, is_another_byte);
    let (seen, code, said) = watched(&home, "write other.hex --watch 1", |_| {}, |bytes| bytes);
    assert!(!said.contains(READY), "{said}");
    assert_eq!((&seen["alive"], code), (&Value::Bool(false), 1), "{seen}");
    assert!(seen["said"].as_str().expect("a text").contains("farrier frost"), "{seen}");
}

#[test]
#[ignore = "in real time: tests/run runs it by itself"]
fn a_line_that_is_silent_or_of_another_speed_shows_nothing() {
    let home = bench();
    other_application(&home, is_another_byte);
    let (seen, code, said) = watched(&home, "write other.hex --watch 3", |_| {}, |_| Vec::new());
    assert!(said.contains(READY), "{said}");
    assert_eq!((&seen["alive"], code, &seen["said"]), (&Value::Bool(false), 1, &Value::from("")), "{seen}");

    let (seen, code, said) = watched(&home, "write frost.hex --watch 3", |_| {}, at_half_speed);
    assert!(said.contains(READY), "{said}");
    assert_eq!((&seen["alive"], code), (&Value::Bool(false), 1), "{seen}");
    assert!(seen["said"].as_str().is_some_and(|said| said.len() > 10 && !said.contains("frost")), "{seen}");
}
