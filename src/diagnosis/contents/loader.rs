//! The loader: whether it is the board's own, and whole.

use super::super::cause::{Cause, CauseKind};
use super::super::loader::Fitted;
use super::super::rung::{Rung, Verdict};
use super::Contents;
use super::pages::{are, places};
use crate::image::{ByteAddress, Span, start_at};

pub(super) const QUESTION: &str = "Is the loader intact?";

impl Contents<'_, '_> {
    pub(super) fn loader(&mut self) {
        let board = self.case.board;
        let Some(reserved) = board.reservation.as_ref().map(|reservation| reservation.span) else {
            let seen = "The board file reserves no flash for one.";
            return self.told.rung(Rung::new("loader", QUESTION, Verdict::Unknown, seen));
        };
        let leads_there = self.starts_loader;
        let (verdict, seen) = match &self.fitted {
            Fitted::BuiltIn(name) => (Verdict::Fine, format!("Yes: {name}, every byte as built in.")),
            Fitted::Nothing if leads_there => (Verdict::Wrong, format!("No: {reserved} is blank.")),
            Fitted::Nothing => (Verdict::Fine, "There is none, and reset does not start one.".to_owned()),
            Fitted::InPart(name, pages) => (Verdict::Wrong, format!("No: it is {name} in part; blank or torn: {}.", places(pages))),
            Fitted::Altered(name, pages) => (Verdict::Wrong, format!("No: it is {name}, but something else is in {}.", places(pages))),
            Fitted::Other if leads_there => (Verdict::Unknown, format!("What is in {reserved} is not this board's built-in loader.")),
            Fitted::Other => (Verdict::Unknown, format!("Reset does not start what is in {reserved}.")),
            Fitted::Unknown => (Verdict::Unknown, "It was not read.".to_owned()),
        };
        self.told.rung(Rung::new("loader", QUESTION, verdict, seen).rules_out("a damaged or missing loader"));
        if let Some(cause) = self.loader_cause(reserved).filter(|_| !self.told.has(CauseKind::ChipErased)) {
            self.told.cause(cause);
        }
    }

    fn loader_cause(&mut self, reserved: Span) -> Option<Cause> {
        let chip = self.case.chip;
        let (held, at) = (&self.observed.flash.bytes, reserved.start());
        let border = Span::new(ByteAddress(at.0.saturating_sub(chip.flash.page)), ByteAddress(at.0 + chip.flash.page));
        let runs_on = border.is_some_and(|border| border.pages(chip.flash.page).all(|page| !self.blank(held, page, chip.flash.blank)));
        let overwritten =
            |what: &str| Cause::new(CauseKind::LoaderOverwritten, format!("The loader was overwritten: reset leads to {at}, and {what}."));
        if !self.starts_loader {
            self.made.before_loader = Some(held.crop(self.case.board.application(chip)));
        }
        let cause = match &self.fitted {
            Fitted::Nothing if self.starts_loader => {
                let sentence = format!("Reset leads to {at}, where the loader belongs, and the flash there is blank: nothing starts.");
                Cause::new(CauseKind::LoaderMissing, sentence)
            }
            Fitted::InPart(name, pages) => {
                Cause::new(CauseKind::LoaderHalfWritten, format!("Writing the loader {name} broke off: {} blank or torn.", are(pages)))
            }
            Fitted::Altered(..) | Fitted::Other if self.starts_loader && runs_on => {
                self.made.application_runs_on = true;
                overwritten("an application runs on into its flash")
            }
            Fitted::Altered(_, pages) => overwritten(&format!("something else is in {}", places(pages))),
            Fitted::Other if self.starts_loader && !start_at(held, at, chip.core()).starts() => {
                overwritten("what is there is nothing that starts")
            }
            Fitted::Other if self.starts_loader => {
                let sentence = format!("What reset starts at {at} is not this board's built-in loader, and nothing here tells what it is.");
                Cause::new(CauseKind::LoaderUnknown, sentence).could_be(&[
                    "Somebody's own loader: then nothing is wrong with it.",
                    "Something that was written over the loader: `farrier loader install` puts the board's own there.",
                ])
            }
            _ => return None,
        };
        Some(cause)
    }
}
