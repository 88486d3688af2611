//! Jobs that left what a board holds: a board without a number is known by them.

use super::context::Context;
use super::output;
use super::stop::Stop;
use crate::board::Chip;
use crate::diagnosis::Known;
use crate::finding::Finding;
use crate::job;
use crate::plan::{self, Desired, Fingerprint, Intent, Observed, Trail, recognise};
use crate::record::{End, Job, JobId, Journal};
use serde_json::{Value, json};

/// The images that a board with this part may hold: what jobs wrote, and the demo applications. Without a journal nothing is known.
///
/// # Errors
/// When the journal cannot be read.
pub fn images(context: &Context, part: &str) -> Result<Vec<Known>, Stop> {
    match Journal::open_existing(context.home.journal())? {
        Some(journal) => Ok(job::known_images(&journal, part)?),
        None => Ok(Vec::new()),
    }
}

/// The jobs that may have been the last on a board.
#[derive(Clone, Debug, Default)]
pub struct KnownJobs {
    /// Newest first. More than one where they all left the same.
    pub jobs: Vec<Job>,
    /// The settings are as those jobs left them too.
    pub settings: bool,
    /// The tag that all of them have.
    pub tag: Option<String>,
}

impl KnownJobs {
    /// Looks for them.
    ///
    /// # Errors
    /// When the journal cannot be read.
    pub fn of(journal: &Journal, observed: &Observed, chip: &Chip) -> Result<KnownJobs, Stop> {
        let all: Vec<Job> = journal.jobs()?.into_iter().filter(|job| job.chip == chip.part).collect();
        let trails: Vec<Trail> = all.iter().map(trail).collect();
        let known = recognise(&trails, observed, chip);
        let job = |trail: &&Trail| all.iter().find(|job| job.id == JobId(trail.job as i64)).cloned();
        Ok(KnownJobs { jobs: known.jobs.iter().filter_map(job).collect(), settings: known.settings, tag: known.tag().map(str::to_owned) })
    }

    /// The same for a command that only looks: a journal that cannot be read is said, and nothing is known.
    pub fn look(context: &Context, observed: &Observed, chip: &Chip) -> KnownJobs {
        let found = Journal::open_existing(context.home.journal()).map_err(Stop::from);
        let found = found.and_then(|journal| journal.map(|journal| KnownJobs::of(&journal, observed, chip)).transpose());
        found.map(Option::unwrap_or_default).unwrap_or_else(|why| {
            output::remark(&format!("Whether a job left this board as it is, is not known: {}", why.message()));
            KnownJobs::default()
        })
    }

    /// An intent that knows which board it is about: by its tag, where no other was given.
    pub fn told_to(&self, mut intent: Intent) -> Intent {
        if let Some(back) = &mut intent.restore
            && back.board_tag.is_none()
        {
            back.board_tag = self.tag.clone();
        }
        intent
    }

    /// What a plan that nobody asked for by name takes back of what such a job was asked for: the board is as it should be since, so it
    /// shows no damage.
    ///
    /// # Errors
    /// When the journal cannot be read.
    pub fn taken_back(&self, journal: &Journal, desired: &Desired, chip: &Chip) -> Result<Option<Finding>, Stop> {
        for job in &self.jobs {
            let left = journal.job(job.id)?.plan;
            let found = plan::taken_back((job.id.0 as u64, &job.command), left.desired(), desired, self.settings, chip);
            if found.is_some() {
                return Ok(found);
            }
        }
        Ok(None)
    }

    /// Which jobs, in words; nothing where there are none.
    pub fn words(&self) -> Option<String> {
        let jobs = match self.jobs.as_slice() {
            [] => return None,
            [one] => format!("job {}", one.id),
            many => format!("jobs {}", many.iter().map(|job| self.named(job)).collect::<Vec<_>>().join(" and ")),
        };
        let tag = self.tag.as_deref().map(|tag| format!(": tag {tag}")).unwrap_or_default();
        let apart = if self.jobs.len() > 1 { "; the contents alone do not tell which board this is" } else { "" };
        Some(match self.settings {
            true => format!("holds exactly what {jobs} left{tag}{apart}"),
            false => format!("holds flash and configuration as {jobs} left them, and the settings have changed since{apart}"),
        })
    }

    /// A job's number, with its tag where the others have another one.
    fn named(&self, job: &Job) -> String {
        let tag = job.tag.as_deref().filter(|_| self.tag.is_none()).map(|tag| format!(" (tag {tag})"));
        format!("{}{}", job.id, tag.unwrap_or_default())
    }

    /// `jobs` (numbers), `settings_too`, `tag`; null where no job left what the board holds.
    pub fn as_json(&self) -> Value {
        match self.jobs.is_empty() {
            true => Value::Null,
            false => {
                json!({ "jobs": self.jobs.iter().map(|job| job.id).collect::<Vec<_>>(), "settings_too": self.settings, "tag": self.tag })
            }
        }
    }
}

/// What a job left; nothing for one that has not finished.
pub fn left(job: &Job) -> Option<Fingerprint> {
    job.leaves.filter(|_| matches!(job.ended, Some((_, End::Finished(_)))))
}

fn trail(job: &Job) -> Trail {
    Trail { job: job.id.0.unsigned_abs(), tag: job.tag.clone(), calibration: job.calibration, before: job.held, left: left(job) }
}
