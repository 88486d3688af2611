//! Whose unfinished job is this? What 'kept' refers to is the board before the first change, so a board that was left half
//! done must be told from every other board before anything is planned for it.

use super::checks::{called, settings_store};
use super::interpret::{Interpreter, State};
use super::reconcile::Target;
use super::step::StepKind;
use super::{Contents, Observed, Origin, Plan, Sent, fields};
use crate::board::Chip;
use crate::finding::{Finding, Kind};
use crate::image::{ByteAddress, Image, Memory, Span};
use crate::units::Bytes;

/// A job that was begun on some board and is neither finished nor closed, as the journal tells of it.
#[derive(Clone, Debug, PartialEq)]
pub struct UnfinishedJob {
    /// Its number in the journal.
    pub id: u64,
    /// The user's mark for the board, where one was given.
    pub tag: Option<String>,
    /// The board before the first change.
    pub baseline: Observed,
    /// What the board held when this job's plan was made: the baseline, unless the job took over another one.
    pub began_with: Observed,
    pub plan: Plan,
    /// How many of the plan's steps were finished.
    pub finished: usize,
    /// Whether the step after those had been begun, or may have been.
    pub in_hand: bool,
    /// What the settings store held when this job had verified it.
    pub verified_settings: Option<Image>,
    /// Whether it was begun with the answer that the board is none of the unfinished jobs'. The same answer again does not mean this job.
    pub answered_none: bool,
    /// What was sent to the loader of such a board since, in the journal's order.
    pub sent_since: Vec<Sent>,
}

impl UnfinishedJob {
    /// Whether the board may be another than before the first change. If not, the job's baseline is of no use to anybody.
    pub fn changed_anything(&self) -> bool {
        let begun = self.finished + usize::from(self.in_hand);
        self.baseline != self.began_with || self.plan.steps().iter().take(begun).any(|step| step.kind.changes_board())
    }
}

/// What the user answered with `--resume`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Resume {
    /// Nothing was answered.
    Unasked,
    /// This job is to be taken over.
    Job(u64),
    /// None is: this is another board.
    None,
}

/// Where the baseline comes from.
#[derive(Clone, Debug, PartialEq)]
pub enum Takeover<'j> {
    /// No unfinished job has to do with this board: what is observed is the baseline.
    Fresh,
    /// The job's baseline is inherited. The findings are consents that come with it.
    Resume { job: &'j UnfinishedJob, findings: Vec<Finding> },
    /// It is not clear: nothing is changed until `--resume N` or `--resume none` answers.
    Ask(Vec<Candidate>),
}

/// A job that may be this board's.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Candidate {
    pub job: u64,
    /// Why it may be, and why that is not certain, as a sentence.
    pub reason: String,
}

/// Why a `--resume` answer cannot be followed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TakeoverError {
    #[error("there is no unfinished job {asked}; unfinished are: {}", list(known))]
    NoSuchJob { asked: u64, known: Vec<u64> },
    #[error("job {asked} was begun on another board: {why}; answer `--resume none` to begin afresh here")]
    AnotherBoard { asked: u64, why: String },
}

fn list(jobs: &[u64]) -> String {
    if jobs.is_empty() {
        return "none".to_string();
    }
    jobs.iter().map(u64::to_string).collect::<Vec<_>>().join(", ")
}

/// Which unfinished job, if any, the board that was observed belongs to.
///
/// # Errors
/// An answer that names no unfinished job, or one that is certainly another board's.
pub fn takeover<'j>(
    jobs: &'j [UnfinishedJob],
    observed: &Observed,
    tag: Option<&str>,
    answer: Resume,
    target: &Target,
) -> Result<Takeover<'j>, TakeoverError> {
    match answer {
        Resume::None => Ok(not_even(jobs, observed, tag, target)),
        Resume::Job(asked) => {
            let known = || jobs.iter().map(|job| job.id).collect();
            let job = jobs.iter().find(|job| job.id == asked).ok_or_else(|| TakeoverError::NoSuchJob { asked, known: known() })?;
            match another_board(job, observed, tag) {
                Some(why) => Err(TakeoverError::AnotherBoard { asked, why }),
                None => Ok(resume(job, observed, target)),
            }
        }
        Resume::Unasked => Ok(unasked(jobs, observed, tag, target)),
    }
}

/// None of the jobs. But a job that was itself begun with this answer was not among those that it spoke of: the same command again, after
/// a cut, must not take what that job has left behind for what is to be kept.
fn not_even<'j>(jobs: &'j [UnfinishedJob], observed: &Observed, tag: Option<&str>, target: &Target) -> Takeover<'j> {
    let own = jobs.iter().filter(|job| job.answered_none && job.changed_anything() && keeps_something(job, target.chip));
    let judged = own.filter(|job| another_board(job, observed, tag).is_none()).map(|job| Judged::of(job, observed, tag, target));
    let candidates: Vec<Candidate> = judged.filter(|judged| judged.misfit.is_none()).map(|judged| judged.candidate()).collect();
    if candidates.is_empty() { Takeover::Fresh } else { Takeover::Ask(candidates) }
}

/// Whether the job's baseline holds anything that could be lost with it.
fn keeps_something(job: &UnfinishedJob, chip: &Chip) -> bool {
    let set = |contents: &Contents, blank: u8| contents.bytes.runs().any(|(_, run)| run.iter().any(|byte| *byte != blank));
    set(&job.baseline.flash, chip.flash.blank) || set(&job.baseline.eeprom, chip.eeprom.blank)
}

fn unasked<'j>(jobs: &'j [UnfinishedJob], observed: &Observed, tag: Option<&str>, target: &Target) -> Takeover<'j> {
    let possible = jobs.iter().filter(|job| job.changed_anything() && another_board(job, observed, tag).is_none());
    let judged: Vec<Judged> = possible.map(|job| Judged::of(job, observed, tag, target)).collect();
    let mut fitting = judged.iter().filter(|judged| judged.misfit.is_none());
    match (fitting.next(), fitting.next()) {
        (Some(one), None) if one.same_tag || one.has_traces() => resume(one.job, observed, target),
        _ => {
            let alike = |judged: &&Judged| judged.misfit.is_none() || judged.same_tag || judged.traces.is_some();
            let candidates: Vec<Candidate> = judged.iter().filter(alike).map(Judged::candidate).collect();
            if candidates.is_empty() { Takeover::Fresh } else { Takeover::Ask(candidates) }
        }
    }
}

/// What speaks for and against a job being this board's.
struct Judged<'j> {
    job: &'j UnfinishedJob,
    /// The first thing that is not as the job left it.
    misfit: Option<String>,
    same_tag: bool,
    /// Where bytes of the baseline are still there.
    traces: Option<String>,
    /// Where an erase in hand cannot have made what is there.
    lost: Option<String>,
    /// What was sent to its loader since and is there.
    sent: Option<&'j Sent>,
}

impl<'j> Judged<'j> {
    fn of(job: &'j UnfinishedJob, observed: &Observed, tag: Option<&str>, target: &Target) -> Judged<'j> {
        Judged {
            job,
            misfit: misfit(&left_behind(job, target), observed, target.chip),
            lost: lost_bits(job, observed, target),
            same_tag: tag.is_some() && job.tag.as_deref() == tag,
            traces: traces(job, observed, target.chip),
            sent: Sent::held(&job.sent_since, observed),
        }
    }

    /// Whether the board shows by itself that it is the job's. Another one with the same firmware has traces as well, and in the middle
    /// of an erase everything fits; then the bits tell.
    fn has_traces(&self) -> bool {
        self.traces.is_some() && self.lost.is_none()
    }

    fn candidate(&self) -> Candidate {
        let not_as_left = self.misfit.as_ref().or(self.lost.as_ref());
        let mut said = match not_as_left {
            None => vec!["the board is as this job left it".to_string()],
            Some(why) => vec![format!("the board is not as this job left it ({why})")],
        };
        if let Some(Sent { job, name, .. }) = self.sent {
            said.push(format!("job {job} has sent {name} to a loader since, which the flash holds"));
        }
        if self.same_tag {
            said.push("the tag is the same".to_string());
        }
        match &self.traces {
            Some(traces) => said.push(format!("bytes from before the job are still there ({traces})")),
            None if !self.same_tag => {
                said.push("nothing on it from before the job is left, and a new board would look the same".to_string())
            }
            None => {}
        }
        if not_as_left.is_none() && (self.same_tag || self.traces.is_some()) {
            said.push("but another unfinished job fits as well".to_string());
        }
        Candidate { job: self.job.id, reason: format!("Job {}: {}.", self.job.id, said.join("; ")) }
    }
}

/// What shows that the job was begun on another board.
fn another_board(job: &UnfinishedJob, observed: &Observed, tag: Option<&str>) -> Option<String> {
    let (before, now) = (&job.baseline, observed);
    if let (Some(was), Some(is)) = (before.id, now.id)
        && was != is
    {
        return Some(format!("its ID bytes were {was:02X?}, these are {is:02X?}"));
    }
    if let (Some(was), Some(is)) = (before.calibration, now.calibration)
        && was != is
    {
        return Some(format!("its calibration byte was 0x{was:02X}, this one is 0x{is:02X}"));
    }
    match (job.tag.as_deref(), tag) {
        (Some(was), Some(is)) if was != is => Some(format!("its tag was '{was}', this one is '{is}'")),
        _ => None,
    }
}

/// What the board held when the job stopped, as far as it can be told.
fn left_behind(job: &UnfinishedJob, target: &Target) -> State {
    let state = after_whole_steps(job, target);
    match job.plan.steps().get(job.finished) {
        Some(step) if job.in_hand => interpreter(job, target).after_cut(&state, &step.kind),
        _ => state,
    }
}

fn interpreter<'j>(job: &'j UnfinishedJob, target: &Target<'j>) -> Interpreter<'j> {
    Interpreter { chip: target.chip, way_in: target.way_in, desired: job.plan.desired() }
}

/// What the board held after the last step that was finished.
fn after_whole_steps(job: &UnfinishedJob, target: &Target) -> State {
    let interpreter = interpreter(job, target);
    let mut state = interpreter.begin(&job.began_with);
    for step in job.plan.steps().iter().take(job.finished) {
        interpreter.apply(&mut state, &step.kind);
    }
    state
}

/// Where an erase in hand cannot have made what is there out of what was there: an erase, torn or not, only sets bits.
fn lost_bits(job: &UnfinishedJob, observed: &Observed, target: &Target) -> Option<String> {
    job.plan.steps().get(job.finished).filter(|step| job.in_hand && step.kind == StepKind::Erase)?;
    let before = after_whole_steps(job, target);
    let place = |memory: Memory, cells: &[Option<u8>], held: &Contents| {
        let mut bytes = held.bytes.runs().flat_map(|(at, run)| (at.0..).zip(run.iter().copied()));
        let cleared = |(at, byte): &(u32, u8)| cells.get(*at as usize).copied().flatten().is_some_and(|was| was & !byte != 0);
        let (at, _) = bytes.find(cleared)?;
        Some(format!("its erase cannot have cleared bits of the {} at {}", called(memory), ByteAddress(at)))
    };
    place(Memory::Flash, &before.flash, &observed.flash).or_else(|| place(Memory::Eeprom, &before.eeprom, &observed.eeprom))
}

/// The first thing observed that the state rules out. Settings stores are not compared: started firmware may have written them.
fn misfit(state: &State, observed: &Observed, chip: &Chip) -> Option<String> {
    for (at, run) in observed.flash.bytes.runs() {
        let cells = state.flash.iter().skip(at.0 as usize).zip(run).enumerate();
        for (n, (cell, byte)) in cells {
            if cell.is_some_and(|cell| cell != *byte) {
                return Some(format!("flash differs at {}", ByteAddress(at.0 + n as u32)));
            }
        }
    }
    let read = observed.configuration.as_deref().unwrap_or_default();
    for ((bits, byte), of) in state.configuration.iter().zip(read).zip(&chip.configuration) {
        if (bits.value ^ byte) & bits.known & of.used != 0 {
            return Some(format!("the {} configuration byte is 0x{byte:02X}", of.name));
        }
    }
    let lock = observed.lock?;
    ((state.lock.value ^ lock) & state.lock.known & chip.lock.used != 0).then(|| format!("the lock byte is 0x{lock:02X}"))
}

/// Bytes a block, of which half must be set, for it to count as a trace: single equal bytes are found on any board.
const BLOCK: u32 = 16;

/// A place where the baseline's own bytes are still there: a block that is set, the same, and not the job's image's or
/// snapshot's, which every board that it was written to has.
fn traces(job: &UnfinishedJob, observed: &Observed, chip: &Chip) -> Option<String> {
    let sizes = [(Memory::Flash, chip.flash), (Memory::Eeprom, chip.eeprom)];
    sizes.into_iter().find_map(|(memory, shape)| {
        let (before, now) = (job.baseline.memory(memory)?, observed.memory(memory)?);
        let image = |(of, span, origin): &(Memory, Span, Origin)| {
            (*of == memory && matches!(origin, Origin::Image(_) | Origin::Snapshot(_))).then_some(*span)
        };
        let images: Vec<Span> = job.plan.desired().origins.iter().filter_map(image).collect();
        let own = fields::outside(Span::first(shape.bytes), &images);
        let block = own.iter().flat_map(|span| span.pages(BLOCK)).find(|block| still_there(before, now, *block, shape.blank))?;
        Some(format!("{} {block}", called(memory)))
    })
}

fn still_there(before: &Contents, now: &Contents, block: Span, blank: u8) -> bool {
    if block.len() < BLOCK || !before.bytes.covers(block) || !now.bytes.covers(block) {
        return false;
    }
    let (before, now) = (before.bytes.filled(block, blank), now.bytes.filled(block, blank));
    before == now && before.iter().filter(|byte| **byte != blank).count() as u32 * 2 >= BLOCK
}

fn resume<'j>(job: &'j UnfinishedJob, observed: &Observed, target: &Target) -> Takeover<'j> {
    Takeover::Resume { job, findings: settings_changed(job, observed, target).into_iter().collect() }
}

/// The settings store is not what the job had verified. Where it had not got so far: the store has something set that neither
/// the job nor the board before it had put there. Going on would write over it.
fn settings_changed(job: &UnfinishedJob, observed: &Observed, target: &Target) -> Option<Finding> {
    let store = settings_store(target.chip, target.board);
    let state = left_behind(job, target);
    let expected = |at: u32| match &job.verified_settings {
        Some(verified) => verified.byte(ByteAddress(at)),
        None => state.eeprom.get(at as usize).copied().flatten(),
    };
    let unexplained = |at: &u32| {
        let found = observed.eeprom.bytes.byte(ByteAddress(*at));
        let erased = job.verified_settings.is_none() && found == Some(target.chip.eeprom.blank);
        !erased && expected(*at).zip(found).is_some_and(|(expected, found)| expected != found)
    };
    let changed = (store.start().0..store.end().0).filter(unexplained).count();
    let since = if job.verified_settings.is_some() { "had verified" } else { "had left" };
    let sentence = format!(
        "The settings store ({store}) differs in {} from what job {} {since}: firmware that ran since may have written it, or this is \
         another board (then answer `--resume none`). Going on puts back the settings from before that job. To keep the present ones, \
         take a snapshot, then end the job with `farrier journal close {}`.",
        Bytes(changed as u64),
        job.id,
        job.id
    );
    // The job's number is no part of the stake: the job that takes over has another.
    let stake = format!("{store}, now CRC-32 {:08X}", observed.eeprom.bytes.crop(store).crc32());
    (changed > 0).then_some(Finding { kind: Kind::SettingsChangedSince, sentence, stake })
}
