//! `farrier journal export`: the jobs in a file, for other programs.

use super::filter::Filter;
use super::{chip_of, show, told};
use crate::cli::context::Context;
use crate::cli::images::write_new;
use crate::cli::output;
use crate::cli::stop::Stop;
use crate::record::{JobRecord, Journal, SnapshotName};
use clap::{Args, ValueEnum};
use serde_json::json;
use std::path::PathBuf;

/// Write the jobs to a new file: JSON lines with everything, or CSV with a row a job.
#[derive(Args, Debug)]
#[command(
    after_help = "Example: farrier journal export jobs.csv --since 2026-11-01\nExample: farrier journal export jobs.jsonl --tag 1187"
)]
pub struct Export {
    /// The new file; a name that ends in .csv makes CSV, any other JSON lines.
    pub file: PathBuf,
    /// What to write, whatever the file's name.
    #[arg(long, value_name = "FORMAT")]
    pub format: Option<Format>,
    #[command(flatten)]
    pub filter: Filter,
}

#[derive(ValueEnum, Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// A JSON document on each line: the fields of `journal show --json`.
    JsonLines,
    /// A header, then a row a job.
    Csv,
}

impl Export {
    pub fn run(&self, context: &Context, journal: &Journal) -> Result<(), Stop> {
        let wanted = context.jobs(journal)?.into_iter().filter(|job| self.filter.takes(&context.global, job));
        let records = wanted.map(|job| {
            let kept = journal.job(job.id)?;
            Ok(JobRecord { job, ..kept })
        });
        let records = records.collect::<Result<Vec<_>, Stop>>()?;
        let named = self.file.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("csv"));
        let format = self.format.unwrap_or(if named { Format::Csv } else { Format::JsonLines });
        let bytes = match format {
            Format::Csv => csv(&records)?,
            Format::JsonLines => json_lines(context, &records)?,
        };
        write_new(&self.file, &bytes)?;
        let (count, file) = (records.len(), self.file.display());
        match context.global.json {
            true => output::json(&json!({ "file": file.to_string(), "jobs": count })),
            false => {
                output::say(format!("{count} {} written to {file}.", if count == 1 { "job is" } else { "jobs are" }));
                output::next("farrier journal");
            }
        }
        Ok(())
    }
}

fn json_lines(context: &Context, records: &[JobRecord]) -> Result<Vec<u8>, Stop> {
    let mut text = String::new();
    for record in records {
        let (_, chip) = chip_of(context, record)?;
        let mut document = show::whole_json(record, &chip);
        document["version"] = json!(output::JSON_VERSION);
        text += &format!("{document}\n");
    }
    Ok(text.into_bytes())
}

/// Columns of the CSV.
const COLUMNS: [&str; 24] = [
    "job",
    "begun",
    "ended",
    "state",
    "proof_or_reason",
    "board",
    "chip",
    "tag",
    "serial_number",
    "id_bytes",
    "calibration",
    "bridge",
    "simulated",
    "command",
    "baseline",
    "before",
    "inherits",
    "images",
    "findings",
    "accepted",
    "steps",
    "finished_steps",
    "estimate_s",
    "took_s",
];

fn csv(records: &[JobRecord]) -> Result<Vec<u8>, Stop> {
    let fault = |why: csv::Error| Stop::usage(format!("the CSV cannot be made: {why}"));
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(COLUMNS).map_err(fault)?;
    for record in records {
        writer.write_record(row(record)).map_err(fault)?;
    }
    writer.into_inner().map_err(|why| Stop::usage(format!("the CSV cannot be made: {why}")))
}

fn row(record: &JobRecord) -> [String; 24] {
    let job = &record.job;
    let date = |date| humantime::format_rfc3339_seconds(date).to_string();
    let hex = |bytes: &[u8]| bytes.iter().map(|byte| format!("{byte:02X}")).collect::<String>();
    let seconds = |time: std::time::Duration| format!("{:.3}", time.as_secs_f64());
    let images = record.images.iter().map(|image| format!("{} {} {}", image.memory.name(), image.sha256, image.name));
    [
        job.id.to_string(),
        date(job.begun),
        job.ended.as_ref().map(|(ended, _)| date(*ended)).unwrap_or_default(),
        told::state(job),
        told::result(job),
        job.board.clone(),
        job.chip.clone(),
        job.tag.clone().unwrap_or_default(),
        job.serial_number.as_deref().map(told::serial).unwrap_or_default(),
        job.id_bytes.map(|id| hex(&id)).unwrap_or_default(),
        job.calibration.map(|byte| hex(&[byte])).unwrap_or_default(),
        job.bridge.clone(),
        job.simulated.to_string(),
        job.command.clone(),
        job.baseline.as_ref().map(SnapshotName::to_string).unwrap_or_default(),
        job.before.as_ref().map(SnapshotName::to_string).unwrap_or_default(),
        job.inherits.map(|job| job.to_string()).unwrap_or_default(),
        images.collect::<Vec<_>>().join("; "),
        record.findings.iter().map(|shown| shown.finding.as_str()).collect::<Vec<_>>().join(" "),
        job.accepted.iter().map(|accepted| accepted.finding.as_str()).collect::<Vec<_>>().join(" "),
        job.plan_steps.to_string(),
        job.finished_steps().to_string(),
        job.estimate.map(seconds).unwrap_or_default(),
        job.took.map(seconds).unwrap_or_default(),
    ]
}
