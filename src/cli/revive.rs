//! `farrier revive`.

use super::change::{self, Aim, Change, Looked, Scene};
use super::context::Context;
use super::known::KnownJobs;
use super::revive_view as view;
use super::stop::{Code, Stop};
use super::typed::command_with;
use super::{ask, board_view, images, output};
use crate::board::Chip;
use crate::diagnosis::{Answer, Case, CauseKind, Diagnosis, From, Kept, Known, Recognised, Seen, Unfinished, diagnose};
use crate::image::ByteAddress;
use crate::job::{self, Bench};
use crate::plan::{Desired, Fingerprint, Observed, Origin};
use crate::record::{JobId, Journal};
use clap::Args;
use std::cell::Cell;
use std::process::ExitCode;

/// Find out what is wrong with a board that does not answer or does not start, and mend it.
///
/// Works from evidence, rung by rung, the cheapest and safest look first; each says what was seen and what that rules out. It ends with a
/// diagnosis and the plan that mends it, or with what else would. It reads first, and erases nothing without consent.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier revive --via sim:vent\n\
                        Example: farrier revive --to vent.hex --dry-run --via sim:vent")]
pub struct Revive {
    /// What should be on the board: an application, or a snapshot. Without it: the newest snapshot of this board, where there is one.
    #[arg(long, value_name = "IMAGE|SNAPSHOT")]
    pub to: Option<String>,
    /// Where a raw binary image goes.
    #[arg(long, value_name = "ADDRESS", value_parser = images::address, requires = "to")]
    pub at: Option<ByteAddress>,
    /// Stop after each rung.
    #[arg(long)]
    pub one_step: bool,
    /// With --one-step, where nobody can be asked: the rung to tell.
    #[arg(long, value_name = "N", requires = "one_step", default_value_t = 1, hide_default_value = true)]
    pub rung: usize,
}

/// What should be on the board.
enum Wanted {
    Nothing,
    Image(Known),
    Snapshot(Kept),
}

impl Revive {
    pub fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        let wanted = self.wanted(context)?;
        let mut connected = match context.connect() {
            Ok(connected) => connected,
            Err(stop) => return view::not_connected(context, stop),
        };
        let left = Cell::new(false);
        let look = |scene: &Scene, bench: &mut Bench, journal: &Journal| {
            let climber = Climber { context, scene, journal, wanted: &wanted, revive: &self };
            climber.climb(bench, &left)
        };
        let change = Change {
            intent: &|_, _| Err(Stop::usage("what is wanted shows at the board")),
            done: "The plan is carried out.",
            already: "Nothing needs to be written. Nothing was changed.",
            next: &|_, via| vec![board_view::look(via)],
        };
        let result = change::on_board(context, &change, &mut connected, &look);
        let saved = connected.close();
        let code = result?;
        saved?;
        match left.get() && code == ExitCode::SUCCESS && !context.global.dry_run {
            true => Ok(view::still_left(context)),
            false => Ok(code),
        }
    }

    fn wanted(&self, context: &Context) -> Result<Wanted, Stop> {
        let Some(to) = &self.to else { return Ok(Wanted::Nothing) };
        if let Ok(kept) = context.snapshots().load(to) {
            return Ok(Wanted::Snapshot(Kept::of(kept.name(), &kept.head.info.chip, kept.head.info.tag.as_deref(), kept.observed)));
        }
        let named = images::flash_only(to, self.at)?;
        Ok(Wanted::Image(Known { name: named.name, image: named.image, from: From::Wanted }))
    }
}

/// What the ladder is climbed with.
struct Climber<'a> {
    context: &'a Context,
    scene: &'a Scene<'a>,
    journal: &'a Journal,
    wanted: &'a Wanted,
    revive: &'a Revive,
}

impl Climber<'_> {
    fn climb(&self, bench: &mut Bench, left: &Cell<bool>) -> Result<Looked, Stop> {
        let seen = bench.look_closely();
        self.scene.progress.borrow().clear();
        let seen = seen.map_err(change::while_looking)?;
        let observed = match &seen.answer {
            Answer::Read(observed) => Some(observed.as_ref()).filter(|observed| observed.id == Some(self.scene.chip.id)),
            _ => None,
        };
        // Whose job was cut off may have to be asked; what was seen is told first.
        let (unfinished, open) = match observed.map(|observed| self.unfinished(observed)).transpose() {
            Ok(unfinished) => (unfinished.flatten(), None),
            Err(stop) => (None, Some(stop)),
        };
        let diagnosis = self.diagnose(&seen, observed, unfinished.as_ref())?;
        let as_json = self.context.global.json;
        if !as_json {
            self.scene.introduce();
            if self.revive.one_step && self.stops_between(&diagnosis, bench)? {
                return Ok(Looked::Over(ExitCode::SUCCESS));
            }
            view::tell(&diagnosis, !self.revive.one_step);
        }
        if let Some(stop) = open {
            return Err(stop);
        }
        let told = Some(view::as_json(&diagnosis));
        let aim = match (diagnosis.remedy.go_on, &diagnosis.remedy.intent) {
            (Some(job), _) => Aim::EndOf(JobId(job)),
            (None, Some(intent)) => match self.wanted {
                Wanted::Nothing => Aim::Inferred(Box::new(intent.clone())),
                Wanted::Image(_) | Wanted::Snapshot(_) => Aim::Intent(Box::new(intent.clone())),
            },
            (None, None) => return self.over(bench, &seen, &diagnosis),
        };
        match seen.answer {
            Answer::Read(observed) => {
                left.set(!diagnosis.remedy.left.is_empty());
                Ok(Looked::Wants { observed, aim, told, again: Vec::new() })
            }
            _ => self.over(bench, &seen, &diagnosis),
        }
    }

    /// No plan follows. A chip that was read is let go, and its board watched where that is wanted.
    fn over(&self, bench: &mut Bench, seen: &Seen, diagnosis: &Diagnosis) -> Result<Looked, Stop> {
        let watched = if let Answer::Read(_) = seen.answer { self.scene.let_go(bench)? } else { None };
        Ok(Looked::Over(view::no_plan(self.context, self.scene, (seen, diagnosis), watched.as_ref())))
    }

    fn diagnose(&self, seen: &Seen, observed: Option<&Observed>, unfinished: Option<&Unfinished>) -> Result<Diagnosis, Stop> {
        let (scene, chip) = (self.scene, self.scene.chip);
        let read = observed.is_some();
        let left = observed.map(|observed| KnownJobs::of(self.journal, observed, chip)).transpose()?.unwrap_or_default();
        let recognised = recognised(&left);
        let known = if read { self.known(chip)? } else { Vec::new() };
        let snapshots = if read { job::kept_snapshots(&self.context.snapshots(), &chip.part)? } else { Vec::new() };
        Ok(diagnose(&Case {
            seen,
            board: scene.board,
            chip,
            known: &known,
            snapshots: &snapshots,
            back_to: if let Wanted::Snapshot(kept) = self.wanted { Some(kept) } else { None },
            tag: self.context.global.tag.as_deref().or(left.tag.as_deref()),
            recognised: recognised.as_ref(),
            unfinished,
        }))
    }

    fn unfinished(&self, observed: &Observed) -> Result<Option<Unfinished>, Stop> {
        let Some(inherited) = self.scene.baseline(observed, self.journal)?.inherited else { return Ok(None) };
        let record = self.journal.job(inherited.job)?;
        let ends_as_wanted = self.is_wanted(record.plan.desired());
        Ok(Some(Unfinished { job: record.job.id.0, command: record.job.command, ends_as_wanted }))
    }

    /// Whether this is what --to says.
    fn is_wanted(&self, desired: &Desired) -> bool {
        match self.wanted {
            Wanted::Nothing => false,
            Wanted::Image(Known { name, image, .. }) => {
                let of_it = desired.origins.iter().any(|(_, _, origin)| *origin == Origin::Image(name.clone()));
                of_it && desired.flash.holds(image)
            }
            Wanted::Snapshot(kept) => {
                let wanted = Fingerprint::of_observed(&kept.held, self.scene.chip);
                wanted.is_some() && wanted == Fingerprint::of_desired(desired, self.scene.chip)
            }
        }
    }

    /// Every image that the flash can be compared with, the one that is wanted first.
    fn known(&self, chip: &Chip) -> Result<Vec<Known>, Stop> {
        let wanted = if let Wanted::Image(known) = self.wanted { Some(known.clone()) } else { None };
        let others = job::known_images(self.journal, &chip.part)?;
        Ok(wanted.into_iter().chain(others).collect())
    }

    /// Tells rung by rung. Whether the command ends here.
    fn stops_between(&self, diagnosis: &Diagnosis, bench: &mut Bench) -> Result<bool, Stop> {
        // While somebody reads, the board is not held in reset.
        bench.release()?;
        output::gap();
        if !ask::somebody_there() {
            let n = self.revive.rung.clamp(1, diagnosis.rungs.len());
            view::rung(n, &diagnosis.rungs[n - 1]);
            if n == diagnosis.rungs.len() {
                output::say("That was the last rung. Without --one-step and --rung the same command tells the diagnosis.");
            } else {
                output::next(command_with("--rung", &(n + 1).to_string()));
            }
            return Ok(true);
        }
        for (n, rung) in diagnosis.rungs.iter().enumerate() {
            view::rung(n + 1, rung);
            if ask::ask("Enter goes on, q stops here:")?.is_none_or(|answer| answer.eq_ignore_ascii_case("q")) {
                return Ok(true);
            }
        }
        Ok(false)
    }
}

/// What the jobs tell that left what the board holds.
fn recognised(left: &KnownJobs) -> Option<Recognised> {
    let snapshots = match left.jobs.as_slice() {
        [only] if left.settings => only.before.iter().chain(&only.baseline).map(|name| name.as_str().to_owned()).collect(),
        _ => Vec::new(),
    };
    Some(Recognised { words: left.words()?, settings: left.settings, tag: left.tag.clone(), snapshots })
}

/// The exit code of a diagnosis that no plan follows, without a look at the board's firmware.
pub(super) fn code(diagnosis: &Diagnosis) -> ExitCode {
    use CauseKind::*;
    match diagnosis.lead() {
        None | Some(AsShipped | LoaderUnknown) => ExitCode::SUCCESS,
        Some(BridgeSilent | NoSupply | LineHeld | DataLinesJoined | NoAnswer | GarbledAnswer) => ExitCode::from(Code::NoAnswer as u8),
        Some(SupplyOutOfRange | LevelsDiffer | AnotherChip) => ExitCode::from(Code::Refused as u8),
        Some(_) => ExitCode::from(Code::Differs as u8),
    }
}
