//! `write --way fitted-loader`: an application goes to a board through the loader that it has, over its own serial port.

use super::console::Console;
use super::context::{Context, Given};
use super::progress::Progress;
use super::stop::{Code, Stop};
use super::{board_view, consent, interrupt, output, safety};
use crate::board::Board;
use crate::finding::{Finding, Severity};
use crate::image::Span;
use crate::job::JobError;
use crate::link::{self, BLOCK, Transfer, TransferError};
use crate::plan::{NamedImage, through_loader};
use serde_json::json;
use std::ops::ControlFlow;
use std::process::ExitCode;
use std::time::Duration;

/// How long the loader may be silent after a reset by the port, and where somebody resets the board by hand.
const ASKED_SOON: Duration = Duration::from_secs(10);
const ASKED_BY_HAND: Duration = Duration::from_secs(60);

/// What no such result says it has checked.
const NOT_CHECKED: &str = "what the flash holds now (`verify` through the programming header does); what the outputs do";

/// Sends an application, and listens afterwards where that is wanted.
///
/// # Errors
/// What is known beforehand to be wrong; a consent that is missing; no loader that asks, or one that ends the transfer; the port's own.
pub fn write(context: &Context, application: &NamedImage) -> Result<ExitCode, Stop> {
    if context.global.rehearse || context.global.on.is_some() {
        return Err(Stop::usage("through a fitted loader nothing is read, so it can be neither rehearsed nor planned on a snapshot"));
    }
    let ((board, chip), from) = board(context)?;
    let findings = through_loader(application, &board, &chip);
    let refused: Vec<Finding> = findings.iter().filter(|finding| finding.severity() == Severity::Refuse).cloned().collect();
    if !refused.is_empty() {
        return Err(Stop::refused(refused));
    }
    let of_loader = board.reservation.as_ref().and_then(|reservation| reservation.line.baud);
    let Some(baud) = of_loader.or(board.console.as_ref().map(|console| console.baud)) else {
        let what = format!("the board file of {} has no [console], so the speed of its serial port is not known", board.name);
        return Err(Stop::usage(what).hint(format!("Give it one; `farrier boards show {}` shows what there is.", board.name)));
    };
    if context.global.watch.is_some() && board.console.is_none() {
        return Err(Stop::usage(format!("the board file of {} has no [console], so there is nothing to watch for", board.name)));
    }
    let extent = application.image.extent().ok_or_else(|| Stop::usage("the image is empty"))?;
    let start = board.application(&chip).start();
    let span = Span::new(start, extent.end()).ok_or_else(|| Stop::usage(format!("{} has no bytes from {start} on", application.name)))?;
    let bytes = application.image.filled(span, chip.flash.blank);
    let takes = Duration::from_secs_f64(bytes.len() as f64 * 10.0 / f64::from(baud) * 1.2);
    if !context.global.json {
        board_view::introduce(&board, &chip, from);
        output::gap();
        safety::print(&board, true);
        output::say(format!(
            "{} goes to the board's loader at {} baud: {}, about {}.",
            application.name,
            baud,
            output::bytes(bytes.len() as u64),
            output::seconds(takes)
        ));
        findings.iter().for_each(output::finding);
        output::gap();
    }
    if context.global.dry_run {
        output::say("This was a dry run: nothing was changed.");
        return Ok(ExitCode::SUCCESS);
    }
    consent::gather(context, &findings, &[])?;
    consent::confirm(context, &format!("This changes {}.", board.name))?;
    let mut console = Console::open(context, &board, context.own_port()?, baud)?;
    let heard = send(&mut console, &board, &Transfer { bytes: &bytes, fill: chip.flash.blank, asked_within: ASKED_SOON })?;
    let watched = context.global.watch.map(|within| console.watch(&heard, within)).transpose()?;
    let seen = watched.as_ref().is_none_or(|watched| watched.is_alive());
    if context.global.json {
        output::json(&json!({
            "result": "done", "board": board.name, "chip": chip.part, "bytes": bytes.len(), "not_checked": NOT_CHECKED,
            "watched": watched.as_ref().map(super::console::Watched::as_json),
        }));
    } else {
        output::say("Done. The loader has taken the application and starts it.");
        output::say_under("Proved       ", format!("every block of {BLOCK} bytes arrived with the right CRC"));
        output::say_under("Not checked  ", NOT_CHECKED);
        if let Some(watched) = &watched {
            watched.tell();
        }
        output::next(format!("farrier verify {} --board {} --via WHERE", application.name, board.name));
    }
    Ok(if seen { ExitCode::SUCCESS } else { ExitCode::from(Code::Differs as u8) })
}

/// The board, which no serial port can say.
fn board(context: &Context) -> Result<Given, Stop> {
    let given = context
        .given_board()?
        .ok_or_else(|| Stop::usage("which board it is is not known").hint("Give --board NAME; `farrier boards` lists them."))?;
    let has_loader = given.0.0.reservation.is_some();
    match has_loader {
        true => Ok(given),
        false => {
            Err(Stop::usage(format!("the board file of {} reserves no flash for a loader, so there is none to send to", given.0.0.name)))
        }
    }
}

/// Resets the board, or has it reset, and sends.
fn send(console: &mut Console, board: &Board, transfer: &Transfer) -> Result<Vec<u8>, Stop> {
    let by_itself = console.reset(board)?;
    let transfer = Transfer { asked_within: if by_itself { ASKED_SOON } else { ASKED_BY_HAND }, ..*transfer };
    if !by_itself {
        output::remark("Reset the board now: press its reset button, or switch it off and on.");
    }
    let progress = Progress::new();
    let stop = interrupt::flag()?;
    let all = output::bytes(transfer.bytes.len() as u64);
    let mut shown = |at: link::Progress| {
        match at {
            link::Progress::Waiting(waited) => progress.say(format!("waiting for the loader to ask  {} s", waited.as_secs())),
            link::Progress::Taken(taken) => progress.say(format!("sending  {} of {all}", output::bytes(taken as u64))),
        }
        if stop.load(std::sync::atomic::Ordering::Relaxed) { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    };
    let sent = link::send_xmodem(console.wire(), &transfer, &mut shown);
    progress.clear();
    sent.map_err(stopped)
}

fn stopped(error: TransferError) -> Stop {
    match &error {
        TransferError::NotAsked { .. } => Stop::new(Code::NoAnswer, error.to_string())
            .hint("A loader asks after a reset. If none does, it is not there, or the port, its speed or its wires are wrong.")
            .hint("What is on the board shows through the programming header: farrier inspect"),
        TransferError::Stopped { taken: 0 } => Stop::from(JobError::Interrupted).hint("Nothing was changed."),
        TransferError::Stopped { .. } => Stop::new(Code::Interrupted, error.to_string()).hint(AGAIN),
        TransferError::Refused { .. } | TransferError::NoAnswer { .. } | TransferError::Wire(_) => {
            Stop::new(Code::NoAnswer, error.to_string()).hint(AGAIN)
        }
    }
}

const AGAIN: &str = "The application on the board is not whole. The loader is still there and waits: the same command sends it again.";
