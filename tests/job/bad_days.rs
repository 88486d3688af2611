//! A short job on many bad days: line noise at a rate from one byte in 100,000 to one in 1,000, and often something worse as well. None is
//! called done with wrong contents. Each is done, or stops with what the program tells as exit 4 or 5; the chip is let go; and
//! the same command over a good wire then brings the board where it should be.
//!
//! A day is made from its seed, which a failure tells. An ordinary run tries some; the full campaign is
//!
//! ```text
//! FARRIER_BAD_DAYS=10000 cargo test --test main job::bad_days -- --nocapture
//! ```
//!
//! and `FARRIER_BAD_DAYS_FROM` is the first seed.

use super::bad_bridge::{BadBridge, Shared, Trouble, VanishingWire};
use super::workbench::{Command, Failure, Workbench, random_bytes, write};
use farrier::image::{ByteAddress, Image, Span};
use farrier::job::JobError;
use farrier::link::{DelayedWire, FarEnd, MemoryWire, Noise, NoisyWire, Wire};
use farrier::sim::Contents;
use farrier::time::Clock;
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;
use std::time::Duration;

const ORDINARY: u64 = 300;

/// After this a bridge that hears nothing has let go of the board.
const LONG_SILENCE: Duration = Duration::from_secs(10);

/// What a bridge does itself when it has to let go in the middle; nobody could prevent it.
const TORN: &str = "RESET was released during a self-timed write";

/// What a seed makes of a day.
#[derive(Debug)]
struct Day {
    seed: u64,
    noise: Noise,
    trouble: Trouble,
    /// Operations before it comes.
    after: u64,
    bytes_per_second: u32,
    latency: Duration,
    window: u8,
    small_blocks: bool,
    /// Another application is on the board, so that the job begins with an erase and the settings have to be carried across.
    worn: bool,
}

impl Day {
    fn of(seed: u64) -> Day {
        let mut random = fastrand::Rng::with_seed(seed);
        let one_in = (1_000.0 * 100_f64.powf(random.f64())) as u32;
        let noise = Noise { repeat_frame_in: *random.choice(&[0, 0, 50]).expect("one of three"), ..Noise::bytes(one_in) };
        let trouble = match random.u8(0..8) {
            0..3 => Trouble::Nothing,
            3 => Trouble::Resets { boot: Duration::from_millis(random.u64(0..2_000)), says_hello: random.bool() },
            4 => Trouble::Vanishes { errors: *random.choice(&[1, 2, 5, u32::MAX]).expect("one of four"), loses_supply: random.bool() },
            5 => Trouble::Garbles { both_ways: random.bool() },
            6 => Trouble::FallsSilent,
            _ => Trouble::OtherVersion,
        };
        let worn = random.u8(0..8) == 0;
        Day {
            seed,
            noise,
            trouble,
            // About as many as the job has; some of these troubles are there from the beginning.
            after: if random.u8(0..8) == 0 { 0 } else { random.u64(1..if worn { 1_200 } else { 220 }) },
            bytes_per_second: *random.choice(&[11_520, 50_000, 100_000, 1_000_000]).expect("one of four"),
            latency: Duration::from_millis(random.u64(0..3)),
            window: *random.choice(&[1, 2, 4, 8]).expect("one of four"),
            small_blocks: random.bool(),
            worn,
        }
    }

    fn bridge(&self, bench: &Workbench) -> Shared {
        let mut hello = farrier::frame::Hello { window: self.window, ..bench.sim.hello() };
        if self.small_blocks {
            hello.frame_bytes = 330;
            hello.abilities.block_bytes = 256;
        }
        Shared(Rc::new(RefCell::new(BadBridge::new(&bench.sim, hello, self.trouble, self.after, self.seed))))
    }

    fn wire(&self, bench: &Workbench, bridge: &Shared) -> Box<dyn Wire> {
        let wire = Box::new(MemoryWire::new(Box::new(bridge.clone()), bench.sim.virtual_clock(), self.bytes_per_second));
        let noisy = Box::new(NoisyWire::new(wire, self.noise, self.seed));
        let delayed = Box::new(DelayedWire::new(noisy, self.latency));
        let Trouble::Vanishes { errors, .. } = self.trouble else { return delayed };
        Box::new(VanishingWire { inner: delayed, came: bridge.0.borrow().came(), errors })
    }

    fn bench(&self) -> Workbench {
        let bench = Workbench::new("frost", self.seed);
        bench.sim.edit(|contents| {
            contents.eeprom = random_bytes(contents.eeprom.len(), self.seed + 1);
            if self.worn {
                contents.flash[..512].copy_from_slice(&random_bytes(512, self.seed + 2));
            }
        });
        bench
    }
}

/// How a day ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum End {
    Done,
    /// No answer from bridge or chip.
    Exit4,
    /// To be run again.
    Exit5,
}

/// What the program makes of a failure; nothing where it is none that such a day may end in.
fn exit(failure: &Failure) -> Option<End> {
    match failure {
        Failure::Bus(_) | Failure::Job(JobError::Algorithm(_)) => Some(End::Exit4),
        Failure::Job(JobError::Interrupted | JobError::BoardMoved | JobError::Torn(_)) => Some(End::Exit5),
        _ => None,
    }
}

/// What the board should hold in the end.
fn wanted(before: &Contents, image: &Image) -> Contents {
    Contents { flash: image.filled(Span::first(before.flash.len() as u32), 0xFF), ..before.clone() }
}

fn assert_contents(bench: &Workbench, wanted: &Contents, told: &str) {
    let held = bench.sim.contents();
    assert!(held.flash == wanted.flash, "wrong flash: {told}");
    assert!(held.eeprom == wanted.eeprom, "wrong settings: {told}");
    assert!(held == *wanted, "wrong configuration or lock: {told}");
}

/// Lives one day.
fn live(day: &Day) -> End {
    let mut bench = day.bench();
    let mut image = Image::default();
    image.overwrite(ByteAddress(0), &random_bytes(1024, day.seed + 3));
    let intent = write(image.clone());
    let wanted = wanted(&bench.sim.contents(), &image);
    let command = Command::of(&intent).tagged("left");
    let mut bridge = day.bridge(&bench);
    let wire = day.wire(&bench, &bridge);
    let result = bench.run_over(wire, &command, &mut |_| {});

    // Nobody speaks to the bridge any more.
    let clock = bench.sim.virtual_clock();
    clock.wait_until(clock.now().plus(LONG_SILENCE));
    while bridge.take_output(clock.now()).is_some() {}
    assert!(!bench.sim.in_reset(), "the chip is not let go: {day:?}");
    let violations = bench.sim.violations();
    let may_tear = result.is_err() || day.trouble != Trouble::Nothing;
    let forgivable = violations.list.iter().filter(|violation| may_tear && violation.text.contains(TORN)).count();
    assert_eq!(violations.count, forgivable as u64, "{violations:?}; {day:?}");

    let failure = match result {
        Ok(_) => {
            assert_contents(&bench, &wanted, &format!("called done; {day:?}"));
            return End::Done;
        }
        Err(failure) => failure,
    };
    let end = exit(&failure).unwrap_or_else(|| panic!("{failure:?}\n{day:?}"));
    let message = failure.to_string();
    println!("{end:?} {:?}: {message}", (day.seed, day.trouble, day.after));
    assert!(message.lines().all(|line| !line.is_empty() && line.chars().count() <= 100), "{message}\n{day:?}");
    let again = bench.run(&command).unwrap_or_else(|why| panic!("the same command again: {why}\nafter: {failure}\n{day:?}"));
    assert_contents(&bench, &wanted, &format!("after the second run ({:?}); {day:?}", again.job.is_some()));
    end
}

fn number(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).ok().map_or(otherwise, |text| text.parse().expect("a number"))
}

#[test]
fn no_day_ends_with_wrong_contents_called_done() {
    let first = number("FARRIER_BAD_DAYS_FROM", 0);
    let days = number("FARRIER_BAD_DAYS", ORDINARY);
    let mut ends: BTreeMap<(&str, End), u64> = BTreeMap::new();
    let mut bad = Vec::new();
    for seed in first..first + days {
        let day = Day::of(seed);
        let Ok(end) = std::panic::catch_unwind(|| live(&day)) else {
            bad.push(seed);
            continue;
        };
        let name = match day.trouble {
            Trouble::Nothing => "noise alone",
            Trouble::Resets { .. } => "the bridge resets",
            Trouble::Vanishes { .. } => "the port vanishes",
            Trouble::Garbles { .. } => "garbage",
            Trouble::FallsSilent => "silence",
            Trouble::OtherVersion => "another version",
        };
        *ends.entry((name, end)).or_default() += 1;
    }
    println!("{days} days from seed {first}:");
    for ((name, end), count) in &ends {
        println!("{name:<18} {end:?}: {count}");
    }
    assert!(bad.is_empty(), "seeds {bad:?}, see above");
    let count = |name: &'static str, end: End| ends.get(&(name, end)).copied().unwrap_or_default();
    assert_eq!(count("noise alone", End::Exit4) + count("noise alone", End::Exit5), 0, "noise alone stops no job");
    if days >= ORDINARY {
        assert!(count("the bridge resets", End::Done) > 0, "a bridge that begins anew costs a step and not the job");
        assert!(count("silence", End::Exit4) > 0 && count("garbage", End::Exit4) > 0 && count("another version", End::Exit4) > 0);
    }
}

/// A byte of flash that is wrong after a job that was done must not go unseen by these tests.
#[test]
fn canary_a_wrong_byte_is_seen() {
    let day = Day { trouble: Trouble::Nothing, worn: false, ..Day::of(1) };
    let mut bench = day.bench();
    let image = Image::of(ByteAddress(0), &random_bytes(1024, 4));
    let wanted = wanted(&bench.sim.contents(), &image);
    let intent = write(image);
    bench.run(&Command::of(&intent)).expect("it is written");
    assert_contents(&bench, &wanted, "the canary");
    bench.sim.edit(|contents| contents.flash[700] ^= 1);
    let seen = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| assert_contents(&bench, &wanted, "the canary")));
    assert!(seen.is_err());
}
