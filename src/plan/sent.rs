//! What went to a board through its own loader while a job on that board was unfinished. No snapshot has it.

use super::{Desired, Observed, Origin};
use crate::finding::{Finding, Kind};
use crate::image::{ByteAddress, Image, Memory, Span};

/// An application that was sent to the loader of such a board.
#[derive(Clone, Debug, PartialEq)]
pub struct Sent {
    /// The number of the job that sent it.
    pub job: u64,
    /// What the image is called.
    pub name: String,
    pub flash: Image,
}

impl Sent {
    /// The newest of these, which are in the journal's order, that the board holds whole.
    pub(super) fn held<'s>(sent: &'s [Sent], observed: &Observed) -> Option<&'s Sent> {
        sent.iter().rev().find(|sent| has_all(&observed.flash.bytes, &sent.flash))
    }
}

fn has_all(held: &Image, part: &Image) -> bool {
    let has = |(at, run): (ByteAddress, &[u8])| Span::sized(at, run.len() as u32).is_some_and(|span| held.crop(span) == part.crop(span));
    part.runs().all(has)
}

/// Going on from the unfinished job of this number writes what was kept from before it over an application that was sent since, and that
/// the board holds.
pub fn application_changed(sent: &[Sent], job: u64, observed: &Observed, desired: &Desired) -> Option<Finding> {
    let Sent { job: later, name, flash } = Sent::held(sent, observed)?;
    let kept = desired.origins.iter().filter(|(memory, _, origin)| *memory == Memory::Flash && *origin == Origin::Baseline);
    let lost = kept.map(|(_, span, _)| flash.crop(*span)).any(|here| !has_all(&desired.flash, &here));
    let sentence = format!(
        "Job {later} sent {name} to the board's loader after job {job} was cut off, and the flash holds it. Going on puts back what was \
         there before job {job}, and {name} is lost. To keep it, end that job with `farrier journal close {job}`, then give this command \
         again: what the board holds now is then what is kept."
    );
    // The job's number is no part of the stake: the job that takes over has another.
    let stake = format!("{name}, sent since, CRC-32 {:08X}", flash.crc32());
    lost.then_some(Finding { kind: Kind::ApplicationChangedSince, sentence, stake })
}
