//! `farrier explain --last`: the findings of the last run, in plain words, whether a job began or not.

use super::context::Context;
use super::explain::Entry;
use super::journal::told::{ToldFinding, date, findings, result};
use super::journal::{Which, existing};
use super::last_run::LastRun;
use super::output;
use super::stop::Stop;
use super::typed::quoted;
use crate::finding::{Kind, Severity};
use crate::record::{Job, JobRecord};
use serde_json::{Value, json};
use std::process::ExitCode;

/// Prints them.
///
/// # Errors
/// The journal cannot be read, or is empty.
pub fn run(context: &Context) -> Result<ExitCode, Stop> {
    let last_job = existing(context).and_then(|journal| context.job(&journal, Which::Last.find(&journal)?));
    let run = LastRun::of(&context.home).filter(|run| last_job.as_ref().map_or(true, |record| record.job.begun < run.date()));
    match (run, last_job) {
        (Some(run), _) if context.global.json => output::json(&run_as_json(&run)),
        (Some(run), _) => print_run(&run),
        (None, record) if context.global.json => output::json(&as_json(&record?)),
        (None, record) => print(&record?),
    }
    Ok(ExitCode::SUCCESS)
}

/// A run that began no job.
fn print_run(run: &LastRun) {
    output::say_under("Run    ", format!("{}: {}", date(run.date()), run.command));
    output::say_under("Result ", "No job began, so nothing was changed.");
    if run.findings.is_empty() {
        output::say("Its plan had no findings.");
    }
    for finding in of_run(run) {
        tell(&finding, what_to_do_now(&finding));
    }
    output::next(&run.command);
}

fn of_run(run: &LastRun) -> impl Iterator<Item = ToldFinding<'_>> {
    run.findings.iter().map(|shown| ToldFinding { name: &shown.finding, sentence: &shown.sentence, accepted: false })
}

/// What may be done before a job begins.
fn what_to_do_now(finding: &ToldFinding) -> String {
    kind(finding).and_then(|kind| Entry::Finding(kind).what_to_do()).unwrap_or_default()
}

fn tell(finding: &ToldFinding, what_to_do: String) {
    output::gap();
    output::line(finding.name);
    output::say_under("  Found          ", finding.sentence);
    if let Some(kind) = kind(finding) {
        output::say_under("  Why it matters ", kind.explanation());
    }
    output::say_under("  What to do     ", what_to_do);
}

fn print(record: &JobRecord) {
    let job = &record.job;
    output::say_under("Job    ", format!("{}, {}: {}", job.id, date(job.begun), job.command));
    output::say_under("Result ", result(job));
    let findings = findings(record);
    if findings.is_empty() {
        output::say("Its plan had no findings.");
    }
    for finding in &findings {
        tell(finding, what_to_do(finding, job));
    }
    let mut next = vec![(format!("farrier journal show {}", job.id), "all that was kept of it")];
    let undo = (format!("farrier undo {} --via {}", job.id, quoted(&job.bridge)), "back to what the board held before");
    let may_regret = job.baseline.is_some() && findings.iter().any(consented);
    next.extend(may_regret.then_some(undo));
    output::next_of(&next);
}

/// The finding's row of the table; a journal may be older, or newer, than this program.
fn kind(finding: &ToldFinding) -> Option<Kind> {
    Kind::ALL.iter().copied().find(|kind| kind.name() == finding.name)
}

fn consented(finding: &ToldFinding) -> bool {
    finding.accepted || kind(finding).is_some_and(|kind| kind.severity() == Severity::Consent)
}

/// A job that refuses never begins, so what its findings ask for was given.
fn what_to_do(finding: &ToldFinding, job: &Job) -> String {
    match (consented(finding), &job.baseline) {
        (false, _) => "Nothing is asked of you; the job went on.".to_owned(),
        (true, Some(baseline)) => {
            format!("You accepted it, and the job went on. What the board held before is kept in the snapshot {baseline}.")
        }
        (true, None) => "You accepted it, and the job went on. No snapshot was possible, so there is no way back.".to_owned(),
    }
}

/// As [`as_json`] with no job.
fn run_as_json(run: &LastRun) -> Value {
    let row = |finding: ToldFinding| {
        json!({
            "finding": finding.name, "sentence": finding.sentence, "accepted": finding.accepted,
            "meaning": kind(&finding).map(Kind::explanation), "what_to_do": what_to_do_now(&finding),
        })
    };
    json!({ "job": null, "command": run.command, "findings": of_run(run).map(row).collect::<Vec<_>>() })
}

/// `job`, `command`, `findings`: each with `finding`, `sentence`, `accepted`, `meaning` and `what_to_do`.
fn as_json(record: &JobRecord) -> Value {
    let row = |finding: &ToldFinding| {
        json!({
            "finding": finding.name, "sentence": finding.sentence, "accepted": finding.accepted,
            "meaning": kind(finding).map(Kind::explanation), "what_to_do": what_to_do(finding, &record.job),
        })
    };
    let all: Vec<Value> = findings(record).iter().map(row).collect();
    json!({ "job": record.job.id, "command": record.job.command, "findings": all })
}
