//! The loader: whether it is one that is known, and whole.

use super::super::cause::{Cause, CauseKind};
use super::super::loader::{Fitted, called};
use super::super::rung::{Rung, Verdict};
use super::Contents;
use super::begins::{self, Lead};
use super::pages::{are, places};
use crate::image::{ByteAddress, Span, start_at};

pub(super) const QUESTION: &str = "Is the loader intact?";

impl Contents<'_, '_> {
    pub(super) fn loader(&mut self) {
        let Some(reserved) = self.reserved() else {
            let seen = "The board file reserves no flash for one.";
            return self.told.rung(Rung::new("loader", QUESTION, Verdict::Unknown, seen));
        };
        let leads_there = self.starts_loader;
        let (verdict, seen) = match &self.fitted {
            Fitted::BuiltIn(name) => (Verdict::Fine, format!("Yes: {name}, every byte as built in.")),
            Fitted::Known(name) => (Verdict::Fine, format!("Yes: it is {}, every byte of it.", called(name))),
            Fitted::Nothing if leads_there => (Verdict::Wrong, format!("No: {reserved} is blank.")),
            Fitted::Nothing => (Verdict::Fine, "There is none, and reset does not start one.".to_owned()),
            Fitted::InPart(name, pages) => {
                (Verdict::Wrong, format!("No: it is {} in part; blank or torn: {}.", called(name), places(pages)))
            }
            Fitted::Altered(name, pages) => {
                (Verdict::Wrong, format!("No: it is {}, but something else is in {}.", called(name), places(pages)))
            }
            Fitted::Other if leads_there => {
                let begins = if self.is_somebodys_own(reserved) { " A program begins there, as it should." } else { "" };
                (Verdict::Unknown, format!("What is in {reserved} is {}.{begins}", self.not_known()))
            }
            Fitted::Other => (Verdict::Unknown, format!("Reset does not start what is in {reserved}.")),
            Fitted::Unknown => (Verdict::Unknown, "It was not read.".to_owned()),
        };
        self.told.rung(Rung::new("loader", QUESTION, verdict, seen).rules_out("a damaged or missing loader"));
        if let Some(cause) = self.loader_cause(reserved).filter(|_| !self.told.has(CauseKind::ChipErased)) {
            self.told.cause(cause);
        }
    }

    /// What something is that is no known loader, as the end of a sentence.
    fn not_known(&self) -> &'static str {
        match self.case.board.built_in_loader() {
            Some(_) => "not this board's built-in loader",
            None => "no loader that is known here: the board file names none",
        }
    }

    /// The board file names no loader, and a program begins where it has one begin and reset leads: as it should be, as far as it shows.
    fn is_somebodys_own(&self, reserved: Span) -> bool {
        let named = self.case.board.built_in_loader().is_some();
        !named && matches!(&self.lead, Some(Lead::There(here)) if here.at == reserved.start())
    }

    fn loader_cause(&mut self, reserved: Span) -> Option<Cause> {
        let chip = self.case.chip;
        let started = chip.started_section(self.configuration).map(Span::start);
        if started.is_none() {
            self.made.before_loader = Some(self.observed.flash.bytes.crop(self.case.board.application(chip)));
        }
        let cause = match &self.fitted {
            // Somebody's own may stand elsewhere.
            Fitted::Nothing if matches!(self.lead, Some(Lead::There(_) | Lead::Both(_))) => self.unknown(started?, reserved),
            Fitted::Nothing => {
                let at = started?;
                let there = if at == reserved.start() { ", where the loader belongs," } else { "" };
                let sentence = format!("Reset leads to {at}{there} and the flash of the loader is blank: nothing starts.");
                Cause::new(CauseKind::LoaderMissing, sentence)
            }
            Fitted::InPart(name, pages) => {
                Cause::new(CauseKind::LoaderHalfWritten, format!("Writing {} broke off: {} blank or torn.", called(name), are(pages)))
            }
            Fitted::Altered(_, pages) => {
                let what = format!("something else is in {}", places(pages));
                match started {
                    Some(at) => self.overwritten(at, reserved, &what),
                    None => Cause::new(CauseKind::LoaderOverwritten, format!("The loader was overwritten: {what}.")),
                }
            }
            Fitted::Other if self.told.has(CauseKind::ResetBesideLoader) || self.is_somebodys_own(reserved) => return None,
            Fitted::Other => self.unknown(started?, reserved),
            _ => return None,
        };
        Some(cause)
    }

    fn overwritten(&mut self, at: ByteAddress, reserved: Span, what: &str) -> Cause {
        let (held, chip, page) = (&self.observed.flash.bytes, self.case.chip, self.case.chip.flash.page);
        let border = Span::new(ByteAddress(reserved.start().0.saturating_sub(page)), ByteAddress(reserved.start().0 + page));
        let runs_on = border.is_some_and(|border| border.pages(page).all(|page| !self.blank(held, page, chip.flash.blank)))
            && !begins::has_table(held, chip, reserved.start());
        self.made.application_runs_on = runs_on;
        let what = if runs_on { "an application runs on into its flash" } else { what };
        Cause::new(CauseKind::LoaderOverwritten, format!("The loader was overwritten: reset leads to {at}, and {what}."))
    }

    /// What no image that is known explains, and reset does not lead beside it.
    fn unknown(&mut self, at: ByteAddress, reserved: Span) -> Cause {
        let start = start_at(&self.observed.flash.bytes, at, self.case.chip.core());
        let nowhere = self.lead == Some(Lead::Nowhere);
        if nowhere {
            let cause = self.overwritten(at, reserved, "what is there is nothing that starts");
            if self.made.application_runs_on || !start.starts() {
                return cause;
            }
        }
        let own = self.case.board.built_in_loader().is_some();
        let what = self.not_known();
        let sentence = match &self.lead {
            Some(Lead::Both(other)) => {
                format!("A program begins at {at}, where reset leads, and another at {}: nothing here tells which is the loader.", other.at)
            }
            _ if at != reserved.start() => {
                format!("What reset starts at {at} is {what}, and the board file has the loader begin at {}.", reserved.start())
            }
            _ => format!("What reset starts at {at} is {what}, and nothing here tells what it is."),
        };
        let beside = at != reserved.start();
        let theirs = match beside {
            true => "Somebody's own loader in a boot section of its own size: then the [reservation] of the board file wants correcting.",
            false => "Somebody's own loader: then nothing is wrong with it.",
        };
        let over = match own {
            true => "Something that was written over the loader: `farrier loader install` puts the board's own there.",
            false => "Something that was written over the loader: `farrier loader install --loader FILE` puts it there again.",
        };
        let size = beside.then_some("The loader begins where the board file has it, and the boot section is set to another size.");
        Cause::new(CauseKind::LoaderUnknown, sentence).could_be(&[Some(theirs), size, Some(over)].into_iter().flatten().collect::<Vec<_>>())
    }
}
