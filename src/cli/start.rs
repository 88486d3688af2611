//! The bare `farrier`: what is plugged in, an interrupted job, commands that suit the moment. Opens no port.

use super::context::Context;
use super::output;
use super::stop::Stop;
use crate::record::{Job, Journal};
use serde_json::json;
use std::process::ExitCode;

/// Shows it.
///
/// # Errors
/// When the sims' folder or the journal cannot be read.
pub fn run(context: &Context) -> Result<ExitCode, Stop> {
    let sims = context.sims().names()?;
    let jobs = match Journal::open_existing(context.home.journal())? {
        Some(journal) => journal.jobs()?,
        None => Vec::new(),
    };
    let open: Vec<&Job> = jobs.iter().filter(|job| job.ended.is_none()).collect();
    if context.global.json {
        let open: Vec<_> = open.iter().map(|job| json!({"job": job.id, "command": job.command, "board": job.board})).collect();
        output::json(&json!({ "sims": sims, "unfinished": open, "jobs": jobs.len() }));
        return Ok(ExitCode::SUCCESS);
    }
    output::say("Farrier fits firmware loaders to bare microcontroller boards and looks after what is on them.");
    output::gap();
    let bridges = match sims.is_empty() {
        true => "none yet; this version reaches simulated boards only, and sim:vent, sim:pump and sim:frost are made at first use".into(),
        false => sims.iter().map(|name| format!("sim:{name}")).collect::<Vec<_>>().join(", "),
    };
    output::say_under("Bridges    ", bridges);
    let done = jobs.len() - open.len();
    output::say_under("Journal    ", format!("{done} jobs ended, {} unfinished", open.len()));
    for job in &open {
        output::say_under("Unfinished ", format!("job {} on {} through {}; this goes on:", job.id, job.board, job.bridge));
        output::line(format!("           {}", job.command));
    }
    let via = sims.first().map_or("vent", String::as_str);
    output::gap();
    output::line("Commands that suit the moment:");
    output::line(format!("  {:<48} what is on the board", format!("farrier inspect --via sim:{via}")));
    output::line(format!("  {:<48} plan a loader and change nothing", format!("farrier loader install --via sim:{via} --dry-run")));
    output::line(format!("  {:<48} the boards that are known", "farrier boards"));
    Ok(ExitCode::SUCCESS)
}
