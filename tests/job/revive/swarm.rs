//! Two and three faults mixed by seed. On each board `revive` first runs without an image and without a consent, then with both; then a
//! hand repairs what a programming header cannot, and `revive` runs again:
//!
//! - it never makes a byte wrong that was right, and never does what the datasheet forbids;
//! - it always ends with a diagnosis, and mends, or asks, or says what else would;
//! - after the repair by hand the board holds what it held in use, and the settings are what they were all the time.
//!
//! A failure tells its seed. An ordinary run tries some; `FARRIER_REVIVED=10000 cargo test --test main job::revive::swarm -- --nocapture`
//! tries as many, and `FARRIER_REVIVED_FROM` is the first seed.

use super::reviver::{Ended, Given, Outcome, bricked, everything, revive, wrong};
use crate::job::workbench::{Command, Workbench, install};
use farrier::board::{Catalog, Chip, Way};
use farrier::finding::Kind;
use farrier::image::Image;
use farrier::sim::{Bricked, Contents, Used};
use std::collections::BTreeMap;

const ORDINARY: u64 = 2_000;
/// The small board far more often than the large ones: its memories are read in a fraction of the time.
const BOARDS: [&str; 16] = [
    "frost", "frost", "frost", "frost", "frost", "frost", "frost", "frost", "frost", "frost", "frost", "frost", "frost", "frost", "vent",
    "pump",
];

struct Patient {
    seed: u64,
    name: &'static str,
    kinds: Vec<&'static Bricked>,
    bench: Workbench,
    used: Used,
}

impl Patient {
    /// Made of a seed: two or three kinds that go together on a board.
    fn of(seed: u64) -> Patient {
        let mut random = fastrand::Rng::with_seed(seed);
        let name = *random.choice(&BOARDS).expect("one of them");
        let (board, chip) = Catalog::built_in().board(name).expect("a demo board");
        let all: Vec<&'static Bricked> = Bricked::of(&board, &chip).collect();
        loop {
            let count = random.usize(2..=3);
            let kinds = random.choose_multiple(all.iter().copied(), count);
            // A board whose loader is gone and that starts its application is one without a loader, which is nothing broken.
            let has = |name: &str| kinds.iter().any(|kind| kind.name == name);
            if has("bypassed-loader") && (has("erased-loader") || has("overwritten-loader")) {
                continue;
            }
            if let Some((bench, used)) = bricked(name, seed, &kinds) {
                return Patient { seed, name, kinds, bench, used };
            }
        }
    }

    fn told(&self, outcome: &Outcome) -> String {
        let kinds: Vec<&str> = self.kinds.iter().map(|kind| kind.name).collect();
        format!("seed {}, {} with {}: {:?}, {:?}", self.seed, self.name, kinds.join(" + "), outcome.kinds(), outcome.ended)
    }

    /// What a hand repairs: wires, supply, silicon, and with a high-voltage programmer the fields that shut the programming header.
    fn repaired_by_hand(&self) {
        self.bench.sim.repair();
        let chip = &self.bench.chip;
        self.bench.sim.edit(|contents| {
            let shut: Vec<_> =
                chip.decode(&contents.fuses).into_iter().filter(|s| s.value.is_some_and(|v| v.shuts.contains(&Way::Spi))).collect();
            for field in shut.into_iter().map(|setting| setting.field) {
                field.set(&mut contents.fuses, field.bits_in(&self.used.contents.fuses).expect("a fuse byte"));
            }
        });
    }
}

/// Bytes, fuses and lock bits that were as in use before and are not any more.
fn made_worse(before: &Contents, after: &Contents, used: &Contents, chip: &Chip) -> Option<String> {
    let lost = |before: &[u8], after: &[u8], used: &[u8]| {
        before.iter().zip(after).zip(used).filter(|((before, after), used)| before == used && after != used).count()
    };
    let fields = chip.fields.iter().filter(|field| {
        let bits = |contents: &Contents| field.bits_in(&contents.fuses);
        bits(before) == bits(used) && bits(after) != bits(used)
    });
    let counts = [
        ("bytes of flash", lost(&before.flash, &after.flash, &used.flash)),
        ("bytes of EEPROM", lost(&before.eeprom, &after.eeprom, &used.eeprom)),
        ("configuration fields", fields.count()),
        ("lock byte", lost(&[before.lock], &[after.lock], &[used.lock])),
    ];
    counts.iter().find(|(_, count)| *count > 0).map(|(what, count)| format!("{count} {what} were right and are wrong"))
}

/// Revives, and judges what it did.
fn judged(patient: &mut Patient, to: Option<&Image>, accept: &[Kind]) -> Result<Outcome, String> {
    let before = patient.bench.sim.contents();
    let outcome = revive(&mut patient.bench, Given { to, accept, clock_output: true, tag: None }).map_err(|why| why.to_string())?;
    let told = patient.told(&outcome);
    let after = patient.bench.sim.contents();
    let wrong = wrong(&before, &patient.used.contents, &patient.bench.chip);
    if outcome.diagnosis.causes.is_empty() && wrong != [0; 4] {
        return Err(format!("nothing is found\n{told}"));
    }
    if matches!(outcome.ended, Ended::NoPlan) && outcome.diagnosis.remedy.left.is_empty() && wrong != [0; 4] {
        return Err(format!("neither a plan nor a sentence\n{told}"));
    }
    // A job that stopped in the middle has an unfinished job to go on from.
    if !matches!(outcome.ended, Ended::Failed(_))
        && let Some(worse) = made_worse(&before, &after, &patient.used.contents, &patient.bench.chip)
    {
        return Err(format!("{worse}\n{told}"));
    }
    if after.eeprom != before.eeprom {
        return Err(format!("settings changed\n{told}"));
    }
    if patient.bench.sim.violations().count > 0 {
        return Err(format!("{:?}\n{told}", patient.bench.sim.violations().list));
    }
    Ok(outcome)
}

/// The whole life of one board; how its first diagnosis ended.
fn live(patient: &mut Patient) -> Result<&'static str, String> {
    let everything = everything();
    let application = patient.used.application.clone();
    let first = judged(patient, None, &[])?;
    judged(patient, Some(&application), &everything)?;
    patient.repaired_by_hand();
    let before = patient.bench.sim.contents();
    for _ in 0..4 {
        let given = Given { to: Some(&application), accept: &everything, clock_output: true, tag: None };
        let outcome = revive(&mut patient.bench, given).map_err(|why| why.to_string())?;
        let now = patient.bench.sim.contents();
        let wrong = wrong(&now, &patient.used.contents, &patient.bench.chip);
        if now.eeprom != before.eeprom {
            return Err(format!("settings changed after the repair\n{}", patient.told(&outcome)));
        }
        if [wrong[0], wrong[2], wrong[3]] == [0; 3] {
            return Ok(end(&first));
        }
        // What may be somebody's own loader is left alone, and here it is nobody's.
        if outcome.kinds().contains(&"loader-unknown") {
            patient.bench.run(&Command::of(&install(&patient.bench.board))).map_err(|why| why.to_string())?;
            continue;
        }
        // A job that an earlier fault had cut off is carried to its end first.
        if !outcome.kinds().contains(&"job-unfinished") {
            return Err(format!("still wrong after the repair: {wrong:?}\n{}", patient.told(&outcome)));
        }
    }
    Err(format!("seed {}: not mended after four runs", patient.seed))
}

fn end(outcome: &Outcome) -> &'static str {
    match outcome.ended {
        Ended::NoPlan => "no plan",
        Ended::Already => "nothing to write",
        Ended::Missing(_) => "asks for a consent",
        Ended::Refused => "refused",
        Ended::Done => "mended unasked",
        Ended::Failed(_) => "stopped in the middle",
    }
}

fn number(variable: &str, default: u64) -> u64 {
    std::env::var(variable).map_or(default, |text| text.parse().expect("a number"))
}

/// Every second seed, so that two processors share them.
fn two_and_three_faults(every_second_from: u64) {
    let from = number("FARRIER_REVIVED_FROM", 0);
    let count = number("FARRIER_REVIVED", ORDINARY);
    let mut ends: BTreeMap<&str, u64> = BTreeMap::new();
    let mut failures = Vec::new();
    for seed in (from + every_second_from..from + count).step_by(2) {
        match live(&mut Patient::of(seed)) {
            Ok(end) => *ends.entry(end).or_default() += 1,
            Err(why) => failures.push(format!("seed {seed}: {why}")),
        }
    }
    println!("every second of {count} boards from seed {from}; without image and consent: {ends:?}");
    assert!(failures.is_empty(), "{} failed, the first:\n{}", failures.len(), failures[..failures.len().min(12)].join("\n\n"));
}

#[test]
fn two_and_three_faults_by_even_seeds() {
    two_and_three_faults(0);
}

#[test]
fn two_and_three_faults_by_odd_seeds() {
    two_and_three_faults(1);
}

/// The judge sees a revive that writes what it should not, and one that loses a setting.
#[test]
fn canary() {
    let everything = everything();
    let kind = Bricked::named("half-written-application").expect("a kind");
    let patient = |seed: u64| {
        let (bench, used) = bricked("frost", seed, &[kind]).expect("it can be bricked so");
        Patient { seed, name: "frost", kinds: vec![kind], bench, used }
    };
    let mut random = fastrand::Rng::with_seed(9);
    let other: Vec<u8> = std::iter::repeat_with(|| random.u8(..)).take(700).collect();
    let wrong_image = Image::of(farrier::image::ByteAddress(0), &other);
    let judgement = judged(&mut patient(1), Some(&wrong_image), &everything);
    assert!(judgement.as_ref().is_err_and(|why| why.contains("were right and are wrong")), "{:?}", judgement.map(|outcome| outcome.ended));
    let (before, used) = (patient(1).bench.sim.contents(), patient(1).used.contents);
    let mut after = before.clone();
    after.eeprom[3] ^= 1;
    assert!(made_worse(&before, &after, &used, &patient(1).bench.chip).is_some());
}
