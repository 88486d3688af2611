//! What every command that changes a board does: look, plan, ask, record, carry out, tell.

use super::connect::Connected;
use super::console::{Console, Since, Watch, Watched};
use super::context::{Context, MADE_BY, date, way_in};
use super::known::KnownJobs;
use super::output::Offer;
use super::progress::Progress;
use super::rehearse::{Ended, Rehearsal, Rehearsed};
use super::stop::{Code, Stop};
use super::typed::{command_again, command_going_on, command_not_watching, quoted};
use super::{consent, interrupt, last_run, output, plan_view, resume, safety, same_id, snapshot};
use crate::board::{Board, Chip, generic_board};
use crate::finding::Finding;
use crate::job::{self, Baseline, Bench, Entry, JobError};
use crate::lock;
use crate::plan::{self, Fingerprint, Intent, Observed, Pace, Plan, Target};
use crate::record::{Accepted, Held, JobId, Journal, NewJob, Shown, SnapshotInfo, SnapshotName, UsedImage};
use serde_json::Value;
use std::cell::RefCell;
use std::process::ExitCode;

/// A command that changes a board.
pub struct Change<'a> {
    /// What it wants of the board.
    pub intent: &'a dyn Fn(&Board, &Chip) -> Result<Intent, Stop>,
    /// Said when it is done.
    pub done: &'a str,
    /// Said when there was nothing to do.
    pub already: &'a str,
    /// The commands that may come next, given the board and where the bridge is.
    pub next: &'a dyn Fn(&Board, &str) -> Vec<Offer>,
}

/// Runs such a command.
///
/// # Errors
/// Whatever stops it; the chip has been let go then.
pub fn run(context: &Context, change: &Change) -> Result<ExitCode, Stop> {
    if let Some(on) = &context.global.on {
        if context.global.rehearse {
            let what = "--rehearse takes what the board holds, and --on plans without one";
            return Err(Stop::usage(what).hint("Leave one of the two out."));
        }
        return super::outline::run(context, on, change);
    }
    run_looking(context, change, &|scene, bench, _| {
        let aim = Aim::Intent(Box::new((change.intent)(scene.board, scene.chip)?));
        Ok(Looked::Wants { observed: Box::new(scene.observe(bench)?), aim, told: None, again: Vec::new() })
    })
}

/// Runs a command of which only the board shows what it wants.
///
/// # Errors
/// As [`run`].
pub fn run_looking(context: &Context, change: &Change, look: Look) -> Result<ExitCode, Stop> {
    let mut connected = context.connect()?;
    let result = on_board(context, change, &mut connected, look);
    let saved = connected.close();
    let code = result?;
    saved.map(|()| code)
}

/// Looks at a board and says what is wanted of it.
pub type Look<'l> = &'l dyn Fn(&Scene, &mut Bench, &Journal) -> Result<Looked, Stop>;

/// What looking at a board came to.
pub enum Looked {
    /// This is wanted of what was observed. `told` is what was told of it already, as JSON; as text it stands on the screen. `again` is
    /// what the command needs at its end to mean the same on a board on which it was cut off.
    Wants { observed: Box<Observed>, aim: Aim, told: Option<Value>, again: Vec<String> },
    /// Nothing is to be done, and everything is said.
    Over(ExitCode),
}

/// What is wanted of a board.
pub enum Aim {
    Intent(Box<Intent>),
    /// What a diagnosis makes of the board, where nobody said what should be on it.
    Inferred(Box<Intent>),
    /// What this job wanted that was cut off.
    EndOf(JobId),
}

/// What is known about the board at the other end.
pub struct Scene<'a> {
    pub context: &'a Context,
    pub change: &'a Change<'a>,
    pub board: &'a Board,
    pub chip: &'a Chip,
    pub via: &'a str,
    pub board_from: &'static str,
    pub simulated: bool,
    bytes_per_second: u32,
    /// Bridges that other processes hold.
    held: Vec<Held>,
    pub progress: RefCell<Progress>,
}

/// What was decided before anything is changed.
pub struct Decided {
    pub observed: Observed,
    pub baseline: Baseline,
    pub known: KnownJobs,
    images: Vec<UsedImage>,
    /// The snapshot that the board should come back to.
    pub back_to: Option<String>,
    pub plan: Plan,
    pub findings: Vec<Finding>,
    pub told: Option<Value>,
    /// How it went on a simulated board.
    pub rehearsed: Option<Rehearsed>,
}

/// Looks, plans, asks, records, carries out, tells.
///
/// # Errors
/// Whatever stops it; the chip has been let go then.
pub fn on_board(context: &Context, change: &Change, connected: &mut Connected, look: Look) -> Result<ExitCode, Stop> {
    let mut journal = context.journal().map_err(nothing_changed)?;
    let scene = Scene {
        context,
        change,
        board: &connected.board,
        chip: &connected.chip,
        via: &connected.via,
        board_from: connected.board_from,
        simulated: connected.simulated(),
        bytes_per_second: connected.bytes_per_second,
        held: context.held_by_others(&journal, &connected.via)?,
        progress: RefCell::new(Progress::new()),
    };
    let progress = &scene.progress;
    let mut listener = |event: &job::Event| progress.borrow_mut().show(event);
    let mut bench = Bench::new(connected.bus.as_mut(), scene.board, scene.chip, &mut listener, interrupt::flag()?);
    let (observed, aim, told, again) = match look(&scene, &mut bench, &journal)? {
        Looked::Wants { observed, aim, told, again } => (observed, aim, told, again),
        Looked::Over(code) => {
            bench.release()?;
            return Ok(code);
        }
    };
    let introduced = context.global.json || told.is_some();
    let mut decided = scene.decide(*observed, &journal, &aim, told).inspect_err(|_| {
        // What is refused is refused of a board.
        if !introduced {
            scene.introduce();
        }
    })?;
    last_run::keep(context, &decided.findings);
    if decided.plan.changes_nothing() && decided.baseline.inherited.is_none() {
        let watched = scene.let_go(&mut bench)?;
        return scene.nothing_to_do(&decided, watched.as_ref());
    }
    if context.global.dry_run || context.global.rehearse {
        // While nothing is done to it, the board is not held in reset.
        bench.release()?;
    }
    scene.show(&decided, safety::is_first_write(&journal, scene.board)?);
    if context.global.rehearse {
        decided.rehearsed = Some(scene.rehearse(&decided, &aim)?);
    }
    if context.global.dry_run {
        return scene.dry_run_over(&decided);
    }
    let console = scene.console()?;
    let job = scene.begin(&decided, &again, &mut journal, &mut bench)?;
    progress.borrow_mut().name_steps(decided.plan.steps().iter().map(|step| plan_view::title(step, scene.chip)).collect());
    let mut entry = Entry { journal: &mut journal, job, date: &date, changed: decided.baseline.inherited.is_some() };
    let result = bench.execute(&decided.plan, &mut entry);
    let changed = entry.changed;
    progress.borrow().clear();
    let report = result.map_err(|error| {
        let other = same_id::of_other_pages(&context.catalog, &error, scene.chip);
        let stop = stopped(error, job, &again, changed);
        match other {
            Some(other) => scene.undone_as(&other, job, stop),
            None => stop,
        }
    })?;
    let watched = console.map(|(mut console, watch)| console.watch(watch, Since::LetGo, &[])).transpose()?;
    scene.finished(&decided, job, &report, watched.as_ref())
}

impl Scene<'_> {
    /// How a job is undone of which the chip was another part all the time.
    fn undone_as(&self, other: &str, job: JobId, stop: Stop) -> Stop {
        let (has, board, via) = (&self.chip.part, generic_board(other), quoted(self.via));
        stop.hint(format!(
            "Read what is printed on the chip: an {other} has the ID of the {has}, and flash pages of another size. If it is one, this \
             brings back what it held:"
        ))
        .command(format!("farrier undo {job} --board {board} --via {via} --resume none"))
    }

    /// Reads all that the board holds.
    ///
    /// # Errors
    /// It does not answer, or the work is interrupted.
    pub fn observe(&self, bench: &mut Bench) -> Result<Observed, Stop> {
        let observed = bench.observe();
        self.progress.borrow().clear();
        observed.map_err(while_looking)
    }

    fn decide(&self, observed: Observed, journal: &Journal, aim: &Aim, told: Option<Value>) -> Result<Decided, Stop> {
        if let Some(finding) = observed.id.and_then(|id| plan::wrong_chip(id, self.chip)) {
            return Err(Stop::refused(vec![finding]));
        }
        let target = self.target(&observed)?;
        let baseline = self.baseline(&observed, journal)?;
        let known = KnownJobs::of(journal, &observed, self.chip)?;
        let ((desired, mut findings), images, back_to) = match aim {
            Aim::Intent(intent) | Aim::Inferred(intent) => {
                let intent = known.told_to(intent.as_ref().clone());
                let images = intent.sources().into_iter().map(UsedImage::of).collect();
                (plan::desire(&intent, &baseline.observed, self.chip, self.board)?, images, intent.restore.map(|back| back.name))
            }
            // Its consents were given when it began.
            Aim::EndOf(job) => {
                let record = journal.job(*job)?;
                ((record.plan.desired().clone(), Vec::new()), record.images, None)
            }
        };
        let (plan, of_plan) = plan::reconcile(&observed, &desired, &target).map_err(Stop::refused)?;
        findings.extend(baseline.consents(&observed, &desired));
        if let Aim::Inferred(_) = aim {
            findings.extend(known.taken_back(journal, &desired, self.chip)?);
        }
        findings.extend(of_plan);
        let before = observed.configuration.as_deref().unwrap_or_default();
        findings.extend(same_id::finding(&self.context.catalog, before, plan.steps().iter(), self.chip));
        findings.sort_by_key(|finding| std::cmp::Reverse(finding.severity()));
        Ok(Decided { observed, baseline, known, images, back_to, plan, findings, told, rehearsed: None })
    }

    /// What 'kept' refers to for a board that holds `observed`.
    ///
    /// # Errors
    /// It is not clear whose unfinished job this is, or the records cannot be read.
    pub fn baseline(&self, observed: &Observed, journal: &Journal) -> Result<Baseline, Stop> {
        let tag = self.context.global.tag.as_deref();
        let answer = resume::answer(self.context.global.resume.as_deref())?;
        let baseline = job::baseline(journal, &self.context.snapshots(), &self.held, (observed, tag), answer, &self.target(observed)?);
        baseline.map_err(|error| resume::no_baseline(error, answer, self))
    }

    fn target(&self, observed: &Observed) -> Result<Target<'_>, Stop> {
        let way_in = way_in(self.chip)?;
        let access = observed.access.as_ref().ok_or_else(|| Stop::new(Code::NoAnswer, "the chip was not reached"))?;
        let pace = Pace { programming_clock: access.programming_clock, bytes_per_second: self.bytes_per_second };
        Ok(Target { chip: self.chip, way_in, board: self.board, pace })
    }

    /// Carries it out on a simulated board, with power cuts.
    fn rehearse(&self, decided: &Decided, aim: &Aim) -> Result<Rehearsed, Stop> {
        let tag = self.context.global.tag.as_deref();
        let (observed, baseline, plan) = (&decided.observed, &decided.baseline.observed, &decided.plan);
        let intent = match aim {
            Aim::Intent(intent) | Aim::Inferred(intent) => Some(intent.as_ref()),
            Aim::EndOf(_) => None,
        };
        let rehearsal = Rehearsal { board: self.board, chip: self.chip, tag, intent, observed, baseline, plan, stop: interrupt::flag()? };
        let progress = self.progress.borrow();
        let mut shown = |done: usize, of: usize| progress.say(format!("rehearsing on a simulated board  cut {} of {of}", done + 1));
        let result = rehearsal.run(&mut shown);
        progress.clear();
        let rehearsed = result.map_err(|ended| match ended {
            Ended::Interrupted => nothing_changed(Stop::from(JobError::Interrupted)),
            Ended::Impossible(stop) => nothing_changed(stop),
            Ended::Failed(why) => Stop::new(Code::Refused, format!("the rehearsal failed, so nothing was changed:\n{why}")),
        })?;
        if !self.context.global.json {
            output::say(format!(
                "Rehearsed on a simulated board that holds what this one holds: 1 run and {} power cuts; each ended in the desired \
                 state, and nothing that was to be kept was lost.",
                rehearsed.cuts
            ));
            output::gap();
        }
        Ok(rehearsed)
    }

    /// Asks, and writes snapshot and journal. Nothing on the chip has changed when this returns.
    fn begin(&self, decided: &Decided, again: &[String], journal: &mut Journal, bench: &mut Bench) -> Result<JobId, Stop> {
        let earlier = decided.baseline.inherited.as_ref().map_or(&[][..], |inherited| &inherited.accepted);
        let asking = consent::can_ask(self.context);
        if asking {
            // While somebody thinks, the board is not held in reset.
            bench.release()?;
        }
        let accepted = consent::gather(self.context, &decided.findings, earlier)?;
        consent::confirm(self.context, &format!("This changes {} through {}.", self.board.name, self.via))?;
        if asking || decided.rehearsed.is_some() {
            bench.expect_unchanged(&decided.observed)?;
        }
        let before = self.keep(&decided.observed).map_err(nothing_changed)?;
        self.enter_job(decided, again, journal, (before, accepted)).map_err(nothing_changed)
    }

    fn keep(&self, observed: &Observed) -> Result<SnapshotName, Stop> {
        let info = snapshot::info(self.context, &self.board.name, self.chip, self.via, self.simulated);
        let info = SnapshotInfo { before_change: true, ..info };
        let snapshots = self.context.snapshots();
        let name = snapshots.save(observed, &info)?;
        if !self.context.global.json {
            output::line(format!("Snapshot, taken before any change: {}", snapshots.path(&name).display()));
        }
        Ok(name)
    }

    fn enter_job(
        &self,
        decided: &Decided,
        again: &[String],
        journal: &mut Journal,
        (before, accepted): (SnapshotName, Vec<Accepted>),
    ) -> Result<JobId, Stop> {
        let inherited = decided.baseline.inherited.as_ref();
        let new = NewJob {
            date: date(),
            board: self.board.name.clone(),
            chip: self.chip.part.clone(),
            command: command_again(again),
            tag: self.context.global.tag.clone(),
            id_bytes: decided.observed.id,
            calibration: decided.observed.calibration,
            serial_number: plan::serial_number(&decided.observed, self.board, self.chip),
            bridge: self.via.to_owned(),
            holder: lock::this_process(),
            simulated: self.simulated,
            made_by: MADE_BY.to_owned(),
            baseline: Some(inherited.map_or_else(|| before.clone(), |inherited| inherited.snapshot.clone())),
            before: Some(before),
            inherits: inherited.map(|inherited| inherited.job),
            images: decided.images.clone(),
            findings: decided.findings.iter().map(Shown::from).collect(),
            accepted,
            held: Fingerprint::of_observed(&decided.observed, self.chip),
            leaves: Fingerprint::of_desired(decided.plan.desired(), self.chip),
            plan: &decided.plan,
        };
        let job = journal.begin(&new)?;
        let left = self.context.ended_unchanged(journal, Some(self.via))?;
        for record in left.into_iter().filter(|record| record.job.id != job) {
            journal.end_unchanged(record.job.id, record.job.last_entry())?;
        }
        Ok(job)
    }

    /// Lets a chip go to which nothing is done, and watches its board where that is wanted.
    ///
    /// # Errors
    /// It cannot be watched, or the bridge does not answer.
    pub fn let_go(&self, bench: &mut Bench) -> Result<Option<Watched>, Stop> {
        let console = if self.context.global.dry_run { None } else { self.console()? };
        bench.release()?;
        console.map(|(mut console, watch)| console.watch(watch, Since::LetGo, &[])).transpose()
    }

    /// The board's own serial port, where it is to be watched: open before anything is changed.
    fn console(&self) -> Result<Option<(Console, Watch)>, Stop> {
        if self.context.global.watch.is_some() && self.simulated {
            let what = "a simulated board runs no firmware, so there is nothing to watch";
            return Err(Stop::usage(what).hint("Nothing was changed. Without watching:").command(command_not_watching()));
        }
        let open = |watch: Watch| Ok((Console::open(self.context, &self.context.console()?, watch.baud)?, watch));
        Watch::asked_for(self.context, self.board).and_then(|watch| watch.map(open).transpose()).map_err(nothing_changed)
    }
}

/// Why a job stopped, and how it goes on.
fn stopped(error: job::JobError, job: JobId, again: &[String], changed: bool) -> Stop {
    let stop = Stop::from(error);
    match changed {
        true => {
            let going_on = command_going_on(job, again);
            let which = if going_on == command_again(&[]) { "The same command" } else { "This command" };
            stop.hint(format!("Job {job} is unfinished. {which} goes on from there:")).command(going_on)
        }
        false => to_try_again(stop, again),
    }
}

/// Why looking stopped.
pub fn while_looking(error: JobError) -> Stop {
    match error {
        JobError::Interrupted => nothing_changed(Stop::from(error)),
        other => Stop::from(other),
    }
}

fn nothing_changed(stop: Stop) -> Stop {
    to_try_again(stop, &[])
}

fn to_try_again(stop: Stop, again: &[String]) -> Stop {
    stop.hint("Nothing was changed. To try again:").command(command_again(again))
}
