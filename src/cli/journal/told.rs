//! What a job's entry says, in words: for the screen and for the report.

use crate::board::Chip;
use crate::cli::output;
use crate::cli::plan_view;
use crate::record::{End, Job, JobRecord, StepRecord};
use crate::units::Hex;
use std::time::{Duration, SystemTime};

/// A date as people read it: to the second, in UTC.
pub fn date(date: SystemTime) -> String {
    let text = humantime::format_rfc3339_seconds(date).to_string();
    format!("{} UTC", text.trim_end_matches('Z').replace('T', " "))
}

/// How a job stands, in a few words.
pub fn state(job: &Job) -> String {
    match &job.ended {
        Some((_, end)) => end.to_string(),
        None => format!("unfinished: {} of {} steps", job.finished_steps(), job.plan_steps),
    }
}

/// What was kept of the board before the job, in a few words.
pub fn kept(job: &Job) -> String {
    job.baseline.as_ref().map_or("no snapshot: a loader reads nothing out".to_owned(), |name| format!("baseline {}", name.as_str()))
}

/// How it came out, as sentences.
pub fn result(job: &Job) -> String {
    let done = || format!("{} of {} steps were finished", job.finished_steps(), job.plan_steps);
    let why = || job.stopped.as_deref().map(|why| format!(" Its run stopped: {}", why.replace('\n', " "))).unwrap_or_default();
    match &job.ended {
        Some((_, End::Finished(proof))) => format!("Finished. Proved: {proof}."),
        Some((_, End::Closed)) => format!("Closed by hand or before its first change; {}.{}", done(), why()),
        Some((_, End::Unchanged)) => format!("Ended before anything was changed.{}", why()),
        Some((_, End::TakenOver(by))) => format!("Not finished; job {by} went on from it. {}.{}", done(), why()),
        None if job.baseline.is_none() => {
            format!("Not finished: the application on the board is not whole. The same command again sends all of it.{}", why())
        }
        None => format!("Not finished; {}.{}", done(), why()),
    }
}

/// Which chip and which board it was.
pub fn board(job: &Job) -> Vec<String> {
    let mut parts = vec![format!("{} ({})", job.board, job.chip)];
    parts.extend(job.tag.as_ref().map(|tag| format!("tag {tag}")));
    parts.extend(job.serial_number.as_deref().map(|number| format!("serial number {}", serial(number))));
    parts.extend(job.id_bytes.map(|id| format!("ID bytes {}", Hex(&id))));
    parts.extend(job.calibration.map(|byte| format!("calibration byte 0x{byte:02X}")));
    parts
}

/// A serial number: its text where it is one, else its bytes.
pub fn serial(number: &[u8]) -> String {
    let end = number.iter().rposition(|byte| *byte != 0xFF && *byte != 0).map_or(0, |last| last + 1);
    match number.get(..end) {
        Some(text) if !text.is_empty() && text.iter().all(|byte| (0x20..0x7F).contains(byte)) => String::from_utf8_lossy(text).into_owned(),
        _ => Hex(number).to_string(),
    }
}

/// How long it took, and how long it should have taken.
pub fn time(job: &Job) -> String {
    let planned = job.estimate.map_or("not kept".to_owned(), output::seconds);
    match job.took {
        Some(took) => format!("{} (planned: {planned})", output::seconds(took)),
        None => format!("not known (planned: {planned})"),
    }
}

/// A step of the plan and what became of it.
pub struct ToldStep {
    pub number: usize,
    pub does: String,
    pub reason: String,
    pub planned: Duration,
    pub took: Option<Duration>,
    pub state: &'static str,
}

pub fn steps(record: &JobRecord, chip: &Chip) -> Vec<ToldStep> {
    let of = |index: usize| record.job.steps.iter().find(|step| step.index == index);
    let state = |step: Option<&StepRecord>| match step {
        Some(StepRecord { finished: Some(_), .. }) => "done",
        Some(_) => "begun, not finished",
        None => "not begun",
    };
    let told = |(index, step)| ToldStep {
        number: index + 1,
        does: plan_view::title(step, chip),
        reason: step.reason.clone(),
        planned: step.estimate,
        took: of(index).and_then(|step| step.took),
        state: state(of(index)),
    };
    record.plan.steps().iter().enumerate().map(told).collect()
}

/// A finding of the plan, and whether it was accepted.
pub struct ToldFinding<'r> {
    pub name: &'r str,
    pub sentence: &'r str,
    pub accepted: bool,
}

/// All findings. A journal's oldest jobs kept only those that were accepted, without their sentences.
pub fn findings(record: &JobRecord) -> Vec<ToldFinding<'_>> {
    let accepted = |name: &str| record.job.accepted.iter().any(|accepted| accepted.finding == name);
    let shown = record.findings.iter().map(|shown| ToldFinding {
        name: &shown.finding,
        sentence: &shown.sentence,
        accepted: accepted(&shown.finding),
    });
    let old = record.job.accepted.iter().filter(|accepted| !record.findings.iter().any(|shown| shown.finding == accepted.finding));
    shown.chain(old.map(|accepted| ToldFinding { name: &accepted.finding, sentence: &accepted.stake, accepted: true })).collect()
}
