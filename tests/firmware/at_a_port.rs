//! The program as a user runs it, at a port behind which the ATmega328P's firmware runs in an emulator that nobody here wrote; a simulated
//! board is at its pins. The port is a pseudo-terminal, and the time is real: the firmware never runs ahead of it. So `tests/run` runs these
//! tests after all others, when the computer has nothing else to do.

use super::atmega328p::firmware;
use super::running::Firmware;
use crate::cli::{Held, Home, Ran};
use farrier::board::Catalog;
use farrier::sim::{Fault, Pty, Sim, Store};
use farrier::time::Moment;
use std::io::{Read, Write};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread;
use std::time::{Duration, Instant};

/// One at a time: a bridge that gets too little of the computer's time is too slow for the program's patience.
static ALONE: Mutex<()> = Mutex::new(());

const STEP: Duration = Duration::from_millis(1);
/// So late a firmware does not catch up: to it the host would be silent for longer than it is.
const LATE: Duration = Duration::from_millis(20);

/// What the program sends, until nobody wants it any more.
fn read_port(mut port: impl Read, to: &Sender<Vec<u8>>, done: &AtomicBool) {
    let mut bytes = [0; 4096];
    while !done.load(Ordering::Relaxed) {
        match port.read(&mut bytes).expect("the port") {
            0 => thread::sleep(STEP),
            count => to.send(bytes[..count].to_vec()).expect("a bridge"),
        }
    }
}

/// Joins a port and a firmware until this is done.
fn join(pty: &mut Pty, from_program: &Receiver<Vec<u8>>, firmware: &mut Firmware, done: impl Fn() -> bool) {
    let mut started = Instant::now();
    while !done() {
        let (passed, now) = (started.elapsed(), firmware.now().0);
        if passed <= now {
            thread::sleep(STEP / 4);
            continue;
        }
        if passed - now > LATE {
            started += passed - now;
        }
        from_program.try_iter().for_each(|bytes| firmware.put(&bytes));
        firmware.run_until(Moment(passed.min(now + STEP)));
        let sent = firmware.take_sent(firmware.now());
        pty.writer().write_all(&sent).expect("the port");
    }
}

/// Runs the program, which names the port VIA, with this simulated board at the bridge.
fn run(home: &Home, line: &str, sim: &Sim) -> Ran {
    let mut pty = Pty::open().expect("a pseudo-terminal");
    let mut firmware = firmware(1_000_000, sim);
    let line = line.replace("VIA", &pty.path().display().to_string());
    let (reader, (to_bridge, from_program), done) = (pty.reader().expect("its reader"), channel(), AtomicBool::new(false));
    thread::scope(|scope| {
        scope.spawn(|| read_port(reader, &to_bridge, &done));
        let program = scope.spawn(|| {
            let ran = home.run(&line);
            done.store(true, Ordering::Relaxed);
            ran
        });
        join(&mut pty, &from_program, &mut firmware, || done.load(Ordering::Relaxed));
        program.join().expect("it is run")
    })
}

/// Installs the loader of the ventilator's controller (an ATmega1284P) that was damaged so; what the board holds then.
fn install(more: &str, damage: impl FnOnce(&Sim)) -> Held {
    let _alone = ALONE.lock();
    let home = Home::new();
    home.run("sim new bench --board vent").exits(0);
    let open = Store::open(home.path().join("sims"), Catalog::built_in()).open_sim("bench").expect("the sim");
    // CKDIV8 off: the chip runs at 8 MHz, and real time is not spent on reading at the slowest clock.
    open.sim().edit(|contents| contents.fuses[0] |= 0x80);
    damage(open.sim());
    let ran = run(&home, &format!("loader install --board vent --via VIA --yes {more}"), open.sim());
    ran.exits(0).says("Farrier bridge, ATmega328P").says("Done.");
    assert!(!ran.out.contains("SIMULATED"), "{}", ran.out);
    assert!(!open.sim().in_reset(), "the chip is let go");
    open.sync().expect("it is saved");
    drop(open);
    home.export("bench")
}

fn holds_the_loader(held: &Held) {
    let (board, chip) = Catalog::built_in().board("vent").expect("a demo board");
    let loader = farrier::diagnosis::own_loader(&board, &chip).expect("a loader");
    let expected = loader.image.filled(farrier::image::Span::first(128 << 10), 0xFF);
    assert!(held.flash == expected, "the flash is not what the loader's image says");
    assert_eq!(held.violations(), 0);
}

#[test]
#[ignore = "in real time: tests/run runs it by itself"]
fn a_loader_is_installed_through_the_firmware() {
    holds_the_loader(&install("", |_| {}));
}

#[test]
#[ignore = "in real time: tests/run runs it by itself"]
fn a_chip_that_lost_its_clock_is_brought_back_through_the_firmware() {
    holds_the_loader(&install("--clock-output", |sim| sim.damage(Fault::LostClock)));
}
