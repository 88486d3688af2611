//! The program as a user runs it, at a port behind which the ATmega328P's firmware runs in an emulator that nobody here wrote; a simulated
//! board is at its pins. The port is a pseudo-terminal, and the time is real: the firmware never runs ahead of it. So `tests/run` runs these
//! tests after all others, when the computer has nothing else to do.

use super::atmega328p::firmware_at;
use crate::cli::at_a_port::run_at_a_port;
use crate::cli::{Held, Home, Ran};
use farrier::board::Catalog;
use farrier::sim::{Fault, Sim, Store};
use farrier::time::Moment;
use std::sync::Mutex;
use std::thread;
use std::time::{Duration, Instant};

/// One at a time: a bridge that gets too little of the computer's time is too slow for the program's patience.
pub static ALONE: Mutex<()> = Mutex::new(());

const STEP: Duration = Duration::from_millis(1);
/// So late a firmware does not catch up: to it the host would be silent for longer than it is.
const LATE: Duration = Duration::from_millis(20);

/// Runs the program, which names the port PORT, with this simulated board at the bridge; `beside` is called now and then meanwhile.
pub fn run(home: &Home, line: &str, millivolts: u16, sim: &Sim, mut beside: impl FnMut()) -> Ran {
    let mut firmware = firmware_at(1_000_000, millivolts, sim);
    let mut started = Instant::now();
    run_at_a_port(home, line, |bytes| {
        beside();
        firmware.put(bytes);
        let (passed, now) = (started.elapsed(), firmware.now().0);
        if passed <= now {
            thread::sleep(STEP / 4);
            return Vec::new();
        }
        if passed - now > LATE {
            started += passed - now;
        }
        firmware.run_until(Moment(passed.min(now + STEP)));
        firmware.take_sent(firmware.now())
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
    let ran = run(&home, &format!("loader install --board vent --via PORT --yes {more}"), 4980, open.sim(), || {});
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
