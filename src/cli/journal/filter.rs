//! Which jobs of the journal are wanted.

use crate::cli::args::Global;
use crate::cli::stop::Stop;
use crate::record::{Job, JobId, Journal};
use clap::Args;
use std::time::SystemTime;

/// Which jobs; those of a board or a tag are chosen with --board and --tag.
#[derive(Args, Debug, Clone, Default)]
pub struct Filter {
    /// Only jobs on chips of this part number.
    #[arg(long, value_name = "PART")]
    pub chip: Option<String>,
    /// Only jobs that were begun on this day (UTC) or later: 2026-11-25, or a whole RFC 3339 date.
    #[arg(long, value_name = "DATE", value_parser = date)]
    pub since: Option<SystemTime>,
    /// Only jobs that have not ended.
    #[arg(long)]
    pub unfinished: bool,
}

fn date(text: &str) -> Result<SystemTime, String> {
    let whole = if text.contains('T') { text.to_owned() } else { format!("{text}T00:00:00Z") };
    humantime::parse_rfc3339(&whole).map_err(|_| "give a day such as 2026-11-25".to_owned())
}

impl Filter {
    pub fn takes(&self, global: &Global, job: &Job) -> bool {
        let is = |wanted: &Option<String>, found: Option<&str>| wanted.as_deref().is_none_or(|wanted| found == Some(wanted));
        is(&global.board, Some(&job.board))
            && is(&global.tag, job.tag.as_deref())
            && self.chip.as_deref().is_none_or(|chip| job.chip.eq_ignore_ascii_case(chip))
            && self.since.is_none_or(|since| job.begun >= since)
            && !(self.unfinished && job.ended.is_some())
    }

    /// Whether it leaves anything out.
    pub fn is_any(&self, global: &Global) -> bool {
        self.chip.is_some() || self.since.is_some() || self.unfinished || global.board.is_some() || global.tag.is_some()
    }
}

/// A job by its number, or the last one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Which {
    Number(i64),
    Last,
}

/// Reads `41` or `last`.
///
/// # Errors
/// Any other text.
pub fn which(text: &str) -> Result<Which, String> {
    match text {
        "last" => Ok(Which::Last),
        number => number.parse().map(Which::Number).map_err(|_| "give a job's number, or last".to_owned()),
    }
}

impl Which {
    /// The number of that job.
    ///
    /// # Errors
    /// There is none.
    pub fn find(self, journal: &Journal) -> Result<JobId, Stop> {
        match self {
            Which::Number(number) => Ok(JobId(number)),
            Which::Last => {
                journal.jobs()?.last().map(|job| job.id).ok_or_else(|| Stop::usage("the journal is empty: there is no last job"))
            }
        }
    }
}
