//! Where reset leads, and whether that is where the loader is.

use super::super::cause::{Cause, CauseKind};
use super::super::loader::called;
use super::super::rung::{Rung, verdict};
use super::Contents;
use super::begins::{Beginning, Lead};
use crate::board::Role;
use crate::image::{ByteAddress, Span, Start, start_at};

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
        let begins = section.and_then(|section| self.begins_beside(section));
        let but = begins.map_or(String::new(), |begins| format!("; a program begins at {begins}"));
        let fine = start.starts() && begins.is_none();
        let rung = Rung::new("start", QUESTION, verdict(fine), format!("Reset leads to {at}, {place}; {start}{but}."));
        self.told.rung(rung.rules_out("a start into blank flash"));
        match (section, begins) {
            (None, _) if self.made.loader_is_whole => {
                let sentence =
                    format!("The loader is there, every byte of it, but reset starts the application at {at}: the loader never runs.");
                self.told.cause(Cause::new(CauseKind::LoaderBypassed, sentence));
                self.want(|field| field.role == Some(Role::ResetStart) || field.role == Some(Role::BootSection));
            }
            (None, _) if self.bypassed => {
                let begins = self.reserved().map_or(at, Span::start);
                let sentence = format!(
                    "A program begins at {begins}, where the board file has the loader begin, but reset starts the application at {at}: it \
                     never runs."
                );
                self.told.cause(Cause::new(CauseKind::LoaderBypassed, sentence));
                self.want(|field| field.role == Some(Role::ResetStart) || field.role == Some(Role::BootSection));
            }
            (Some(section), Some(begins)) => self.beside(section, start, begins),
            (Some(section), None) if self.reserved().is_none() => self.nothing_starts(section, start),
            _ => {}
        }
    }

    /// Where the loader begins, where that is not the start of the section that reset leads to.
    pub(super) fn begins_beside(&self, section: Span) -> Option<ByteAddress> {
        let begins = match &self.lead {
            _ if self.made.loader_is_whole => self.reserved()?.start(),
            Some(Lead::Beside(other)) => other.at,
            _ => return None,
        };
        (begins != section.start()).then_some(begins)
    }

    fn beside(&mut self, section: Span, start: Start, begins: ByteAddress) {
        let chip = self.case.chip;
        let at = section.start();
        let how = match &self.lead {
            _ if self.made.loader_is_whole => format!("{at} and the loader begins at {begins}"),
            Some(Lead::Beside(Beginning { name: Some(name), .. })) => format!("{at}, and {} begins at {begins}", called(name)),
            _ if start == Start::Blank => format!("{at}, where the flash is blank, and a program begins at {begins}"),
            _ if begins < at => format!("{at}, into the middle of the program that begins at {begins}"),
            _ => format!("{at}, where no program begins, and one begins at {begins}"),
        };
        let set = chip.boot_sections.iter().find(|section| section.span.start() == begins);
        let instead = set.map_or(String::new(), |set| format!(" instead of {}", set.span.len()));
        let sentence = format!("Reset leads to {how}: the boot section is set to {} bytes{instead}.", section.len());
        self.told.cause(Cause::new(CauseKind::ResetBesideLoader, sentence));
        let Some((field, bits)) = chip.field_for(Role::BootSection).zip(set.and_then(|set| set.bits)) else { return };
        let Some(value) = field.values.iter().find(|value| value.bits == bits) else { return };
        let set = (field.name.clone(), value.name.clone());
        let said = self.reserved().is_some_and(|reserved| reserved.start() == begins) || self.kept_value(field).as_ref() == Some(&set.1);
        if said { self.made.fields.push(set) } else { self.made.by_flash = Some(set) }
    }

    /// Reset leads to a boot section, of which no board file says anything, and nothing there can start.
    fn nothing_starts(&mut self, section: Span, start: Start) {
        let at = section.start();
        match start {
            _ if start.starts() || self.told.has(CauseKind::ChipErased) || self.told.has(CauseKind::AsShipped) => {}
            Start::Blank | Start::Nothing => {
                let sentence = format!("Reset leads to {at}, the boot section, and the flash there is blank: nothing starts.");
                self.told.cause(Cause::new(CauseKind::LoaderMissing, sentence));
            }
            _ => {
                let sentence = format!("Reset leads to {at}, the boot section, and no loader begins there: {start}.");
                self.told.cause(Cause::new(CauseKind::LoaderOverwritten, sentence));
            }
        }
    }
}
