//! The settings store: whether settings are there, and whether any were lost.

use super::super::Case;
use super::super::cause::{Cause, CauseKind};
use super::super::rung::{Rung, Verdict};
use super::Contents;
use crate::image::Span;

pub(super) const QUESTION: &str = "Are the settings there?";

impl Contents<'_, '_> {
    pub(super) fn settings(&mut self, all_blank: bool) {
        let Case { board, chip, .. } = *self.case;
        // Where the board file names no store, a snapshot that has something in the EEPROM shows that there is one.
        let whole = self.made.settings.map(|_| Span::first(chip.eeprom.bytes));
        let Some(store) = board.settings.as_ref().map(|store| store.span).or(whole) else {
            let seen = "The board file names no settings store.";
            return self.told.rung(Rung::new("settings", QUESTION, Verdict::Unknown, seen));
        };
        let held = self.observed.eeprom.bytes.crop(store);
        let before = self.made.settings.or(self.made.snapshot).map(|kept| (kept.held.eeprom.bytes.crop(store), &kept.name));
        if !self.blank(&held, store, chip.eeprom.blank) {
            let (verdict, seen) = match before {
                Some((before, name)) if before == held => (Verdict::Fine, format!("Yes: {store} is as in {name}.")),
                Some((_, name)) => (Verdict::Unknown, format!("Something is in {store}, and it is not what {name} has.")),
                None => (Verdict::Unknown, format!("Something is in {store}; no snapshot of this board says whether it is as it was.")),
            };
            return self.told.rung(Rung::new("settings", QUESTION, verdict, seen).rules_out("lost settings"));
        }
        let had = before.filter(|(before, _)| !self.blank(before, store, chip.eeprom.blank)).map(|(_, name)| name.clone());
        if had.is_none()
            && let Some(why) = self.never_had_settings(all_blank)
        {
            let seen = format!("There are none yet: the settings store ({store}) is blank, and {why}.");
            return self.told.rung(Rung::new("settings", QUESTION, Verdict::Fine, seen));
        }
        self.told.rung(Rung::new("settings", QUESTION, Verdict::Wrong, format!("No: the settings store ({store}) is blank.")));
        if !all_blank {
            let sentence = match had {
                Some(name) => format!("The settings were wiped: the store ({store}) is blank, and {name} has them."),
                None => format!("The settings store ({store}) is blank: the settings were wiped, or the board is new and never had any."),
            };
            self.told.cause(Cause::new(CauseKind::SettingsBlank, sentence));
        }
    }

    /// What shows that a blank settings store has lost nothing.
    fn never_had_settings(&self, all_blank: bool) -> Option<String> {
        let Case { board, chip, .. } = *self.case;
        if self.told.has(CauseKind::AsShipped) {
            return Some("so is all the rest: the chip is new".to_owned());
        }
        if let Some(known) = self.case.recognised.filter(|known| known.settings) {
            return Some(format!("nothing has changed since the last job: the board {}", known.words));
        }
        let flash = self.blank(&self.observed.flash.bytes, board.application(chip), chip.flash.blank);
        (flash && !all_blank && self.made.perhaps.is_none()).then(|| "there is no application that could have stored any".to_owned())
    }
}
