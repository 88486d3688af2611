//! The bare `farrier`: the board that this folder is about, what is plugged in, an interrupted job, commands that suit the moment. Opens
//! no port.

use super::board_view;
use super::bridges::{self, Found};
use super::context::Context;
use super::output::{self, Offer};
use super::place::Place;
use super::stop::Stop;
use super::typed::quoted;
use crate::board::{Board, known_chips};
use crate::record::{Job, Journal};
use crate::units::Count;
use serde_json::json;
use std::cmp::Reverse;
use std::path::Path;
use std::process::ExitCode;
use std::time::SystemTime;

/// Shows it.
///
/// # Errors
/// When the sims' folder or the journal cannot be read, or what the folder names is no board.
pub fn run(context: &Context) -> Result<ExitCode, Stop> {
    let given = context.given_board()?;
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
        output::json(&json!({
            "board": given.map(|((board, _), _)| board.name), "bridges": text(found.sure()), "ports": text(found.places()),
            "sims": sims, "unfinished": open, "jobs": jobs.len(),
        }));
        return Ok(ExitCode::SUCCESS);
    }
    if let Some(((board, chip), from)) = &given {
        board_view::introduce(board, chip, from);
        output::gap();
    }
    output::say("Farrier fits firmware loaders to bare microcontroller boards and looks after what is on them.");
    output::gap();
    let found = bridges::find(&context.home);
    output::say_under("Bridges    ", plugged_in(&found));
    let own = newest_first(context.catalog.own_names(), |name| changed(&context.home.boards().join(format!("{name}.toml"))));
    output::say_under("Boards     ", boards(&own));
    let sims = newest_first(sims, |name| context.sims().last_saved(name));
    let simulated = match sims.is_empty() {
        true => "none yet; sim:vent, sim:pump and sim:frost are made at first use".into(),
        false => few(sims.iter().map(|name| format!("sim:{name}")), "farrier sim list"),
    };
    output::say_under("Simulated  ", simulated);
    output::say_under("Journal    ", journal(jobs.len() - open.len(), open.len()));
    if let Some(job) = open.last() {
        output::say_under("Unfinished ", format!("job {} on {} through {}; this goes on:", job.id, job.board, job.bridge));
        output::line(format!("           {}", job.command));
    }
    output::gap();
    output::line("Commands that suit the moment:");
    let offers = match &given {
        Some(((board, _), _)) => offers_for(board, context, &found),
        None => offers(&own, &found, &sims),
    };
    output::list(&offers).iter().for_each(output::line);
    Ok(ExitCode::SUCCESS)
}

/// How many columns the names of one kind may take: however many there are, the screen stays one that is seen at a glance.
const ROOM: usize = 60;

/// The first of `all`, and how many more there are, which `command` lists.
fn few(all: impl Iterator<Item = String>, command: &str) -> String {
    let all: Vec<String> = all.collect();
    let mut long = 0;
    let shown = all.iter().take_while(|name| {
        long += name.chars().count() + 2;
        long <= ROOM
    });
    let shown = shown.count().max(1).min(all.len());
    let more = match all.len() - shown {
        0 => String::new(),
        more => format!(" and {more} more (`{command}`)"),
    };
    all[..shown].join(", ") + &more
}

/// Names by when each was last changed.
fn newest_first(mut names: Vec<String>, changed: impl Fn(&str) -> Option<SystemTime>) -> Vec<String> {
    names.sort_by_cached_key(|name| Reverse(changed(name)));
    names
}

fn changed(file: &Path) -> Option<SystemTime> {
    file.metadata().and_then(|file| file.modified()).ok()
}

fn journal(ended: usize, open: usize) -> String {
    let all = match (ended, open) {
        (0, 0) => "",
        (_, 0 | 1) => "; all of them: `farrier journal`",
        _ => "; those: `farrier journal --unfinished`",
    };
    format!("{} ended, {open} unfinished{all}", Count(ended, "job"))
}

/// The boards that are known, in a line.
fn boards(own: &[String]) -> String {
    let all = |own: &[String]| format!("{} of your own", few(own.iter().cloned(), "farrier boards"));
    let own = if own.is_empty() { "none of your own yet".to_owned() } else { all(own) };
    format!("{own}; vent, pump and frost to learn with, and a generic one for each of {} chips", known_chips().count())
}

/// What may come next: on the bridge that is plugged in, else on a simulated board.
fn offers(own: &[String], found: &Found, sims: &[String]) -> Vec<Offer> {
    let sim = format!("sim:{}", sims.first().map_or("vent", String::as_str));
    let bridge = found.sure().first().map(Place::to_string);
    let via = bridge.as_ref().map_or(sim.clone(), |bridge| format!("{bridge} --board NAME"));
    let mut offers = vec![(format!("farrier inspect --via {via}"), "what is on the board")];
    if let Some(bridge) = &bridge {
        offers.push((format!("farrier boards new NAME --via {bridge}"), "describe a board that is not known yet"));
    }
    offers.push((format!("farrier loader install --via {via} --dry-run"), "plan a loader and change nothing"));
    if bridge.is_none() {
        offers.push(("farrier boards new NAME".into(), "describe a board of your own"));
    }
    if let (Some(own), None) = (own.first(), bridge) {
        offers.push((format!("farrier sim new NAME --board {own}"), "a simulated one of your own board"));
    }
    offers.extend([
        ("farrier boards".to_owned(), "the boards that are known"),
        ("farrier bridges".to_owned(), "what may be a bridge here, and how one is made"),
    ]);
    offers
}

/// What may come next on the board that is named: through the bridge of its folder, else the one that is plugged in.
fn offers_for(board: &Board, context: &Context, found: &Found) -> Vec<Offer> {
    let via = match (&context.folder.via, found.sure().first()) {
        (Some(_), _) => String::new(),
        (None, Some(bridge)) => format!(" --via {bridge}"),
        (None, None) => " --via WHERE".to_owned(),
    };
    let name = quoted(context.board_name().unwrap_or(&board.name));
    let mut offers = vec![(format!("farrier inspect{via}"), "what is on the board")];
    if board.built_in_loader().is_some() || context.folder.loader.is_some() {
        offers.push((format!("farrier loader install{via} --dry-run"), "plan its loader and change nothing"));
    }
    if context.folder.application.is_some() {
        offers.push((format!("farrier write{via} --dry-run"), "plan to write this folder's application and change nothing"));
    }
    offers.push((format!("farrier boards show {name}"), "all that is known of it"));
    if context.folder.via.is_none() && found.sure().is_empty() {
        offers.push((format!("farrier sim new NAME --board {name}"), "a simulated one of it"));
    }
    offers.push(("farrier bridges".to_owned(), "what may be a bridge here, and how one is made"));
    offers
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
    let sure = if sure.is_empty() { "none by its ids".into() } else { few(sure.iter().map(Place::to_string), "farrier bridges") };
    sure + &others
}
