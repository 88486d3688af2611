//! Where reset leads, and whether that is where the loader is.

use super::super::cause::{Cause, CauseKind};
use super::super::loader::Fitted;
use super::super::rung::{Rung, verdict};
use super::Contents;
use crate::board::Role;
use crate::image::{ByteAddress, Span, start_at};

pub(super) const QUESTION: &str = "Where does reset go, and is there code?";

impl Contents<'_, '_> {
    pub(super) fn start(&mut self) {
        let chip = self.case.chip;
        let section = chip.started_section(self.configuration);
        let at = section.map_or(ByteAddress(0), Span::start);
        let start = start_at(&self.observed.flash.bytes, at, chip.core());
        let place = match section {
            Some(section) => format!("the boot section {section}"),
            None => "the application".to_owned(),
        };
        let rung = Rung::new("start", QUESTION, verdict(start.starts()), format!("Reset leads to {at}, {place}; {start}."));
        self.told.rung(rung.rules_out("a start into blank flash"));
        let Some(reserved) = self.case.board.reservation.as_ref().map(|reservation| reservation.span) else { return };
        let intact = matches!(self.fitted, Fitted::BuiltIn(_));
        match section {
            None if intact => {
                let sentence =
                    format!("The loader is there, every byte of it, but reset starts the application at {at}: the loader never runs.");
                self.told.cause(Cause::new(CauseKind::LoaderBypassed, sentence));
                self.want(|field| field.role == Some(Role::ResetStart) || field.role == Some(Role::BootSection));
            }
            Some(section) if section.start() != reserved.start() && intact => {
                let sentence = format!(
                    "Reset leads to {at} and the loader begins at {}: the boot section is set to {} bytes instead of {}.",
                    reserved.start(),
                    section.len(),
                    reserved.len()
                );
                self.told.cause(Cause::new(CauseKind::ResetBesideLoader, sentence));
                self.want(|field| field.role == Some(Role::BootSection));
            }
            _ => {}
        }
    }
}
