//! The rungs of what a chip says of itself: lock, configuration, start, flash, loader, settings.

mod application;
mod begins;
mod clock_and_supply;
mod configuration;
mod loader;
mod pages;
mod settings;
mod start;

pub(super) use application::of_application;

use super::cause::{Cause, CauseKind};
use super::loader::{Fitted, known_loaders, own_loader};
use super::rung::{Rung, Verdict, verdict};
use super::seen::{From, Known};
use super::snapshot::{self, Kept};
use super::{Case, Told};
use crate::image::{Image, Span};
use crate::plan::{NamedImage, Observed};
use begins::Lead;

/// What was made of the contents, for the remedy.
#[derive(Clone, Debug, Default)]
pub(super) struct Made<'a> {
    /// The known image that the application is, or once was.
    pub application: Option<&'a Known>,
    /// Fields of the configuration that are wrong, and what the board file has for them, or else the board's own snapshot.
    pub fields: Vec<(String, String)>,
    /// Fields that are wrong and that neither says anything of.
    pub unknown_fields: Vec<String>,
    /// The value of the boot section's field that leads reset to the loader, where only the flash says so.
    pub by_flash: Option<(String, String)>,
    /// The loader to put back where it is wrong: the board's built-in one, or one that is known from journal or snapshot.
    pub loader: Option<NamedImage>,
    /// Every byte of it is there.
    pub loader_is_whole: bool,
    /// The newest sound snapshot of this board.
    pub snapshot: Option<&'a Kept>,
    /// The newest snapshot of this board that holds settings.
    pub settings: Option<&'a Kept>,
    /// Its configuration or lock is another than the board's.
    pub other_configuration: bool,
    /// A snapshot that may be this board's.
    pub perhaps: Option<&'a Kept>,
    /// What lies before the loader's flash, where reset does not start what is in that.
    pub before_loader: Option<Image>,
    /// The application does not end where the loader begins.
    pub application_runs_on: bool,
}

/// A board whose chip could be read.
struct Contents<'a, 't> {
    case: &'t Case<'a>,
    observed: &'t Observed,
    configuration: &'t [u8],
    fitted: Fitted,
    /// Reset leads to a boot section.
    starts_loader: bool,
    /// Where something begins in the boot sections, where reset leads to one.
    lead: Option<Lead>,
    /// Something that no image explains begins where the board file has the loader begin, and reset starts the application.
    bypassed: bool,
    told: &'t mut Told,
    made: Made<'a>,
}

/// Whether something would be wrong with a board that holds this. What nobody can judge, and the settings, do not count: an application
/// that is nearly a known one may be an older one.
pub(super) fn is_ill(case: &Case, held: &Observed) -> bool {
    let known: Vec<Known> = case.known.iter().filter(|known| known.from != From::Wanted).cloned().collect();
    let alone = Case { known: &known, snapshots: &[], back_to: None, recognised: None, unfinished: None, ..*case };
    let mut told = Told::default();
    climb(&alone, held, &mut told);
    let open = [CauseKind::SettingsBlank, CauseKind::LoaderUnknown, CauseKind::ApplicationAltered, CauseKind::WatchdogAlwaysOn];
    let may_be_meant = |kind: CauseKind| open.contains(&kind) || (case.board.generic && kind == CauseKind::ClockSlow);
    told.causes.iter().any(|cause| !may_be_meant(cause.kind))
}

/// Climbs them.
pub(super) fn climb<'a>(case: &Case<'a>, observed: &Observed, told: &mut Told) -> Made<'a> {
    let Some(configuration) = observed.configuration.as_deref() else { return Made::default() };
    let own = own_loader(case.board, case.chip);
    let others = known_loaders(case, own.as_ref());
    let (fitted, known) = Fitted::among(observed, case.board, case.chip, own.as_ref(), &others);
    let starts_loader = case.chip.starts_loader(configuration);
    let section = case.chip.started_section(configuration).filter(|section| observed.flash.bytes.covers(*section));
    let reserved = case.board.reservation.as_ref().map(|reservation| reservation.span.start());
    let bypassed = reserved.filter(|_| !starts_loader).and_then(|at| begins::beginning(&observed.flash.bytes, case.chip, at, &others));
    let lead = section.map(|section| begins::lead(&observed.flash.bytes, case.chip, section.start(), reserved, &others));
    let newest = snapshot::newest(case, observed);
    let snapshot = newest.as_ref().map(|(kept, _)| *kept);
    let other_configuration =
        snapshot.is_some_and(|kept| (&kept.held.configuration, kept.held.lock) != (&observed.configuration, observed.lock));
    let perhaps = snapshot::perhaps(case, observed).filter(|_| snapshot.is_none());
    let settings = snapshot::newest_settings(case, observed);
    let loader = known.cloned().or(own).or_else(|| snapshot.and_then(|kept| kept.loader(case, None)));
    let bypassed = bypassed.is_some() && fitted == Fitted::Other && observed.flash.unreadable.is_none();
    let loader_is_whole = matches!(fitted, Fitted::BuiltIn(_) | Fitted::Known(_));
    let made = Made { snapshot, settings, other_configuration, perhaps, loader, loader_is_whole, ..Made::default() };
    let mut contents = Contents { case, observed, configuration, fitted, starts_loader, lead, bypassed, told, made };
    contents.known();
    contents.unfinished();
    contents.lock();
    let blank = contents.all_blank();
    contents.clock_and_supply();
    contents.configuration();
    contents.watchdog();
    match &observed.flash.unreadable {
        Some(why) => contents.unreadable(why),
        None => {
            contents.start();
            contents.application(blank);
            contents.loader();
            contents.wanted();
            snapshot::climb(case, observed, newest.as_ref(), contents.told);
            contents.settings(blank);
        }
    }
    contents.made
}

impl Contents<'_, '_> {
    fn blank(&self, image: &Image, span: Span, blank: u8) -> bool {
        image.covers(span) && image.within(span).all(|(_, run)| run.iter().all(|byte| *byte == blank))
    }

    /// The flash that the board reserves for a loader.
    fn reserved(&self) -> Option<Span> {
        self.case.board.reservation.as_ref().map(|reservation| reservation.span)
    }

    fn known(&mut self) {
        let Some(known) = self.case.recognised else { return };
        let rung = Rung::new("board", "Is this board known?", Verdict::Fine, format!("Yes: it {}.", known.words));
        self.told.rung(rung);
    }

    fn unfinished(&mut self) {
        let Some(job) = self.case.unfinished else { return };
        let seen = format!("Yes: job {}, `{}`.", job.job, job.command);
        self.told.rung(Rung::new("journal", "Was a job on this board cut off?", Verdict::Wrong, seen));
        let sentence = format!("Job {} on this board was cut off, and what it had begun is half done.", job.job);
        self.told.cause(Cause::new(CauseKind::JobUnfinished, sentence));
    }

    fn lock(&mut self) {
        const QUESTION: &str = "Can the chip be read?";
        let chip = self.case.chip;
        let Some(lock) = self.observed.lock else { return };
        let forbids = chip.forbids(lock);
        let seen = match (forbids.reading, forbids.writing) {
            (true, _) => format!("No: the lock byte 0x{lock:02X} forbids it."),
            (false, true) => format!("Yes; the lock byte 0x{lock:02X} forbids writing, which an erase of the chip lifts."),
            (false, false) => format!("Yes: the lock byte is 0x{lock:02X}."),
        };
        self.told.rung(Rung::new("lock", QUESTION, verdict(!forbids.reading), seen).rules_out("lock bits against reading"));
        if forbids.reading {
            let sentence = "The chip is locked against reading: what is on it cannot be looked at, compared or kept, and only an erase of \
                            everything lifts that.";
            self.told.cause(Cause::new(CauseKind::Locked, sentence));
        }
    }

    /// Nothing in flash and EEPROM: a new chip, or one that was erased.
    fn all_blank(&mut self) -> bool {
        let chip = self.case.chip;
        let (flash, eeprom) = (chip.flash_span(), Span::first(chip.eeprom.bytes));
        let blank = self.blank(&self.observed.flash.bytes, flash, chip.flash.blank)
            && self.blank(&self.observed.eeprom.bytes, eeprom, chip.eeprom.blank);
        if !blank {
            return false;
        }
        let cause = match (self.made.snapshot.or(self.made.settings), self.configuration == chip.factory_configuration()) {
            (Some(kept), true) => {
                let how = match self.case.recognised {
                    Some(known) if known.settings => format!("Flash and EEPROM are blank, and the board {}", known.words),
                    _ => "The whole chip was erased: flash and EEPROM are blank".to_owned(),
                };
                let sentence = format!("{how}; in {}, which is this board's, they are not.", kept.name);
                Cause::new(CauseKind::ChipErased, sentence)
            }
            (None, true) => {
                Cause::new(CauseKind::AsShipped, "The chip is as its maker ships it: nothing is on it, and nothing is wrong with it.")
            }
            (_, false) => Cause::new(
                CauseKind::ChipErased,
                "The whole chip was erased: flash and EEPROM are blank, and the configuration is that of a board in use.",
            ),
        };
        self.told.cause(cause);
        true
    }

    fn unreadable(&mut self, why: &str) {
        for (name, question) in
            [("start", start::QUESTION), ("flash", application::QUESTION), ("loader", loader::QUESTION), ("settings", settings::QUESTION)]
        {
            self.told.rung(Rung::new(name, question, Verdict::Unknown, format!("Not readable: {why}.")));
        }
    }
}
