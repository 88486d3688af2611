//! `--resume`: whose unfinished job it is, where only the user can tell.

use super::change::Scene;
use super::stop::{Code, Stop};
use super::typed::{command_again, command_answering, quoted};
use crate::job::BaselineError;
use crate::plan::{Candidate, Resume};
use crate::record::SnapshotName;

/// What `--resume` says.
///
/// # Errors
/// It is neither a job's number nor `none`.
pub fn answer(answer: Option<&str>) -> Result<Resume, Stop> {
    match answer {
        None => Ok(Resume::Unasked),
        Some("none") => Ok(Resume::None),
        Some(number) => {
            number.parse().map(Resume::Job).map_err(|_| Stop::usage(format!("--resume takes a job's number or none, not '{number}'")))
        }
    }
}

/// Why there is no baseline, and what answers it: a command for each board that it may be.
pub fn no_baseline(error: BaselineError, answer: Resume, scene: &Scene) -> Stop {
    match error {
        BaselineError::Ask(candidates) => whose_board(&candidates, answer),
        BaselineError::Lost { job, .. } => Stop::usage(error.to_string()).hint(format!("To give that job up: farrier journal close {job}")),
        BaselineError::OfAnotherPart { job, ref board, ref taken, .. } => Stop::new(Code::Refused, error.to_string())
            .hint(format!("Nothing was changed now. Read what is printed on the chip. Job {job} is undone with the board that it had:"))
            .command(format!("farrier undo --board {board} --via {} --resume {job}", scene.via))
            .hint(format!("After that, if the chip is an {taken}:"))
            .command(command_again(&[])),
        BaselineError::Forgotten(ref snapshot) => forgotten(error.to_string(), snapshot, scene),
        BaselineError::Answer(why) => Stop::usage(why.to_string()),
        BaselineError::Record(why) => Stop::from(why),
    }
}

/// The journal was lost while snapshots are there.
fn forgotten(what: String, snapshot: &SnapshotName, scene: &Scene) -> Stop {
    let back = format!("farrier restore {snapshot} --board {} --via {} --resume none", quoted(&scene.board.name), quoted(scene.via));
    Stop::new(Code::Refused, what)
        .hint("If that job was cut off, this board is half changed. Nothing was changed now. To look, and to go back:")
        .command(format!("farrier snapshot show {snapshot}"))
        .command(back)
        .hint("If this is another board, or the journal was removed on purpose:")
        .command(command_answering("none"))
}

/// It is not clear which board this is: the jobs that may have been begun on it, and a command for each answer.
fn whose_board(candidates: &[Candidate], answer: Resume) -> Stop {
    let stop = Stop::new(Code::Refused, "an unfinished job may have been begun on this board; nothing was changed");
    let stop = candidates.iter().fold(stop, |stop, candidate| stop.hint(candidate.reason.clone()));
    let going_on = |stop: Stop| candidates.iter().fold(stop, |stop, candidate| stop.command(command_answering(&candidate.job.to_string())));
    if answer != Resume::None {
        let stop = stop.hint("If this is that job's board, run the command with its number; if it is another board, the last:");
        return going_on(stop).command(command_answering("none"));
    }
    let job = candidates.first().map_or(0, |candidate| candidate.job);
    let both = "That job was itself begun with `--resume none`, so this answer says nothing of it. To go on from it, run this; to give up";
    going_on(stop.hint(format!("{both} what its board held before, close it (`farrier journal close {job}`) and begin again:")))
}
