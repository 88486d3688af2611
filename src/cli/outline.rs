//! `--on factory|SNAPSHOT`: the plan without a board.

use super::change::Change;
use super::context::{BY_SNAPSHOT, Context, Given, way_in};
use super::stop::Stop;
use super::typed::command_instead;
use super::{board_view, last_run, output, plan_view, same_id};
use crate::board::{Board, Chip};
use crate::plan::{Basis, Outline, Pace, Target, outline};
use crate::record::Snapshot;
use serde_json::json;
use std::process::ExitCode;

/// Shows it. Nothing can be carried out from here.
///
/// # Errors
/// No such board or snapshot; a refusal.
pub fn run(context: &Context, on: &str, change: &Change) -> Result<ExitCode, Stop> {
    let kept = (on != "factory").then(|| context.snapshots().load(on)).transpose()?;
    let ((board, chip), from) = board_of(context, kept.as_ref())?;
    let intent = (change.intent)(&board, &chip)?;
    let way_in = way_in(&chip)?;
    let target = Target { chip: &chip, way_in, board: &board, pace: pace(kept.as_ref(), &board, &chip) };
    let basis = kept.as_ref().map_or(Basis::Factory, |kept| Basis::Snapshot(&kept.observed));
    if !context.global.json {
        board_view::introduce(&board, &chip, from);
    }
    let (outline, mut findings) = outline(&intent, basis, &target)?;
    let before = kept.as_ref().map_or_else(|| chip.factory_configuration(), |kept| kept.observed.configuration.clone().unwrap_or_default());
    findings.extend(same_id::finding(&context.catalog, &before, outline.steps.iter().map(|step| &step.step), &chip));
    last_run::keep(context, &findings);
    if context.global.json {
        let mut steps = plan_view::as_json(outline.steps.iter().map(|step| &step.step), &chip);
        for (row, step) in steps.as_array_mut().into_iter().flatten().zip(&outline.steps) {
            row["as_read_then"] = step.as_read_then.into();
        }
        output::json(&json!({
            "result": "outline", "on": on, "board": board.name, "chip": chip.part, "plan": steps, "findings": findings,
            "open": outline.open.iter().map(|kind| kind.name()).collect::<Vec<_>>(),
        }));
        return Ok(ExitCode::SUCCESS);
    }
    let what = if on == "factory" { "any such board; what it holds is not known" } else { on };
    output::say_under("On       ", what);
    output::gap();
    print(&outline, &chip);
    for finding in &findings {
        output::finding(finding);
    }
    output::say("This is a plan without a board: nothing was read and nothing was changed.");
    let is_there = context.global.via.is_some() || context.folder.via.is_some();
    output::next(command_instead("--on", if is_there { &[] } else { &["--via", "WHERE"] }));
    Ok(ExitCode::SUCCESS)
}

fn board_of(context: &Context, kept: Option<&Snapshot>) -> Result<Given, Stop> {
    match (context.given_board()?, kept) {
        (Some(given), _) => Ok(given),
        (None, Some(kept)) => Ok((context.catalog.board(&kept.head.info.board)?, BY_SNAPSHOT)),
        (None, None) => {
            Err(Stop::usage("a plan on factory needs to know which board").hint("Give --board NAME; `farrier boards` lists them."))
        }
    }
}

/// As fast as the chip bears in the configuration that it has, over a link that is never the bottleneck.
fn pace(kept: Option<&Snapshot>, board: &Board, chip: &Chip) -> Pace {
    let configuration = kept.and_then(|kept| kept.observed.configuration.clone()).unwrap_or_else(|| chip.factory_configuration());
    let clock = chip.system_clock(board, &configuration).unwrap_or(board.clock.hz);
    let programming_clock = chip.programming_clock_limit(clock);
    Pace { programming_clock, bytes_per_second: u32::MAX }
}

fn print(outline: &Outline, chip: &Chip) {
    plan_view::print(outline.steps.iter().map(|step| &step.step), chip);
    output::gap();
    let unknown: u32 = outline.steps.iter().map(|step| step.as_read_then).sum();
    if unknown > 0 {
        output::say(format!("{unknown} bytes are written back as read then: this is the worst case."));
    }
    if !outline.open.is_empty() {
        let names: Vec<&str> = outline.open.iter().map(|kind| kind.name()).collect();
        output::say_under("Open until a board is read: ", names.join(", "));
    }
}
