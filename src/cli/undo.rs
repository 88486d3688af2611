//! `farrier undo`: back to what a board held before its last job.

use super::board_view;
use super::change::{self, Aim, Change, Looked, Scene};
use super::context::Context;
use super::known::{self, KnownJobs};
use super::restore;
use super::stop::{Code, Stop};
use super::typed::{command_again, quoted};
use crate::job::Baseline;
use crate::plan::{Fingerprint, Intent, Observed, Part, Restore as Back, wrong_chip};
use crate::record::{Job, JobId, Journal, SnapshotName};
use clap::Args;
use std::process::ExitCode;

/// Put a board back to what it held before its last job.
///
/// Which job that was follows from what the board holds now; where that is not clear, it is asked. An undo is a job too, so a second one
/// takes the first back.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier undo --via sim:vent\nExample: farrier undo 41 --via sim:vent")]
pub struct Undo {
    /// Undo this job, by its number in the journal.
    pub job: Option<i64>,
}

/// The board in hand and what was done to it.
struct Seen<'a> {
    scene: &'a Scene<'a>,
    observed: &'a Observed,
    journal: &'a Journal,
    /// With the unfinished job that is taken over.
    baseline: Baseline,
    /// The jobs that left what the board holds.
    known: KnownJobs,
    tag: Option<&'a str>,
}

impl Undo {
    pub fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        let change = Change {
            intent: &|_, _| Err(Stop::usage("which job is undone shows at the board")),
            done: "The board is back at what it held before that job.",
            already: "The board holds what it held before that job already. Nothing was changed.",
            next: &|_, via| vec![board_view::look(via)],
        };
        change::run_looking(context, &change, &|scene, bench, journal| {
            let observed = Box::new(scene.observe(bench)?);
            let (intent, job) = self.intent(context, scene, &observed, journal)?;
            // Without its number the same command would take back this job, once it was cut off.
            let again = job.filter(|_| self.job.is_none()).map(|job| job.to_string()).into_iter().collect();
            Ok(Looked::Wants { observed, aim: Aim::Intent(Box::new(intent)), told: None, again })
        })
    }

    /// What is wanted, and the job that it undoes, where that is a finished one.
    fn intent(&self, context: &Context, scene: &Scene, observed: &Observed, journal: &Journal) -> Result<(Intent, Option<JobId>), Stop> {
        if let Some(finding) = observed.id.and_then(|id| wrong_chip(id, scene.chip)) {
            return Err(Stop::refused(vec![finding]));
        }
        let baseline = scene.baseline(observed, journal)?;
        let known = KnownJobs::of(journal, observed, scene.chip)?;
        let seen = Seen { scene, observed, journal, baseline, known, tag: context.global.tag.as_deref() };
        let Choice { job, baseline, doubt } = self.choose(&seen)?;
        let snapshots = context.snapshots();
        let kept = snapshots.load(snapshots.path(&baseline))?;
        let back = Back { doubt, ..restore::back(context, &kept, &Part::ALL) };
        Ok((Intent { restore: Some(back), ..Intent::default() }, job))
    }

    /// Which job is undone.
    fn choose(&self, seen: &Seen) -> Result<Choice, Stop> {
        if let Some(number) = self.job {
            let job = seen.journal.job(JobId(number))?.job;
            let doubt = (!seen.is_its(&job)).then(|| not_as_left(&job));
            return Choice::of(&job, doubt);
        }
        if let Some(inherited) = &seen.baseline.inherited {
            return Ok(Choice { job: None, baseline: inherited.snapshot.clone(), doubt: None });
        }
        match seen.known.jobs.iter().filter(|job| seen.may_have_its_tag(job)).collect::<Vec<_>>().as_slice() {
            [only] => Choice::of(only, None),
            [] => seen.nearest(),
            several => Err(which(several)),
        }
    }
}

/// The job that is undone.
struct Choice {
    /// Nothing for one that was cut off: the command without its number goes on for as long as it is not undone.
    job: Option<JobId>,
    /// What the board held before it.
    baseline: SnapshotName,
    /// What speaks against that job's being this board's.
    doubt: Option<String>,
}

impl Choice {
    fn of(job: &Job, doubt: Option<String>) -> Result<Choice, Stop> {
        Ok(Choice { job: Some(job.id), baseline: taken_before(job)?, doubt })
    }
}

impl Seen<'_> {
    /// Whether the board is as this job left it, or was so before the unfinished one.
    fn is_its(&self, job: &Job) -> bool {
        let inherited = self.baseline.inherited.as_ref().is_some_and(|inherited| inherited.job == job.id);
        inherited || self.was_left_by(job) || self.known.jobs.iter().any(|known| known.id == job.id)
    }

    /// Flash, configuration and lock; the settings may have changed since.
    fn was_left_by(&self, job: &Job) -> bool {
        let before = Fingerprint::of_observed(&self.baseline.observed, self.scene.chip).map(|before| before.firmware);
        let left = known::left(job).map(|left| left.firmware);
        left.is_some() && left == before && job.calibration == self.observed.calibration
    }

    fn may_have_its_tag(&self, job: &Job) -> bool {
        self.tag.is_none() || job.tag.is_none() || job.tag.as_deref() == self.tag
    }

    /// No job left what the board holds: the last one on a board that may be this one.
    fn nearest(&self) -> Result<Choice, Stop> {
        let mut jobs = self.journal.jobs()?;
        let calibrated = |job: &Job| job.calibration.is_some() && job.calibration == self.observed.calibration;
        jobs.retain(|job| self.may_have_its_tag(job) && calibrated(job));
        let job = jobs.iter().rfind(|job| job.chip == self.scene.chip.part).ok_or_else(|| self.nothing(&jobs))?;
        Choice::of(job, Some(not_as_left(job)))
    }

    /// None of these jobs was on such a chip; one may have been on this very chip all the same, taken for another part with its ID.
    fn nothing(&self, jobs: &[Job]) -> Stop {
        let stop = Stop::usage("the journal knows no job on this board, so there is nothing to undo");
        let stop = match jobs.iter().rfind(|job| job.id_bytes.is_some() && job.id_bytes == self.observed.id) {
            Some(Job { id, chip, board, .. }) => stop
                .hint(format!(
                    "Job {id} was on a chip with the same ID and calibration byte, which was taken for an {chip}. To undo it so:"
                ))
                .command(format!("farrier undo {id} --board {} --via {}", quoted(board), quoted(self.scene.via))),
            None => stop,
        };
        stop.hint("To go back to a snapshot by its name:").command("farrier snapshot list")
    }
}

/// The snapshot of what the board held before a job.
fn taken_before(job: &Job) -> Result<SnapshotName, Stop> {
    let nothing = || {
        let what = format!("job {} went through the board's loader, which reads nothing out, so nothing was kept to go back to", job.id);
        Stop::usage(what).hint("To write another application:").command("farrier write IMAGE --way fitted-loader --board NAME --via PORT")
    };
    job.baseline.clone().ok_or_else(nothing)
}

fn not_as_left(job: &Job) -> String {
    format!("the board does not hold what job {} left", job.id)
}

/// Several jobs left exactly what the board holds.
fn which(jobs: &[&Job]) -> Stop {
    let list: Vec<String> = jobs.iter().map(|job| job.id.to_string()).collect();
    let what = format!("jobs {} all left what this board holds; nothing was changed", list.join(" and "));
    let stop = Stop::new(Code::Refused, what).hint("Was one of them on this board? `farrier journal` lists them. To undo it:");
    jobs.iter().fold(stop, |stop, job| stop.command(command_again(&[job.id.to_string()])))
}
