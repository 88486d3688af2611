//! What the journal says about a job.

use crate::finding::Finding;
use crate::image::{Image, Memory, Sha256};
use crate::plan::{Fingerprint, Plan};
use crate::record::SnapshotName;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::time::{Duration, SystemTime};

/// The number of a job; counts up from 1 in each journal, and no number is used twice.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct JobId(pub i64);

impl fmt::Display for JobId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// A consent: the finding's name, and what was at stake when it was given.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Accepted {
    pub finding: String,
    pub stake: String,
}

/// An image that a job was given.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct UsedImage {
    pub name: String,
    pub memory: Memory,
    pub bytes: u32,
    /// Over its bytes in address order.
    pub sha256: Sha256,
}

impl UsedImage {
    pub fn of((memory, name, image): (Memory, &str, &Image)) -> UsedImage {
        UsedImage { name: name.to_owned(), memory, bytes: image.len() as u32, sha256: image.sha256() }
    }
}

/// A finding as it was shown with the plan.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Shown {
    pub finding: String,
    pub sentence: String,
}

impl From<&Finding> for Shown {
    fn from(finding: &Finding) -> Shown {
        Shown { finding: finding.kind.name().to_owned(), sentence: finding.sentence.clone() }
    }
}

/// A job that is about to begin.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NewJob<'a> {
    pub date: SystemTime,
    /// Name of the board description.
    pub board: String,
    /// Part number.
    pub chip: String,
    /// The command as the user would type it again.
    pub command: String,
    pub tag: Option<String>,
    pub id_bytes: Option<[u8; 3]>,
    pub calibration: Option<u8>,
    /// Where the board declares one, and it is not blank.
    pub serial_number: Option<Vec<u8>>,
    /// The bridge it goes through, as the user names it.
    pub bridge: String,
    /// Names the process that holds the bridge, in the words of whoever keeps the bridges' locks; see [`Held`].
    pub holder: String,
    pub simulated: bool,
    /// Name and version of the program.
    pub made_by: String,
    /// What 'kept' refers to; `None` where nothing can be read and so no snapshot was taken, as through a fitted loader.
    pub baseline: Option<SnapshotName>,
    /// What the board held when this job began; the baseline itself for a fresh job. `None` where the baseline is.
    pub before: Option<SnapshotName>,
    /// The unfinished job that this one takes over, and whose baseline it has. It is ended together with this one's begin.
    pub inherits: Option<JobId>,
    pub images: Vec<UsedImage>,
    /// All findings of its plan, notes too.
    pub findings: Vec<Shown>,
    pub accepted: Vec<Accepted>,
    /// What the board holds as the job begins, and what it leaves; `None` where that is not known to the byte.
    pub held: Option<Fingerprint>,
    pub leaves: Option<Fingerprint>,
    /// With the desired state that it serves.
    pub plan: &'a Plan,
}

/// A job, as lists show it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Job {
    pub id: JobId,
    pub begun: SystemTime,
    /// When and how it ended; `None` for a job that runs or was cut off.
    pub ended: Option<(SystemTime, End)>,
    pub board: String,
    pub chip: String,
    pub command: String,
    pub tag: Option<String>,
    /// ID bytes.
    pub id_bytes: Option<[u8; 3]>,
    pub calibration: Option<u8>,
    pub serial_number: Option<Vec<u8>>,
    pub bridge: String,
    pub holder: String,
    pub simulated: bool,
    pub made_by: String,
    /// As in [`NewJob`].
    pub baseline: Option<SnapshotName>,
    pub before: Option<SnapshotName>,
    pub inherits: Option<JobId>,
    pub accepted: Vec<Accepted>,
    /// As in [`NewJob`]; a journal's oldest jobs have none.
    pub held: Option<Fingerprint>,
    pub leaves: Option<Fingerprint>,
    /// Why its last run stopped before its end.
    pub stopped: Option<String>,
    /// How long its steps should take; a journal's oldest jobs do not say.
    pub estimate: Option<Duration>,
    /// How long they took, once it has finished.
    pub took: Option<Duration>,
    /// How many steps its plan has.
    pub plan_steps: usize,
    /// The steps that were begun, in order: 0, 1, 2...
    pub steps: Vec<StepRecord>,
}

impl Job {
    /// How many steps are finished. They are the first ones of the plan.
    pub fn finished_steps(&self) -> usize {
        self.steps.iter().take_while(|step| step.finished.is_some()).count()
    }

    /// The last moment that the journal knows of it.
    pub fn last_entry(&self) -> SystemTime {
        self.steps.last().map_or(self.begun, |step| step.finished.unwrap_or(step.begun))
    }

    /// The step that was begun and not finished: it may have been carried out in part, or wholly, or not at all.
    pub fn step_in_hand(&self) -> Option<usize> {
        self.steps.iter().find(|step| step.finished.is_none()).map(|step| step.index)
    }
}

/// A job with all that was kept of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct JobRecord {
    pub job: Job,
    pub plan: Plan,
    pub images: Vec<UsedImage>,
    pub findings: Vec<Shown>,
    /// The settings store as the job had verified it; `None` where it had not come so far.
    pub settings_verified: Option<Image>,
}

impl JobRecord {
    /// Whether it cannot have changed its board: no step that changes one was begun, and it went on from no other job.
    pub fn changed_nothing(&self) -> bool {
        let mut begun = self.plan.steps().iter().take(self.job.steps.len());
        self.job.inherits.is_none() && !begun.any(|step| step.kind.changes_board())
    }
}

/// A step that was begun.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StepRecord {
    /// Index into the plan's steps.
    pub index: usize,
    pub begun: SystemTime,
    pub finished: Option<SystemTime>,
    /// How long it took, by the clock that the board was worked on with: a simulated board has its own.
    pub took: Option<Duration>,
}

/// How a job ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum End {
    /// Its last verify passed; the text says how it was proved.
    Finished(String),
    /// The user closed it.
    Closed,
    /// Its process stopped, or was gone, before anything on the board was changed.
    Unchanged,
    /// This job took it over, with its baseline.
    TakenOver(JobId),
}

impl fmt::Display for End {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            End::Finished(_) => f.write_str("finished"),
            End::Closed => f.write_str("closed"),
            End::Unchanged => f.write_str("ended before anything was changed"),
            End::TakenOver(by) => write!(f, "taken over by job {by}"),
        }
    }
}

/// A bridge that another process holds just now. A job of that holder on that bridge is running, unless that holder has begun
/// a later one there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Held {
    pub bridge: String,
    pub holder: String,
}
