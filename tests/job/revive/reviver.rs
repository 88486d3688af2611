//! `revive` carried out in this process, in the program's order: look, diagnose, plan, consents, record, execute.

use crate::job::workbench::{Command, Decided, Failure, Workbench, decide_for};
use farrier::board::{Board, Catalog, Chip};
use farrier::bus::Bus;
use farrier::diagnosis::{Answer, Case, Diagnosis, From, Known, Unfinished, diagnose};
use farrier::finding::{Kind, Severity};
use farrier::image::Image;
use farrier::job::{self, BaselineError, Bench, Event, JobError};
use farrier::plan::{self, Intent, Observed, Resume};
use farrier::record::JobId;
use farrier::sim::{BrickError, Bricked, Contents, Sim, Used};
use std::sync::atomic::AtomicBool;

/// What the user gives with it.
#[derive(Clone, Copy, Default)]
pub struct Given<'a> {
    pub to: Option<&'a Image>,
    /// Consents.
    pub accept: &'a [Kind],
    /// The bridge's clock output is wired to the clock pin.
    pub clock_output: bool,
    pub tag: Option<&'a str>,
}

/// How it ended.
#[derive(Debug)]
pub enum Ended {
    /// With the honest sentence.
    NoPlan,
    /// Nothing needed to be written.
    Already,
    /// These consents were missing.
    Missing(#[expect(dead_code, reason = "told with a failure")] Vec<Kind>),
    Refused,
    Done,
    /// In the middle of the job.
    Failed(JobError),
}

pub struct Outcome {
    pub diagnosis: Diagnosis,
    pub ended: Ended,
}

impl Outcome {
    pub fn kinds(&self) -> Vec<&'static str> {
        self.diagnosis.causes.iter().map(|cause| cause.kind.name()).collect()
    }
}

/// A used demo board of this name, bricked in these ways, and what it held before.
pub fn bricked(name: &str, seed: u64, kinds: &[&'static Bricked]) -> Option<(Workbench, Used)> {
    let (board, chip) = Catalog::built_in().board(name).expect("a demo board");
    bricked_board(&board, &chip, seed, kinds).ok()
}

/// The same of any board.
pub fn bricked_board(board: &Board, chip: &Chip, seed: u64, kinds: &[&'static Bricked]) -> Result<(Workbench, Used), BrickError> {
    let sim = Sim::bricked(board, chip, seed, kinds)?;
    let used = Used::of(board, chip, seed);
    Ok((Workbench { sim, ..Workbench::of(board.clone(), chip.clone(), seed) }, used))
}

/// A consent for everything.
pub fn everything() -> Vec<Kind> {
    Kind::ALL.iter().copied().filter(|kind| kind.severity() == Severity::Consent).collect()
}

/// Revives. Where it is asked whose unfinished job it is, the answer is: this board's.
pub fn revive(bench: &mut Workbench, given: Given) -> Result<Outcome, Failure> {
    let board = Board { clock_pin_wired: bench.board.clock_pin_wired || given.clock_output, ..bench.board.clone() };
    let answered = |bench: &mut Workbench, resume| revive_on(&mut bench.sim.direct_bus(), bench, &board, given, resume);
    match answered(bench, Resume::Unasked) {
        Err(Failure::Baseline(BaselineError::Ask(candidates))) => answered(bench, Resume::Job(candidates[0].job)),
        result => result,
    }
}

static NEVER: AtomicBool = AtomicBool::new(false);

fn revive_on(bus: &mut dyn Bus, bench: &mut Workbench, board: &Board, given: Given, resume: Resume) -> Result<Outcome, Failure> {
    let chip = bench.chip.clone();
    let mut listener = |_: &Event| {};
    let mut at = Bench::new(bus, board, &chip, &mut listener, &NEVER);
    let seen = at.look_closely()?;
    let observed = match &seen.answer {
        Answer::Read(observed) => Some(observed.as_ref().clone()).filter(|observed| observed.id == Some(chip.id)),
        _ => None,
    };
    let wanted = given.to.map(|image| Known { name: "wanted.hex".into(), image: image.clone(), from: From::Wanted });
    let known: Vec<Known> = wanted.into_iter().chain(job::known_images(&bench.records.journal, &chip.part)?).collect();
    let snapshots = job::kept_snapshots(&bench.records.snapshots, &chip.part)?;
    let nothing = Intent::default();
    let command = Command { intent: &nothing, tag: given.tag, resume, stop: &NEVER };
    let unfinished = observed.as_ref().map(|observed| unfinished(bench, board, &chip, observed, &command)).transpose()?.flatten();
    let diagnosis = diagnose(&Case {
        seen: &seen,
        board,
        chip: &chip,
        known: &known,
        snapshots: &snapshots,
        back_to: None,
        tag: given.tag,
        recognised: None,
        unfinished: unfinished.as_ref(),
    });
    let (Some(observed), true) = (observed, diagnosis.remedy.intent.is_some() || diagnosis.remedy.go_on.is_some()) else {
        at.release()?;
        return Ok(Outcome { diagnosis, ended: Ended::NoPlan });
    };
    let decided = decide(bench, board, &chip, observed, &command, &diagnosis);
    let decided = match decided {
        Ok(decided) => decided,
        Err(Failure::Refused(_) | Failure::Desire(plan::DesireError::Refused(_))) => {
            at.release()?;
            return Ok(Outcome { diagnosis, ended: Ended::Refused });
        }
        Err(other) => return Err(other),
    };
    let missing = missing(&decided, given.accept);
    if !missing.is_empty() {
        at.release()?;
        return Ok(Outcome { diagnosis, ended: Ended::Missing(missing) });
    }
    if decided.plan.changes_nothing() && decided.baseline.inherited.is_none() {
        at.release()?;
        return Ok(Outcome { diagnosis, ended: Ended::Already });
    }
    let before = bench.records.keep(board, &chip, &decided.observed)?;
    let job = bench.records.begin(board, &chip, &decided, before, &command)?;
    let ended = match bench.records.execute(&mut at, &decided, job) {
        Ok(_) => Ended::Done,
        Err(error) => Ended::Failed(error),
    };
    Ok(Outcome { diagnosis, ended })
}

fn unfinished(
    bench: &Workbench,
    board: &Board,
    chip: &Chip,
    observed: &Observed,
    command: &Command,
) -> Result<Option<Unfinished>, Failure> {
    let nothing = |baseline: &Observed| Ok(plan::desire(command.intent, baseline, chip, board)?);
    let decided = decide_for(board, chip, &bench.records, observed.clone(), command, &nothing);
    let inherited = match decided {
        Ok(decided) => decided.baseline.inherited,
        // A refusal says nothing of whose job it is; without an unfinished one there is none to take over.
        Err(Failure::Refused(_)) => None,
        Err(other) => return Err(other),
    };
    Ok(inherited.map(|inherited| Unfinished { job: inherited.job.0, command: "a test".into(), ends_as_wanted: false }))
}

fn decide(
    bench: &Workbench,
    board: &Board,
    chip: &Chip,
    observed: Observed,
    command: &Command,
    diagnosis: &Diagnosis,
) -> Result<Decided, Failure> {
    let records = &bench.records;
    let desire = |baseline: &Observed| match (diagnosis.remedy.go_on, &diagnosis.remedy.intent) {
        (Some(job), _) => Ok((records.journal.job(JobId(job))?.plan.desired().clone(), Vec::new())),
        (None, Some(intent)) => Ok(plan::desire(intent, baseline, chip, board)?),
        (None, None) => panic!("nothing is wanted"),
    };
    decide_for(board, chip, records, observed, command, &desire)
}

/// Consents that the findings need and that were not given.
fn missing(decided: &Decided, accept: &[Kind]) -> Vec<Kind> {
    let asking = decided.findings.iter().filter(|finding| finding.severity() == Severity::Consent).map(|finding| finding.kind);
    asking.filter(|kind| !accept.contains(kind)).collect()
}

/// How many bytes are not as the used board had them: flash, EEPROM, fuses under their masks, lock.
pub fn wrong(now: &Contents, used: &Contents, chip: &Chip) -> [usize; 4] {
    let differ = |one: &[u8], other: &[u8]| one.iter().zip(other).filter(|(one, other)| one != other).count();
    let fuses = now.fuses.iter().zip(&used.fuses).zip(&chip.configuration).filter(|((now, was), of)| (*now ^ *was) & of.used != 0).count();
    let lock = usize::from((now.lock ^ used.lock) & chip.lock.used != 0);
    [differ(&now.flash, &used.flash), differ(&now.eeprom, &used.eeprom), fuses, lock]
}
