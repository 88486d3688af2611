//! What 'kept' refers to: the board before the first change.

use crate::finding::Finding;
use crate::plan::{
    Candidate, Desired, Observed, Resume, Sent, Takeover, TakeoverError, Target, UnfinishedJob, application_changed, takeover,
};
use crate::record::{Accepted, Held, Job, JobId, JobRecord, Journal, RecordError, SnapshotName, Snapshots};

/// A baseline, and where it comes from.
#[derive(Clone, Debug, PartialEq)]
pub struct Baseline {
    pub observed: Observed,
    /// The unfinished job whose baseline this is; `None` where the board as observed is the baseline.
    pub inherited: Option<Inherited>,
    /// Consents that come with taking that job over, whatever is desired.
    findings: Vec<Finding>,
    /// What was sent to the loader of such a board since.
    sent_since: Vec<Sent>,
}

impl Baseline {
    /// The board as it is seen.
    fn fresh(observed: &Observed) -> Baseline {
        Baseline { observed: observed.clone(), inherited: None, findings: Vec::new(), sent_since: Vec::new() }
    }

    /// Every consent that comes with going on from it to what is desired.
    pub fn consents(&self, observed: &Observed, desired: &Desired) -> Vec<Finding> {
        let sent = |inherited: &Inherited| application_changed(&self.sent_since, inherited.job.0 as u64, observed, desired);
        self.findings.iter().cloned().chain(self.inherited.as_ref().and_then(sent)).collect()
    }
}

/// An unfinished job that is taken over.
#[derive(Clone, Debug, PartialEq)]
pub struct Inherited {
    pub job: JobId,
    /// Its baseline.
    pub snapshot: SnapshotName,
    /// Consents given then; they hold for the same stakes.
    pub accepted: Vec<Accepted>,
}

/// Why there is no baseline yet.
#[derive(Debug, thiserror::Error)]
pub enum BaselineError {
    /// Nothing is changed until `--resume` answers.
    #[error("it is not clear whether an unfinished job was begun on this board")]
    Ask(Vec<Candidate>),
    #[error(transparent)]
    Answer(#[from] TakeoverError),
    /// The journal was lost: a job had taken this snapshot, and may have been cut off.
    #[error("the journal knows no job, but one had taken the snapshot {0} of such a chip, and this board holds something else now")]
    Forgotten(SnapshotName),
    #[error("job {job} is unfinished, and what its board held before cannot be read:\n{why}")]
    Lost { job: JobId, why: RecordError },
    /// It was begun with the board of another part that has the same ID, so what it kept does not fit this one.
    #[error(
        "job {job} on this board is unfinished, and was begun with board {board}: that is an {chip}, which has the same ID and {kept} \
         configuration bytes; an {taken} has {needed}"
    )]
    OfAnotherPart { job: JobId, board: String, chip: String, kept: usize, taken: String, needed: usize },
    #[error(transparent)]
    Record(#[from] RecordError),
}

/// The baseline for a board that holds `observed`. `held` are bridges that other processes hold: their jobs are running, not
/// unfinished.
///
/// # Errors
/// An open question, a wrong answer, or records that cannot be read.
pub fn baseline(
    journal: &Journal,
    snapshots: &Snapshots,
    held: &[Held],
    (observed, tag): (&Observed, Option<&str>),
    answer: Resume,
    target: &Target,
) -> Result<Baseline, BaselineError> {
    let records = journal.unfinished(held)?;
    let through_loaders = through_loaders(journal, &records)?;
    let jobs = records.iter().filter_map(|record| unfinished(record, snapshots, &through_loaders).transpose());
    let jobs = jobs.collect::<Result<Vec<_>, _>>()?;
    match takeover(&jobs, observed, tag, answer, target)? {
        Takeover::Fresh if answer == Resume::Unasked && journal.knows_no_snapshot()? => match forgotten(snapshots, observed, target)? {
            Some(snapshot) => Err(BaselineError::Forgotten(snapshot)),
            None => Ok(Baseline::fresh(observed)),
        },
        Takeover::Fresh => Ok(Baseline::fresh(observed)),
        Takeover::Ask(candidates) => Err(BaselineError::Ask(candidates)),
        Takeover::Resume { job, findings } => {
            let record = records.iter().find(|record| record.job.id.0 == job.id as i64);
            if let Some(error) = record.and_then(|record| of_another_part(record, &job.baseline, target)) {
                return Err(error);
            }
            let inherited = record.and_then(|record| {
                let snapshot = record.job.baseline.clone()?;
                Some(Inherited { job: record.job.id, snapshot, accepted: record.job.accepted.clone() })
            });
            Ok(Baseline { observed: job.baseline.clone(), inherited, findings, sent_since: job.sent_since.clone() })
        }
    }
}

/// Whether what was kept has not as many configuration bytes as this part.
fn of_another_part(record: &JobRecord, baseline: &Observed, target: &Target) -> Option<BaselineError> {
    let (kept, needed) = (baseline.configuration.as_ref()?.len(), target.chip.configuration.len());
    let Job { id: job, board, chip, .. } = &record.job;
    let (board, chip, taken) = (board.clone(), chip.clone(), target.chip.part.clone());
    (kept != needed).then_some(BaselineError::OfAnotherPart { job: *job, board, chip, kept, taken, needed })
}

/// The newest snapshot that a job had taken of this chip, where the board is not as it says. Only a journal that was emptied or moved away
/// does not know that job; if it had been cut off, what the board holds now must not be taken for what is to be kept.
fn forgotten(snapshots: &Snapshots, observed: &Observed, target: &Target) -> Result<Option<SnapshotName>, BaselineError> {
    for listed in snapshots.list()?.into_iter().rev() {
        let by_a_job = listed.head.is_ok_and(|head| head.info.before_change && head.info.chip == target.chip.part);
        let Some(kept) = by_a_job.then(|| snapshots.load(snapshots.path(&listed.name)).ok()).flatten() else { continue };
        let then = kept.observed;
        if then.calibration.is_some() && (then.id, then.calibration) == (observed.id, observed.calibration) {
            let same = Observed { access: observed.access.clone(), ..then } == *observed;
            return Ok((!same).then_some(listed.name));
        }
    }
    Ok(None)
}

/// The jobs that went through a loader, and so had nothing to keep, since the first of these.
fn through_loaders(journal: &Journal, unfinished: &[JobRecord]) -> Result<Vec<JobRecord>, RecordError> {
    let Some(first) = unfinished.iter().map(|record| record.job.id).min() else { return Ok(Vec::new()) };
    journal.jobs()?.iter().filter(|job| job.baseline.is_none() && job.id > first).map(|job| journal.job(job.id)).collect()
}

/// What those sent, after this job was begun, that may have gone to its board.
fn sent_since(job: &Job, through_loaders: &[JobRecord]) -> Vec<Sent> {
    let may = |later: &&JobRecord| {
        let tags = later.job.tag.is_none() || job.tag.is_none() || later.job.tag == job.tag;
        later.job.id > job.id && (&later.job.board, &later.job.chip) == (&job.board, &job.chip) && tags
    };
    let name = |later: &JobRecord| later.images.first().map_or("an application".to_owned(), |image| image.name.clone());
    let sent = |later: &JobRecord| Sent { job: later.job.id.0 as u64, name: name(later), flash: later.plan.desired().flash.clone() };
    through_loaders.iter().filter(may).map(sent).collect()
}

/// `None` for a job that kept nothing, so that there is nothing to inherit from it.
fn unfinished(record: &JobRecord, snapshots: &Snapshots, through_loaders: &[JobRecord]) -> Result<Option<UnfinishedJob>, BaselineError> {
    let job = &record.job;
    let (Some(baseline), Some(before)) = (&job.baseline, &job.before) else { return Ok(None) };
    let load = |name: &SnapshotName| {
        let loaded = snapshots.load(snapshots.path(name)).map(|kept| kept.observed);
        loaded.map_err(|why| BaselineError::Lost { job: job.id, why })
    };
    Ok(Some(UnfinishedJob {
        id: job.id.0 as u64,
        tag: job.tag.clone(),
        baseline: load(baseline)?,
        began_with: load(before)?,
        plan: record.plan.clone(),
        finished: job.finished_steps(),
        in_hand: job.step_in_hand().is_some(),
        verified_settings: record.settings_verified.clone(),
        answered_none: job.command.contains("--resume none") || job.command.contains("--resume=none"),
        sent_since: sent_since(job, through_loaders),
    }))
}
