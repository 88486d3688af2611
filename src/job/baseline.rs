//! What 'kept' refers to: the board before the first change.

use crate::finding::Finding;
use crate::plan::{Candidate, Observed, Resume, Takeover, TakeoverError, Target, UnfinishedJob, takeover};
use crate::record::{Accepted, Held, JobId, JobRecord, Journal, RecordError, SnapshotName, Snapshots};

/// A baseline, and where it comes from.
#[derive(Clone, Debug, PartialEq)]
pub struct Baseline {
    pub observed: Observed,
    /// The unfinished job whose baseline this is; `None` where the board as observed is the baseline.
    pub inherited: Option<Inherited>,
    /// Consents that come with taking that job over.
    pub findings: Vec<Finding>,
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
    #[error("job {job} is unfinished, and what its board held before cannot be read:\n{why}")]
    Lost { job: JobId, why: RecordError },
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
    let jobs = records.iter().map(|record| unfinished(record, snapshots)).collect::<Result<Vec<_>, _>>()?;
    match takeover(&jobs, observed, tag, answer, target)? {
        Takeover::Fresh => Ok(Baseline { observed: observed.clone(), inherited: None, findings: Vec::new() }),
        Takeover::Ask(candidates) => Err(BaselineError::Ask(candidates)),
        Takeover::Resume { job, findings } => {
            let record = records.iter().find(|record| record.job.id.0 == job.id as i64);
            let inherited = record.map(|record| Inherited {
                job: record.job.id,
                snapshot: record.job.baseline.clone(),
                accepted: record.job.accepted.clone(),
            });
            Ok(Baseline { observed: job.baseline.clone(), inherited, findings })
        }
    }
}

fn unfinished(record: &JobRecord, snapshots: &Snapshots) -> Result<UnfinishedJob, BaselineError> {
    let job = &record.job;
    let load = |name: &SnapshotName| {
        let loaded = snapshots.load(snapshots.path(name)).map(|kept| kept.observed);
        loaded.map_err(|why| BaselineError::Lost { job: job.id, why })
    };
    Ok(UnfinishedJob {
        id: job.id.0 as u64,
        tag: job.tag.clone(),
        baseline: load(&job.baseline)?,
        began_with: load(&job.before)?,
        plan: record.plan.clone(),
        finished: job.finished_steps(),
        in_hand: job.step_in_hand().is_some(),
        verified_settings: record.settings_verified.clone(),
        answered_none: job.command.contains("--resume none") || job.command.contains("--resume=none"),
    })
}
