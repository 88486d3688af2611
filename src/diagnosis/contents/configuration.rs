//! The configuration against the one that the board file expects, and which fields go into the remedy.

use super::super::Case;
use super::super::cause::{Cause, CauseKind};
use super::super::loader::Fitted;
use super::super::rung::{Rung, Verdict};
use super::Contents;
use crate::board::{Field, Role, Setting};

impl Contents<'_, '_> {
    pub(super) fn configuration(&mut self) {
        const QUESTION: &str = "Is the configuration as the board file expects it?";
        let Case { board, chip, .. } = *self.case;
        let expected = board.expected_configuration(chip, self.configuration);
        let bytes: Vec<String> =
            chip.configuration.iter().zip(self.configuration).map(|(byte, of)| format!("{} 0x{of:02X}", byte.name)).collect();
        let bytes = bytes.join(", ");
        if board.expected_configuration.is_empty() {
            let seen = format!("The board file expects nothing in particular; it is {bytes}.");
            return self.told.rung(Rung::new("configuration", QUESTION, Verdict::Unknown, seen));
        }
        let (held, wanted) = (chip.decode(self.configuration), chip.decode(&expected));
        let differs: Vec<(&Setting, &Setting)> = held.iter().zip(&wanted).filter(|(held, wanted)| held.bits != wanted.bits).collect();
        let list: Vec<String> =
            differs.iter().map(|(held, wanted)| format!("{} is {} and not {}", held.field.name, held.name(), wanted.name())).collect();
        let seen = match list.as_slice() {
            [] => format!("Yes: {bytes}."),
            _ => format!("No: {bytes}; {}.", list.join("; ")),
        };
        let faults: Vec<(&Setting, &String)> =
            differs.iter().zip(&list).filter(|((held, _), _)| self.is_fault(held.field)).map(|((held, _), text)| (*held, text)).collect();
        let started = chip.started_section(self.configuration);
        let misled = match started {
            Some(section) => self.begins_beside(section).is_some(),
            None => self.made.loader_is_whole || self.bypassed,
        };
        let verdict = match (list.is_empty(), faults.is_empty() && self.made.fields.is_empty() && !misled) {
            (true, _) => Verdict::Fine,
            (false, true) => Verdict::Unknown,
            (false, false) => Verdict::Wrong,
        };
        self.told.rung(Rung::new("configuration", QUESTION, verdict, seen).rules_out("a wrong clock, brown-out level or start"));
        if !faults.is_empty() {
            let list: Vec<&str> = faults.iter().map(|(_, text)| text.as_str()).collect();
            let sentence = format!("The configuration is not as the board file expects it: {}.", list.join("; "));
            self.told.cause(Cause::new(CauseKind::ConfigurationDiffers, sentence));
            self.want(|field| faults.iter().any(|(held, _)| held.field.name == field.name));
        }
    }

    /// A watchdog that is always on, where nothing says that it should be, and a new chip has it otherwise. Firmware that does not know of
    /// it never gets far.
    pub(super) fn watchdog(&mut self) {
        let Case { board, chip, recognised, .. } = *self.case;
        let Some(field) = chip.watchdog_always_on(self.configuration) else { return };
        let kept = self.made.snapshot.is_some() && self.kept_value(field).is_none();
        if board.expected_value(field).is_some()
            || kept
            || self.is_untouched(field)
            || recognised.is_some()
            || self.told.has(CauseKind::AsShipped)
        {
            return;
        }
        let sentence =
            "The watchdog is always on, and nothing here says that it should be: firmware that never feeds it is reset for ever.";
        self.told.cause(Cause::new(CauseKind::WatchdogAlwaysOn, sentence).could_be(&[
            "Somebody set it by mistake: then the firmware starts over and over.",
            "The firmware is made for it: then nothing is wrong, and a board file that says so ends the question.",
        ]));
        let name = field.name.clone();
        self.want(|field| field.name == name);
    }

    /// Whether it is a fault that this field differs, and no other cause tells of it. On a board without a loader the fields that go
    /// with one are as they should be, and so are those that nobody has touched.
    fn is_fault(&self, field: &Field) -> bool {
        let told = self.made.fields.iter().any(|(name, _)| *name == field.name);
        let of_loader = matches!(field.role, Some(Role::ResetStart | Role::BootSection));
        let shipped = self.told.has(CauseKind::AsShipped);
        !told && !of_loader && !shipped && (self.has_loader() || !self.is_untouched(field))
    }

    /// Whether a field is as a new chip has it.
    pub(super) fn is_untouched(&self, field: &Field) -> bool {
        field.bits_in(self.configuration) == field.bits_in(&self.case.chip.factory_configuration())
    }

    /// Whether this board should start a loader: reset leads to one, or one is there.
    fn has_loader(&self) -> bool {
        let there = self.made.loader_is_whole || matches!(self.fitted, Fitted::InPart(..) | Fitted::Altered(..));
        self.reserved().is_some() && (self.starts_loader || there)
    }

    /// What the board file has for fields that are wrong goes into the remedy.
    pub(super) fn want(&mut self, wrong: impl Fn(&Field) -> bool) {
        let Case { board, chip, .. } = *self.case;
        let expected = board.expected_configuration(chip, self.configuration);
        let differs = |field: &Field| field.bits_in(&expected) != field.bits_in(self.configuration);
        for field in chip.fields.iter().filter(|field| wrong(field)) {
            let known = self.made.fields.iter().any(|(name, _)| *name == field.name);
            match board.expected_value(field) {
                Some(_) if known || !differs(field) => {}
                Some(value) => self.made.fields.push((field.name.clone(), value.to_owned())),
                None => match self.kept_value(field) {
                    Some(value) => self.made.fields.push((field.name.clone(), value)),
                    // Of values of which no source says what they do, none can be advised.
                    None if field.values.iter().all(|value| value.unknown) => {}
                    None => self.made.unknown_fields.push(field.name.clone()),
                },
            }
        }
    }

    /// What the board's own snapshot has for a field, where that is something else.
    pub(super) fn kept_value(&self, field: &Field) -> Option<String> {
        let kept = field.read(self.made.snapshot?.held.configuration.as_deref()?)?;
        let now = field.bits_in(self.configuration);
        kept.value.filter(|_| Some(kept.bits) != now).map(|value| value.name.clone())
    }
}
