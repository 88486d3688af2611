//! `farrier journal show`: all that was kept of one job.

use super::{as_json, told};
use crate::board::Chip;
use crate::cli::context::Context;
use crate::cli::output;
use crate::cli::stop::Stop;
use crate::record::JobRecord;
use serde_json::{Value, json};

/// Prints it.
pub fn print(context: &Context, record: &JobRecord, chip: &Chip) -> Result<(), Stop> {
    if context.global.json {
        output::json(&whole_json(record, chip));
        return Ok(());
    }
    let job = &record.job;
    let mut board = told::board(job);
    board.insert(1, "named by the job".to_owned());
    output::say_under("Board    ", board.join(", "));
    output::simulated(job.simulated);
    output::say_under("Job      ", format!("{}: {}", job.id, job.command));
    output::say_under("Begun    ", format!("{} through {} by {}", told::date(job.begun), job.bridge, job.made_by));
    if let Some((ended, _)) = &job.ended {
        output::say_under("Ended    ", told::date(*ended));
    }
    output::say_under("Result   ", told::result(job));
    output::say_under("Time     ", told::time(job));
    output::say_under("Baseline ", baseline(record));
    for image in &record.images {
        let (name, bytes, memory) = (&image.name, output::bytes(image.bytes.into()), image.memory.name());
        output::say_under("Image    ", format!("{name}: {bytes} for the {memory}, SHA-256 {}", image.sha256));
    }
    for finding in told::findings(record) {
        let accepted = if finding.accepted { " (accepted)" } else { "" };
        output::say_under("Finding  ", format!("{}{accepted}: {}", finding.name, finding.sentence));
    }
    output::gap();
    output::line(format!("{:>4}  {:<40} {:>9} {:>9}  state", "step", "", "planned", "took"));
    for step in told::steps(record, chip) {
        let took = step.took.map_or("-".to_owned(), output::seconds);
        output::line(format!("{:>4}  {:<40} {:>9} {took:>9}  {}", step.number, step.does, output::seconds(step.planned), step.state));
    }
    output::next(format!("farrier journal report {} job-{}.html", job.id, job.id));
    Ok(())
}

fn baseline(record: &JobRecord) -> String {
    let job = &record.job;
    let from = job.inherits.map(|job| format!(", which is job {job}'s")).unwrap_or_default();
    let (Some(baseline), Some(before)) = (&job.baseline, &job.before) else {
        return "none: it went through the board's loader, which reads nothing out, so nothing was kept".to_owned();
    };
    match before == baseline {
        true => format!("snapshot {baseline}{from}"),
        false => format!("snapshot {baseline}{from}; when this job began the board held {before}"),
    }
}

/// A job with its steps, images and findings.
pub fn whole_json(record: &JobRecord, chip: &Chip) -> Value {
    let date = |date| humantime::format_rfc3339_millis(date).to_string();
    let micros = |time: std::time::Duration| time.as_micros() as u64;
    let kept = |number: usize| record.job.steps.iter().find(|step| step.index + 1 == number);
    let steps = told::steps(record, chip).into_iter().map(|step| {
        let kept = kept(step.number);
        json!({
            "step": step.number, "does": step.does, "reason": step.reason, "estimate_us": micros(step.planned),
            "took_us": step.took.map(micros), "begun": kept.map(|step| date(step.begun)),
            "finished": kept.and_then(|step| step.finished).map(date),
        })
    });
    let findings = told::findings(record);
    let findings = findings.iter().map(|f| json!({ "finding": f.name, "sentence": f.sentence, "accepted": f.accepted }));
    let mut document = as_json(&record.job);
    document["plan"] = steps.collect();
    document["images"] = json!(record.images);
    document["findings"] = findings.collect();
    document
}
