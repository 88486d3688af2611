//! `farrier journal`: the jobs that were done.

mod export;
mod filter;
mod report;
mod show;
pub mod told;

use super::context::{Context, date};
use super::output;
use super::stop::Stop;
use crate::board::{Board, Chip};
use crate::record::{Job, JobId, JobRecord, Journal as Kept};
use clap::{Args, Subcommand};
use export::Export;
pub use filter::Which;
use filter::{Filter, which};
use serde_json::{Value, json};
use std::path::PathBuf;
use std::process::ExitCode;

/// What was done to which board.
///
/// Without more: every job, newest last. --board and --tag choose those of a board.
#[derive(Args, Debug)]
#[command(
    args_conflicts_with_subcommands = true,
    after_help = "Example: farrier journal --tag 1187\nExample: farrier journal report last vent.html\nExample: farrier journal close 4"
)]
pub struct Journal {
    #[command(flatten)]
    pub filter: Filter,
    #[command(subcommand)]
    pub what: Option<What>,
}

#[derive(Subcommand, Debug)]
pub enum What {
    /// Show all that was kept of one job.
    #[command(after_help = "Example: farrier journal show 4\nExample: farrier journal show last")]
    Show {
        /// The job's number, or last.
        #[arg(value_name = "N|last", value_parser = which)]
        job: Which,
    },
    Export(Export),
    /// Write a page about one job, to print for the owner of the board.
    ///
    /// What was there, what was done, what is there now: memories drawn to scale, configuration in words, findings and consents.
    #[command(after_help = "Example: farrier journal report last vent-1187.html")]
    Report {
        /// The job's number, or last.
        #[arg(value_name = "N|last", value_parser = which)]
        job: Which,
        /// The new file.
        #[arg(value_name = "FILE.html")]
        file: PathBuf,
    },
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
            None => list(context, &self.filter),
            Some(What::Show { job }) => {
                let (record, (_, chip)) = one(context, job)?;
                show::print(context, &record, &chip)
            }
            Some(What::Export(export)) => export.run(context, &existing(context)?),
            Some(What::Report { job, file }) => {
                let (record, (board, chip)) = one(context, job)?;
                report::write(context, &record, (&board, &chip), &file)
            }
            Some(What::Close { job }) => close(context, job),
        }
        .map(|()| ExitCode::SUCCESS)
    }
}

pub fn existing(context: &Context) -> Result<Kept, Stop> {
    let install = format!("farrier loader install{}", context.somewhere());
    let nothing = || Stop::usage("the journal is empty: no job was done yet").command(install);
    Kept::open_existing(context.home.journal())?.ok_or_else(nothing)
}

/// A job with the board that it was done on.
fn one(context: &Context, which: Which) -> Result<(JobRecord, (Board, Chip)), Stop> {
    let journal = existing(context)?;
    let record = context.job(&journal, which.find(&journal)?)?;
    let board = chip_of(context, &record)?;
    Ok((record, board))
}

/// The board of a job, and its chip. A board whose file is not in the catalog any more is told as a generic one of its chip.
fn chip_of(context: &Context, record: &JobRecord) -> Result<(Board, Chip), Stop> {
    if let Some(named) = context.named_board()? {
        return Ok(named);
    }
    let generic = format!("generic-{}", record.job.chip.to_ascii_lowercase());
    context.catalog.board(&record.job.board).or_else(|why| context.catalog.board(&generic).map_err(|_| why)).map_err(Stop::from)
}

fn close(context: &Context, job: i64) -> Result<(), Stop> {
    let mut journal = context.journal()?;
    journal.close(JobId(job), date())?;
    let kept = match journal.job(JobId(job))?.job.baseline {
        Some(baseline) => format!("What its baseline held is still in the snapshot {baseline}."),
        None => "It went through the board's loader, so it had kept nothing; the application on that board may not be whole.".to_owned(),
    };
    match context.global.json {
        true => output::json(&json!({ "closed": job })),
        false => {
            output::say(format!("Job {job} is closed. {kept}"));
            output::next("farrier journal");
        }
    }
    Ok(())
}

fn as_json(job: &Job) -> Value {
    let accepted: Vec<&str> = job.accepted.iter().map(|accepted| accepted.finding.as_str()).collect();
    let day = |date| humantime::format_rfc3339_seconds(date).to_string();
    let micros = |time: std::time::Duration| time.as_micros() as u64;
    json!({
        "job": job.id, "begun": day(job.begun), "board": job.board, "chip": job.chip,
        "command": job.command, "tag": job.tag, "bridge": job.bridge, "simulated": job.simulated, "baseline": job.baseline,
        "before": job.before, "inherits": job.inherits, "accepted": accepted, "steps": job.plan_steps,
        "finished_steps": job.finished_steps(), "ended": job.ended.is_some(), "state": told::state(job),
        "ended_at": job.ended.as_ref().map(|(date, _)| day(*date)), "result": told::result(job), "stopped": job.stopped,
        "id_bytes": job.id_bytes, "calibration": job.calibration, "serial_number": job.serial_number, "made_by": job.made_by,
        "estimate_us": job.estimate.map(micros), "took_us": job.took.map(micros),
    })
}

fn list(context: &Context, filter: &Filter) -> Result<(), Stop> {
    let all = match Kept::open_existing(context.home.journal())? {
        Some(journal) => context.jobs(&journal)?,
        None => Vec::new(),
    };
    let jobs: Vec<&Job> = all.iter().filter(|job| filter.takes(&context.global, job)).collect();
    if context.global.json {
        output::json(&json!({ "jobs": jobs.iter().map(|job| as_json(job)).collect::<Vec<_>>() }));
        return Ok(());
    }
    let Some(last) = jobs.last() else {
        if filter.is_any(&context.global) && !all.is_empty() {
            output::say(format!("None of the {} jobs in the journal is like that.", all.len()));
            output::next("farrier journal");
            return Ok(());
        }
        output::say("The journal is empty.");
        output::next(format!("farrier loader install{}", context.somewhere()));
        return Ok(());
    };
    for job in &jobs {
        let simulated = if job.simulated { "  SIMULATED" } else { "" };
        let tag = job.tag.as_deref().map(|tag| format!("  tag {tag}")).unwrap_or_default();
        let begun = humantime::format_rfc3339_seconds(job.begun);
        output::say_under(
            &format!("{:>4}  ", job.id),
            format!("{begun}  {} ({}) through {}{tag}{simulated}", job.board, job.chip, job.bridge),
        );
        output::line(format!("      {}", job.command));
        output::say_under("      ", format!("{}; {}", told::state(job), told::kept(job)));
    }
    match jobs.iter().rev().find(|job| job.ended.is_none()) {
        Some(open) => output::next_of(&[
            (open.command.clone(), "goes on with the unfinished job"),
            (format!("farrier journal close {}", open.id), "ends it as it is"),
        ]),
        None => output::next(format!("farrier journal show {}", last.id)),
    }
    Ok(())
}
