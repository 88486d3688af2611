//! Which job left what a board holds? So a board without a number is known again by its content.

use super::checks::called;
use super::{Contents, Desired, Observed, Origin};
use crate::board::{Chip, Field, MemoryShape};
use crate::finding::{Finding, Kind};
use crate::image::{ByteAddress, Image, Memory, Sha256, Span};

/// What a whole board holds, short enough to be kept with every job. Bits without a meaning do not count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fingerprint {
    /// Of flash, configuration and lock.
    pub firmware: Sha256,
    /// Of the EEPROM, which the firmware may write by itself.
    pub settings: Sha256,
}

impl Fingerprint {
    /// Of a board that was read; `None` where part of it could not be.
    pub fn of_observed(observed: &Observed, chip: &Chip) -> Option<Fingerprint> {
        let Contents { bytes: flash, .. } = &observed.flash;
        Fingerprint::of(flash, &observed.eeprom.bytes, observed.configuration.as_deref()?, observed.lock?, chip)
    }

    /// Of a board as a plan wants it; `None` where the plan does not speak of all of it.
    pub fn of_desired(desired: &Desired, chip: &Chip) -> Option<Fingerprint> {
        Fingerprint::of(&desired.flash, &desired.eeprom, &desired.configuration, desired.lock, chip)
    }

    fn of(flash: &Image, eeprom: &Image, configuration: &[u8], lock: u8, chip: &Chip) -> Option<Fingerprint> {
        let whole = |image: &Image, shape: MemoryShape| {
            let all = Span::first(shape.bytes);
            image.covers(all).then(|| image.filled(all, shape.blank))
        };
        let flash = whole(flash, chip.flash)?;
        let eeprom = whole(eeprom, chip.eeprom)?;
        if configuration.len() != chip.configuration.len() {
            return None;
        }
        let configuration: Vec<u8> = configuration.iter().zip(&chip.configuration).map(|(byte, of)| byte | !of.used).collect();
        let firmware = Sha256::of(&[&chip.id, &flash, &configuration, &[lock | !chip.lock.used]]);
        Some(Fingerprint { firmware, settings: Sha256::of(&[&eeprom]) })
    }
}

/// A job as far as it can be known again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Trail {
    /// Its number in the journal.
    pub job: u64,
    pub tag: Option<String>,
    pub calibration: Option<u8>,
    /// What the board held when the job began.
    pub before: Option<Fingerprint>,
    /// What it left; `None` for a job that has not finished.
    pub left: Option<Fingerprint>,
}

/// The jobs that may have been the last on a board.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Known<'t> {
    /// Newest first. More than one where they all left the same and nothing tells their boards apart.
    pub jobs: Vec<&'t Trail>,
    /// The settings are as those jobs left them too.
    pub settings: bool,
}

impl Known<'_> {
    /// The tag that all of them have.
    pub fn tag(&self) -> Option<&str> {
        let first = self.jobs.first()?.tag.as_deref()?;
        (self.settings && self.jobs.iter().all(|trail| trail.tag.as_deref() == Some(first))).then_some(first)
    }
}

/// The jobs that left what is observed: to the byte, or else with settings that have changed since. `trails` are in the journal's order. A
/// job that another one followed on the same board is out of the question, as far as that can be told.
pub fn recognise<'t>(trails: &'t [Trail], observed: &Observed, chip: &Chip) -> Known<'t> {
    let Some(now) = Fingerprint::of_observed(observed, chip) else { return Known::default() };
    let last = last_on_their_boards(trails);
    let of_chip = || last.iter().filter(|trail| trail.calibration.is_some() && trail.calibration == observed.calibration);
    let exact: Vec<&Trail> = of_chip().filter(|trail| trail.left == Some(now)).copied().collect();
    if !exact.is_empty() {
        return Known { jobs: exact, settings: true };
    }
    let firmware = of_chip().filter(|trail| trail.left.is_some_and(|left| left.firmware == now.firmware));
    Known { jobs: firmware.copied().collect(), settings: false }
}

/// What a plan that nobody asked for by name takes back of a job, given by its number and command, that left the board as it is: what the
/// job chose, and `desired` has otherwise. What it kept from before it chose nothing. `settings`: they are as it left them too.
pub fn taken_back((job, command): (u64, &str), left: &Desired, desired: &Desired, settings: bool, chip: &Chip) -> Option<Finding> {
    let otherwise = |(memory, span, origin): &(Memory, Span, Origin)| {
        let looked_at = *origin != Origin::Baseline && (settings || *memory != Memory::Eeprom);
        looked_at.then(|| otherwise(*memory, *span, left, desired, chip)).flatten()
    };
    let mut taken: Vec<String> = left.origins.iter().filter_map(otherwise).collect();
    taken.dedup();
    let sentence = format!(
        "Job {job} left this board as it is (`{command}`), so some or all of what is told above was asked for then and is no damage. \
         The plan takes back: {}. Accept that only if the board is not meant to be so any more.",
        taken.join(", ")
    );
    (!taken.is_empty()).then(|| Finding::new(Kind::TakesBackAJob, sentence))
}

/// What of this span two jobs want differently: the memory, or the fields of the configuration and the lock.
fn otherwise(memory: Memory, span: Span, left: &Desired, desired: &Desired, chip: &Chip) -> Option<String> {
    let names = |fields: &[Field], within: Span, of: &dyn Fn(&Desired) -> Vec<u8>| {
        let (left, desired) = (of(left), of(desired));
        let differs = |field: &&Field| field.bits_in(&left) != field.bits_in(&desired);
        let differing = fields.iter().filter(|field| within.contains(ByteAddress(field.byte as u32))).filter(differs);
        let names: Vec<&str> = differing.map(|field| field.name.as_str()).collect();
        (!names.is_empty()).then(|| format!("{} ({})", called(memory), names.join(", ")))
    };
    match memory {
        Memory::Flash | Memory::Eeprom => {
            let bytes = |of: &Desired| of.memory(memory).map(|image| image.crop(span));
            (bytes(left) != bytes(desired)).then(|| called(memory).to_owned())
        }
        Memory::Configuration => names(&chip.fields, span, &|of| of.configuration.clone()),
        Memory::Lock => names(&chip.lock_fields, Span::first(1), &|of| vec![of.lock]),
    }
}

/// The jobs that no other one followed, newest first. A job follows another if it began with exactly what that one left, and only one could
/// have left it.
fn last_on_their_boards(trails: &[Trail]) -> Vec<&Trail> {
    let mut last: Vec<&Trail> = Vec::new();
    for trail in trails {
        let before = |earlier: &&Trail| {
            let tags = trail.tag.is_none() || earlier.tag.is_none() || trail.tag == earlier.tag;
            earlier.left.is_some() && earlier.left == trail.before && earlier.calibration == trail.calibration && tags
        };
        let mut fitting = last.iter().enumerate().filter(|(_, earlier)| before(earlier)).map(|(n, _)| n);
        if let (Some(only), None) = (fitting.next(), fitting.next()) {
            last.remove(only);
        }
        last.push(trail);
    }
    last.reverse();
    last
}
