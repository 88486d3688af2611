//! The bare `farrier`: what is plugged in, an interrupted job, commands that suit the moment. Opens no port.

use super::bridges::{self, Found};
use super::context::Context;
use super::output;
use super::place::Place;
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
        Some(journal) => context.jobs(&journal)?,
        None => Vec::new(),
    };
    let open: Vec<&Job> = jobs.iter().filter(|job| job.ended.is_none()).collect();
    if context.global.json {
        let open: Vec<_> = open.iter().map(|job| json!({"job": job.id, "command": job.command, "board": job.board})).collect();
        let found = bridges::find(&context.home);
        let text = |places: Vec<Place>| places.iter().map(Place::to_string).collect::<Vec<_>>();
        output::json(
            &json!({ "bridges": text(found.sure()), "ports": text(found.places()), "sims": sims, "unfinished": open, "jobs": jobs.len() }),
        );
        return Ok(ExitCode::SUCCESS);
    }
    output::say("Farrier fits firmware loaders to bare microcontroller boards and looks after what is on them.");
    output::gap();
    let found = bridges::find(&context.home);
    output::say_under("Bridges    ", plugged_in(&found));
    let simulated = match sims.is_empty() {
        true => "none yet; sim:vent, sim:pump and sim:frost are made at first use".into(),
        false => sims.iter().map(|name| format!("sim:{name}")).collect::<Vec<_>>().join(", "),
    };
    output::say_under("Simulated  ", simulated);
    let done = jobs.len() - open.len();
    output::say_under("Journal    ", format!("{done} jobs ended, {} unfinished", open.len()));
    for job in &open {
        output::say_under("Unfinished ", format!("job {} on {} through {}; this goes on:", job.id, job.board, job.bridge));
        output::line(format!("           {}", job.command));
    }
    let first_sim = sims.first().map_or("vent", String::as_str);
    let via = match found.sure().first() {
        Some(bridge) => format!("{bridge} --board NAME"),
        None => format!("sim:{first_sim}"),
    };
    output::gap();
    output::line("Commands that suit the moment:");
    output::line(format!("  {:<48} what is on the board", format!("farrier inspect --via {via}")));
    output::line(format!("  {:<48} plan a loader and change nothing", format!("farrier loader install --via {via} --dry-run")));
    output::line(format!("  {:<48} the boards that are known", "farrier boards"));
    Ok(ExitCode::SUCCESS)
}

/// The bridges that are plugged in, and what else may be one.
fn plugged_in(found: &Found) -> String {
    let sure = found.sure();
    let others = found.places().len() - sure.len();
    let others = match others {
        0 => String::new(),
        1 => "; one other place that may be one: `farrier bridges`".into(),
        n => format!("; {n} other places that may be one: `farrier bridges`"),
    };
    let sure = if sure.is_empty() { "none by its ids".into() } else { sure.iter().map(Place::to_string).collect::<Vec<_>>().join(", ") };
    sure + &others
}
