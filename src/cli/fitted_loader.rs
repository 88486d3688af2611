//! `write --way fitted-loader`: an application goes to a board through the loader that it has, over its own serial port.

use super::console::{Console, Since, Watch, Watched};
use super::context::{Context, Given};
use super::loader_job::{Entered, LoaderJob};
use super::progress::Progress;
use super::stop::{Code, Stop};
use super::typed::{command_without, quoted};
use super::{board_view, change_view, consent, interrupt, last_run, output, safety};
use crate::board::{Board, Chip};
use crate::finding::{Finding, Severity};
use crate::image::Span;
use crate::job::{JobError, go_on};
use crate::link::{self, BLOCK, Transfer, TransferError};
use crate::plan::{NamedImage, loader_plan, through_loader};
use crate::record::{Job, JobRecord, Journal, RecordError};
use serde_json::json;
use std::fmt;
use std::ops::ControlFlow;
use std::process::ExitCode;
use std::time::Duration;

/// How long the loader may be silent after a reset by the port, and where somebody resets the board by hand.
const ASKED_SOON: Duration = Duration::from_secs(10);
const ASKED_BY_HAND: Duration = Duration::from_secs(60);

/// How much longer a transfer takes than its bytes, with what surrounds them and the answers: estimated.
const ANSWERS: f64 = 1.2;

/// What no such result says it has checked.
const NOT_CHECKED: &str = "what the flash holds now (`verify` through the programming header does); what the outputs do";

/// What goes where.
struct Sending<'a> {
    board: &'a Board,
    application: &'a NamedImage,
    /// From the first byte that the loader takes on.
    span: Span,
    bytes: Vec<u8>,
    fill: u8,
    baud: u32,
}

/// Sends an application, and listens afterwards where that is wanted.
///
/// # Errors
/// What is known beforehand to be wrong; a consent that is missing; no loader that asks, or one that ends the transfer; the port's own.
pub fn write(context: &Context, application: &NamedImage) -> Result<ExitCode, Stop> {
    if context.global.rehearse || context.global.on.is_some() {
        return Err(Stop::usage("through a fitted loader nothing is read, so it can be neither rehearsed nor planned on a snapshot"));
    }
    let ((board, chip), from) = board(context, application)?;
    let findings = through_loader(application, &board, &chip);
    let refused: Vec<Finding> = findings.iter().filter(|finding| finding.severity() == Severity::Refuse).cloned().collect();
    if !context.global.json {
        board_view::introduce(&board, &chip, from);
    }
    if !refused.is_empty() {
        return Err(Stop::refused(refused));
    }
    let sending = Sending::of(application, &board, &chip)?;
    let watch = Watch::asked_for(context, &board)?;
    let port = if context.global.dry_run { None } else { Some(context.own_port()?) };
    let journal = context.journal()?;
    if !context.global.json {
        output::gap();
        safety::print(&board, safety::is_first_write(&journal, &board)?);
        for job in cut_off(context, &journal, &board)? {
            let what = format!("job {} on such a board, `{}`.", job.id, job.command);
            output::say(format!("Cut off: {what} If it was this one, go on with it first, through the programming header."));
            output::gap();
        }
        output::say(sending.to_string());
        findings.iter().for_each(output::finding);
        output::gap();
    }
    last_run::keep(context, &findings);
    let Some(port) = port else {
        sending.tell_dry_run(context, &findings);
        return Ok(ExitCode::SUCCESS);
    };
    // Opening it may reset the board, so the cautions stand above; and nobody is asked about a port that does not open.
    let mut console = Console::open(context, &port, sending.baud)?;
    let accepted = consent::gather(context, &findings, &[])?;
    consent::confirm(context, &format!("This changes {} through {port}.", board.name))?;
    let plan = loader_plan(application, sending.span, sending.takes(), &chip);
    let entered = Entered { board: &board, application, port: port.to_string(), plan: &plan, findings: &findings, accepted };
    let mut job = LoaderJob::enter(context, journal, entered)?;
    let heard = sending.send(&mut console, &mut job)?;
    let watched = watch.map(|watch| console.watch(watch, Since::Loaded, &heard)).transpose()?;
    sending.tell_done(context, &job, watched.as_ref());
    Ok(Watched::code(watched.as_ref()))
}

/// The jobs on such boards that were cut off half done.
fn cut_off(context: &Context, journal: &Journal, board: &Board) -> Result<Vec<Job>, Stop> {
    let unfinished = journal.unfinished(&context.held_by_others(journal, "")?)?;
    let half_done = |record: &JobRecord| record.job.baseline.is_some() && record.job.board == board.name && !record.changed_nothing();
    Ok(unfinished.into_iter().filter(half_done).map(|record| record.job).collect())
}

/// The board, which no serial port can say.
fn board(context: &Context, application: &NamedImage) -> Result<Given, Stop> {
    let given = context.given_board()?;
    let given =
        given.ok_or_else(|| Stop::usage("which board it is is not known").hint("Give --board NAME; `farrier boards` lists them."))?;
    let ((board, _), _) = &given;
    match board.reservation {
        Some(_) => Ok(given),
        None => {
            let what = format!("the board file of {} reserves no flash for a loader, so there is none to send to", board.name);
            let header = format!("farrier write {} --board {} --via WHERE", quoted(&application.name), board.name);
            Err(Stop::usage(what).hint("The programming header needs no loader; WHERE is a bridge there:").command(header))
        }
    }
}

impl<'a> Sending<'a> {
    fn of(application: &'a NamedImage, board: &'a Board, chip: &Chip) -> Result<Sending<'a>, Stop> {
        let of_loader = board.reservation.as_ref().and_then(|reservation| reservation.line.baud);
        let Some(baud) = of_loader.or(board.console.as_ref().map(|console| console.baud)) else {
            let what = format!("the board file of {} has no [console], so the speed of its serial port is not known", board.name);
            return Err(Stop::usage(what).hint(format!("Give it one; `farrier boards show {}` shows what there is.", board.name)));
        };
        let extent = application.image.extent().ok_or_else(|| Stop::usage("the image is empty"))?;
        let start = board.application(chip).start();
        let span = Span::new(start, extent.end());
        let span = span.ok_or_else(|| Stop::usage(format!("{} has no bytes from {start} on", application.name)))?;
        let fill = chip.flash.blank;
        Ok(Sending { board, application, span, bytes: application.image.filled(span, fill), fill, baud })
    }

    /// How long it takes, estimated.
    fn takes(&self) -> Duration {
        Duration::from_secs_f64(self.bytes.len() as f64 * 10.0 / f64::from(self.baud) * ANSWERS)
    }

    /// Sends, and writes down how that went; what the board said after that.
    fn send(&self, console: &mut Console, job: &mut LoaderJob) -> Result<Vec<u8>, Stop> {
        let sent = self.transfer(console, job);
        match &sent {
            Ok(_) => job.finish(&proof())?,
            Err(stop) => job.stopped(stop.message())?,
        }
        sent
    }

    /// Resets the board, or has it reset, and sends.
    fn transfer(&self, console: &mut Console, job: &mut LoaderJob) -> Result<Vec<u8>, Stop> {
        // While somebody thought, the loader may have asked, and given up.
        console.pass_over()?;
        let by_itself = console.reset(self.board.console.as_ref().and_then(|console| console.reset_line))?;
        if !by_itself {
            output::remark("Reset the board now: press its reset button, or switch it off and on.");
        }
        let asked_within = if by_itself { ASKED_SOON } else { ASKED_BY_HAND };
        let transfer = Transfer { bytes: &self.bytes, fill: self.fill, asked_within };
        let progress = Progress::new();
        let stop = interrupt::flag()?;
        let all = output::bytes(self.bytes.len() as u64);
        let mut not_written: Option<RecordError> = None;
        let mut shown = |at: link::Progress| {
            go_on(stop)?;
            match at {
                link::Progress::Waiting(waited) => progress.say(format!("waiting for the loader to ask  {} s", waited.as_secs())),
                link::Progress::Taken(taken) => {
                    if let Err(why) = job.begin() {
                        not_written = Some(why);
                        return ControlFlow::Break(());
                    }
                    progress.say(format!("sending  {} of {all}", output::bytes(taken as u64)));
                }
            }
            ControlFlow::Continue(())
        };
        let sent = link::send_xmodem(console.wire(), &transfer, &mut shown);
        progress.clear();
        match not_written {
            Some(why) => Err(Stop::from(JobError::from(why))),
            None => sent.map_err(stopped),
        }
    }

    fn tell_dry_run(&self, context: &Context, findings: &[Finding]) {
        match context.global.json {
            true => output::json(&json!({
                "result": "planned", "board": self.board.name, "chip": self.board.chip, "bytes": self.bytes.len(), "findings": findings,
            })),
            false => {
                let port = context.own_port().map_or(" --via PORT", |_| "");
                change_view::tell_dry_run(&format!("{}{port}", command_without("--dry-run")));
            }
        }
    }

    fn tell_done(&self, context: &Context, job: &LoaderJob, watched: Option<&Watched>) {
        if context.global.json {
            return output::json(&json!({
                "result": "done", "job": job.id, "board": self.board.name, "chip": self.board.chip, "bytes": self.bytes.len(),
                "not_checked": NOT_CHECKED, "watched": watched.map(Watched::as_json),
            }));
        }
        output::say("Done. The loader has taken the application and starts it.");
        output::say_under("Proved       ", proof());
        output::say_under("Not checked  ", NOT_CHECKED);
        if let Some(watched) = watched {
            watched.tell();
        }
        output::say_under("Job          ", format!("{}, without a snapshot: a loader reads nothing out", job.id));
        output::next(format!("farrier verify {} --board {} --via WHERE", quoted(&self.application.name), self.board.name));
    }
}

impl fmt::Display for Sending<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Sending { application, bytes, baud, .. } = self;
        let (size, takes) = (output::bytes(bytes.len() as u64), output::seconds(self.takes()));
        write!(f, "{} goes to the board's loader at {baud} baud: {size}, about {takes}.", application.name)
    }
}

/// What such a result says it has proved.
fn proof() -> String {
    format!("every block of {BLOCK} bytes arrived with the right CRC")
}

fn stopped(error: TransferError) -> Stop {
    match &error {
        TransferError::NotAsked { .. } => Stop::new(Code::NoAnswer, error.to_string())
            .hint("A loader asks after a reset. If none does, it is not there, or the port, its speed or its wires are wrong.")
            .hint("What is on the board shows through the programming header: farrier inspect"),
        TransferError::Stopped { taken: 0 } => Stop::new(Code::Interrupted, "stopped as asked; nothing was sent and nothing was changed"),
        TransferError::Stopped { .. } => Stop::new(Code::Interrupted, error.to_string()).hint(AGAIN),
        TransferError::Refused { .. } | TransferError::NoAnswer { .. } | TransferError::Wire(_) => {
            Stop::new(Code::NoAnswer, error.to_string()).hint(AGAIN)
        }
    }
}

const AGAIN: &str = "The application on the board is not whole. The loader is still there and waits: the same command sends it again.";
