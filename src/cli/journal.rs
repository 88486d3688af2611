//! `farrier journal`: the jobs that were done.

use super::context::{Context, date};
use super::output;
use super::stop::Stop;
use crate::record::{Job, JobId, Journal as Kept};
use clap::{Args, Subcommand};
use serde_json::{Value, json};
use std::process::ExitCode;

/// What was done to which board.
///
/// Without more: every job, newest last.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier journal\nExample: farrier journal close 4")]
pub struct Journal {
    #[command(subcommand)]
    pub what: Option<What>,
}

#[derive(Subcommand, Debug)]
pub enum What {
    /// Close an unfinished job: the next command on that board begins with a baseline of its own.
    #[command(after_help = "Example: farrier journal close 4")]
    Close {
        /// The job's number.
        job: i64,
    },
}

impl Journal {
    pub fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        match self.what {
            None => list(context),
            Some(What::Close { job }) => {
                context.journal()?.close(JobId(job), date())?;
                match context.global.json {
                    true => output::json(&json!({ "closed": job })),
                    false => {
                        output::say(format!("Job {job} is closed. What its baseline held is still in its snapshot."));
                        output::next("farrier journal");
                    }
                }
                Ok(ExitCode::SUCCESS)
            }
        }
    }
}

/// How a job stands, in words.
fn state(job: &Job) -> String {
    match &job.ended {
        Some((_, end)) => end.to_string(),
        None => format!("unfinished: {} of {} steps", job.finished_steps(), job.plan_steps),
    }
}

fn as_json(job: &Job) -> Value {
    let accepted: Vec<&str> = job.accepted.iter().map(|accepted| accepted.finding.as_str()).collect();
    json!({
        "job": job.id, "begun": humantime::format_rfc3339_seconds(job.begun).to_string(), "board": job.board, "chip": job.chip,
        "command": job.command, "tag": job.tag, "bridge": job.bridge, "simulated": job.simulated, "baseline": job.baseline,
        "before": job.before, "inherits": job.inherits, "accepted": accepted, "steps": job.plan_steps,
        "finished_steps": job.finished_steps(), "ended": job.ended.is_some(), "state": state(job),
    })
}

fn list(context: &Context) -> Result<ExitCode, Stop> {
    let jobs = match Kept::open_existing(context.home.journal())? {
        Some(journal) => journal.jobs()?,
        None => Vec::new(),
    };
    if context.global.json {
        output::json(&json!({ "jobs": jobs.iter().map(as_json).collect::<Vec<_>>() }));
        return Ok(ExitCode::SUCCESS);
    }
    if jobs.is_empty() {
        output::say("The journal is empty.");
        output::next("farrier loader install --via sim:vent");
        return Ok(ExitCode::SUCCESS);
    }
    for job in &jobs {
        let simulated = if job.simulated { "  SIMULATED" } else { "" };
        let tag = job.tag.as_deref().map(|tag| format!("  tag {tag}")).unwrap_or_default();
        let begun = humantime::format_rfc3339_seconds(job.begun);
        output::line(format!("{:>4}  {begun}  {} ({}) through {}{tag}{simulated}", job.id, job.board, job.chip, job.bridge));
        output::say_under("      ", &job.command);
        output::say_under("      ", format!("{}; baseline {}", state(job), job.baseline.as_str()));
    }
    match jobs.iter().rev().find(|job| job.ended.is_none()) {
        Some(open) => output::next(format!("{}, which goes on; or: farrier journal close {}", open.command, open.id)),
        None => output::next("farrier snapshot list"),
    }
    Ok(ExitCode::SUCCESS)
}
