//! Pure: from what was seen of a board that does not answer or does not start to rungs told, causes, and what mends it.
//!
//! ```text
//! seen + board + chip + known images  ->  rungs, causes      cheapest look first; what each rules out
//! causes + known images               ->  remedy             an intent for the planner, or an honest sentence
//! ```

mod cause;
mod contact;
mod contents;
mod explanation;
mod fit;
mod loader;
mod remedy;
mod rung;
mod seen;
mod snapshot;

pub use cause::{Cause, CauseKind};
pub use explanation::{Explanation, explain, held_image};
pub use fit::{Fit, fit};
pub use loader::{Fitted, own_loader};
pub use remedy::Remedy;
pub use rung::{Rung, Verdict};
pub use seen::{Answer, From, Known, Seen};
pub use snapshot::{Kept, Recognised};

use crate::board::{Board, Chip};
use crate::finding::{Finding, Kind};

/// What a diagnosis rests on.
#[derive(Clone, Copy, Debug)]
pub struct Case<'a> {
    pub seen: &'a Seen,
    pub board: &'a Board,
    pub chip: &'a Chip,
    /// Images that the flash is compared with.
    pub known: &'a [Known],
    /// Snapshots of boards of this kind, newest first.
    pub snapshots: &'a [Kept],
    /// The snapshot that the board should come back to, where the command line says so.
    pub back_to: Option<&'a Kept>,
    /// The board's tag, given or known by its content.
    pub tag: Option<&'a str>,
    /// The jobs that left what the board holds.
    pub recognised: Option<&'a Recognised>,
    /// The job on this board that was cut off.
    pub unfinished: Option<&'a Unfinished>,
}

/// A job that was cut off, and that fits what is on the board.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unfinished {
    pub job: i64,
    /// As it was typed.
    pub command: String,
    /// Its end is what --to says too, so that nothing of it is left then.
    pub ends_as_wanted: bool,
}

/// What is wrong, from what was seen, and what mends it.
#[derive(Clone, Debug)]
pub struct Diagnosis {
    /// The rungs in their order, as far as the ladder could be climbed.
    pub rungs: Vec<Rung>,
    /// What is wrong, the one that explains most first; empty where nothing is.
    pub causes: Vec<Cause>,
    pub remedy: Remedy,
}

impl Diagnosis {
    /// The diagnosis in one sentence.
    pub fn sentence(&self) -> &str {
        match self.causes.first() {
            Some(cause) => &cause.sentence,
            None => "Nothing is wrong that can be seen from here.",
        }
    }

    /// The lead cause.
    pub fn lead(&self) -> Option<CauseKind> {
        self.causes.first().map(|cause| cause.kind)
    }
}

/// The diagnosis where no bridge answers, for this reason.
pub fn no_bridge(reason: &str) -> Diagnosis {
    let mut told = Told::default();
    told.rung(Rung::new("bridge", contact::BRIDGE, Verdict::Wrong, reason));
    told.cause(Cause::new(CauseKind::BridgeSilent, "No bridge answers, so the board was not looked at."));
    told.ends_here()
}

/// The diagnosis where a bridge is there, and these findings keep it from driving any line of the board.
pub fn not_driven(findings: &[Finding]) -> Diagnosis {
    let mut told = Told::default();
    told.rung(Rung::new("bridge", contact::BRIDGE, Verdict::Fine, "Yes.").rules_out(contact::BRIDGE_RULES_OUT));
    for finding in findings {
        let sentence = finding.sentence.clone();
        match finding.kind {
            Kind::SupplyOutOfRange => {
                told.rung(Rung::new("supply", contact::SUPPLY, Verdict::Wrong, sentence.clone()));
                told.cause(Cause::new(CauseKind::SupplyOutOfRange, sentence));
            }
            // A supply that is wrong explains levels that are.
            _ if told.has(CauseKind::SupplyOutOfRange) => {
                let seen = "Not driven: at this supply the levels of bridge and board differ.";
                told.rung(Rung::new("lines", contact::LINES, Verdict::Unknown, seen));
            }
            _ => {
                told.rung(Rung::new("lines", contact::LINES, Verdict::Wrong, format!("Not driven. {sentence}")));
                told.cause(Cause::new(CauseKind::LevelsDiffer, sentence));
            }
        }
    }
    told.ends_here()
}

/// Rungs and causes in the making.
#[derive(Debug, Default)]
struct Told {
    rungs: Vec<Rung>,
    causes: Vec<Cause>,
}

impl Told {
    fn rung(&mut self, rung: Rung) {
        self.rungs.push(rung);
    }

    fn cause(&mut self, cause: Cause) {
        self.causes.push(cause);
    }

    /// Nothing but a hand can do anything.
    fn ends_here(mut self) -> Diagnosis {
        self.causes.sort_by_key(|cause| cause.kind);
        let left = remedy::by_hand(&self.causes).into_iter().map(str::to_owned).collect();
        Diagnosis { rungs: self.rungs, causes: self.causes, remedy: Remedy { left, ..Remedy::default() } }
    }

    fn has(&self, kind: CauseKind) -> bool {
        self.causes.iter().any(|cause| cause.kind == kind)
    }
}

/// Climbs the ladder as far as what was seen goes.
pub fn diagnose(case: &Case) -> Diagnosis {
    let mut told = Told::default();
    let read = contact::climb(case, &mut told);
    let made = read.map(|observed| contents::climb(case, observed, &mut told)).unwrap_or_default();
    told.causes.sort_by_key(|cause| cause.kind);
    let remedy = remedy::of(case, &told.causes, &made);
    Diagnosis { rungs: told.rungs, causes: told.causes, remedy }
}
