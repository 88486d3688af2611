//! The rungs of what a chip says of itself: lock, configuration, start, flash, loader, settings.

use super::cause::{Cause, CauseKind};
use super::fit::{Fit, fit};
use super::loader::Fitted;
use super::rung::{Rung, Verdict, verdict};
use super::seen::{From, Known};
use super::snapshot::{self, Kept};
use super::{Case, Told};
use crate::board::{Field, Role, Setting};
use crate::image::{ByteAddress, Image, Span, Start, start_at};
use crate::plan::Observed;
use crate::units::{Bytes, Count};

/// What was made of the contents, for the remedy.
#[derive(Clone, Debug, Default)]
pub(super) struct Made<'a> {
    /// The known image that the application is, or once was.
    pub application: Option<&'a Known>,
    /// Fields of the configuration that are wrong, and what the board file has for them.
    pub fields: Vec<(String, String)>,
    /// Fields that are wrong and that the board file says nothing of.
    pub unknown_fields: Vec<String>,
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
    let open = [CauseKind::SettingsBlank, CauseKind::LoaderUnknown, CauseKind::ApplicationAltered];
    told.causes.iter().any(|cause| !open.contains(&cause.kind))
}

/// Climbs them.
pub(super) fn climb<'a>(case: &Case<'a>, observed: &Observed, told: &mut Told) -> Made<'a> {
    let Some(configuration) = observed.configuration.as_deref() else { return Made::default() };
    let fitted = Fitted::of(observed, case.board, case.chip);
    let starts_loader = case.chip.starts_loader(configuration);
    let newest = snapshot::newest(case, observed);
    let snapshot = newest.as_ref().map(|(kept, _)| *kept);
    let other_configuration =
        snapshot.is_some_and(|kept| (&kept.held.configuration, kept.held.lock) != (&observed.configuration, observed.lock));
    let perhaps = snapshot::perhaps(case, observed).filter(|_| snapshot.is_none());
    let settings = snapshot::newest_settings(case, observed);
    let made = Made { snapshot, settings, other_configuration, perhaps, ..Made::default() };
    let mut contents = Contents { case, observed, configuration, fitted, starts_loader, told, made };
    contents.known();
    contents.unfinished();
    contents.lock();
    let blank = contents.all_blank();
    contents.clock_and_supply();
    contents.configuration();
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

impl<'a> Contents<'a, '_> {
    fn blank(&self, image: &Image, span: Span, blank: u8) -> bool {
        image.covers(span) && image.within(span).all(|(_, run)| run.iter().all(|byte| *byte == blank))
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
        let cause = match self.configuration == chip.factory_configuration() {
            true => Cause::new(CauseKind::AsShipped, "The chip is as its maker ships it: nothing is on it, and nothing is wrong with it."),
            false => Cause::new(
                CauseKind::ChipErased,
                "The whole chip was erased: flash and EEPROM are blank, and the configuration is that of a board in use.",
            ),
        };
        self.told.cause(cause);
        true
    }

    /// The configuration against the clock and the supply that the board has.
    fn clock_and_supply(&mut self) {
        if self.told.has(CauseKind::AsShipped) {
            return;
        }
        self.clock();
        self.brown_out();
    }

    fn clock(&mut self) {
        let Case { board, chip, .. } = *self.case;
        let roles = [Role::Clock, Role::StartUp, Role::ClockDivider];
        let words = self.words(Role::Clock);
        let fed = self.observed.access.as_ref().and_then(|access| access.clock_output);
        let runs_at = chip.system_clock(board, self.configuration);
        let cause = match (fed, runs_at) {
            (Some(fed), _) => Cause::new(
                CauseKind::NoClock,
                format!("The configuration chooses a clock that is not there ({words}): the chip answers only with {fed} from the bridge."),
            ),
            _ if board.generic => return,
            (None, Some(hz)) if hz == board.clock.hz => return,
            (None, Some(hz)) if hz < board.clock.hz => Cause::new(
                CauseKind::ClockSlow,
                format!("The chip runs at {hz} instead of {}: the configuration chooses {words}{}.", board.clock.hz, self.divided()),
            ),
            (None, hz) => {
                let hz = hz.map_or("a clock that the board file does not have".to_owned(), |hz| hz.to_string());
                let sentence = format!("The chip runs at {hz} instead of {}: the configuration chooses {words}.", board.clock.hz);
                Cause::new(CauseKind::ClockDiffers, sentence)
            }
        };
        self.told.cause(cause);
        self.want(|field| field.role.is_some_and(|role| roles.contains(&role)));
    }

    fn divided(&self) -> &'static str {
        let divider = self.case.chip.field_for(Role::ClockDivider).and_then(|field| field.read(self.configuration)?.value);
        if divider.is_some_and(|value| value.name == "on") { ", divided by 8" } else { "" }
    }

    /// What stands in the field with this role, in words.
    fn words(&self, role: Role) -> String {
        let setting = self.case.chip.field_for(role).and_then(|field| field.read(self.configuration));
        setting.map_or_else(|| "no clock field".to_owned(), |setting| setting.words().to_owned())
    }

    fn brown_out(&mut self) {
        let Case { board, chip, .. } = *self.case;
        let measured = self.observed.access.as_ref().and_then(|access| access.supply);
        let supply = measured.unwrap_or(board.levels);
        let level = chip.decode(self.configuration).into_iter().find_map(|setting| {
            let level = setting.value?.resets_below?;
            (level > supply).then_some((setting.field.name.clone(), level))
        });
        let Some((name, level)) = level else { return };
        let sentence = format!(
            "The brown-out level is {level} and the supply {supply}, so the chip is held in reset for ever and its firmware never starts."
        );
        self.told.cause(Cause::new(CauseKind::BrownOutAboveSupply, sentence));
        self.want(|field| field.name == name);
    }

    /// What the board file has for fields that are wrong goes into the remedy.
    fn want(&mut self, wrong: impl Fn(&Field) -> bool) {
        let Case { board, chip, .. } = *self.case;
        let expected = board.expected_configuration(chip, self.configuration);
        let differs = |field: &&Field| field.bits_in(&expected) != field.bits_in(self.configuration);
        let listed =
            |field: &Field| board.expected_configuration.iter().any(|(name, _)| chip.field(name).is_some_and(|of| of.name == field.name));
        for field in chip.fields.iter().filter(|field| wrong(field)).filter(|field| differs(field) || !listed(field)) {
            let expected = board.expected_configuration.iter().find(|(name, _)| chip.field(name).is_some_and(|of| of.name == field.name));
            let known = |fields: &[(String, String)]| fields.iter().any(|(name, _)| *name == field.name);
            match expected {
                Some(_) if known(&self.made.fields) => {}
                Some((_, value)) => self.made.fields.push((field.name.clone(), value.clone())),
                None => self.made.unknown_fields.push(field.name.clone()),
            }
        }
    }

    /// Whether this board should start a loader: reset leads to one, or one is there.
    fn has_loader(&self) -> bool {
        let own = self.case.board.reservation.as_ref().is_some_and(|reservation| reservation.loader.is_some());
        own && (self.starts_loader || matches!(self.fitted, Fitted::BuiltIn(_) | Fitted::InPart(..) | Fitted::Altered(..)))
    }

    fn configuration(&mut self) {
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
        let faults: Vec<&str> =
            differs.iter().filter(|(held, _)| self.is_fault(held.field)).map(|(held, _)| held.field.name.as_str()).collect();
        let verdict = match (list.is_empty(), faults.is_empty() && self.made.fields.is_empty()) {
            (true, _) => Verdict::Fine,
            (false, true) => Verdict::Unknown,
            (false, false) => Verdict::Wrong,
        };
        self.told.rung(Rung::new("configuration", QUESTION, verdict, seen).rules_out("a wrong clock, brown-out level or start"));
        if !faults.is_empty() {
            let list: Vec<&String> = differs
                .iter()
                .zip(&list)
                .filter(|((held, _), _)| faults.contains(&held.field.name.as_str()))
                .map(|(_, text)| text)
                .collect();
            let list: Vec<&str> = list.into_iter().map(String::as_str).collect();
            let sentence = format!("The configuration is not as the board file expects it: {}.", list.join("; "));
            let faults: Vec<String> = faults.into_iter().map(str::to_owned).collect();
            self.told.cause(Cause::new(CauseKind::ConfigurationDiffers, sentence));
            self.want(|field| faults.contains(&field.name));
        }
    }

    /// Whether it is a fault that this field differs, and no other cause tells of it. On a board without a loader the fields that go
    /// with one are as they should be, and so are those that nobody has touched.
    fn is_fault(&self, field: &Field) -> bool {
        let told = self.made.fields.iter().any(|(name, _)| *name == field.name);
        let of_loader = matches!(field.role, Some(Role::ResetStart | Role::BootSection));
        let untouched = field.bits_in(self.configuration) == field.bits_in(&self.case.chip.factory_configuration());
        let shipped = self.told.has(CauseKind::AsShipped);
        !told && !of_loader && !shipped && (self.has_loader() || !untouched)
    }

    fn unreadable(&mut self, why: &str) {
        for (name, question) in [("start", START), ("flash", FLASH), ("loader", LOADER), ("settings", SETTINGS)] {
            self.told.rung(Rung::new(name, question, Verdict::Unknown, format!("Not readable: {why}.")));
        }
    }

    fn start(&mut self) {
        let chip = self.case.chip;
        let section = chip.boot_section(self.configuration).filter(|_| self.starts_loader);
        let at = section.map_or(ByteAddress(0), Span::start);
        let start = start_at(&self.observed.flash.bytes, at, chip.flash.bytes);
        let place = match section {
            Some(section) => format!("the boot section {section}"),
            None => "the application".to_owned(),
        };
        let rung = Rung::new("start", START, verdict(start.starts()), format!("Reset leads to {at}, {place}; {start}."));
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

    fn application(&mut self, all_blank: bool) {
        let Case { board, chip, .. } = *self.case;
        let room = board.application(chip);
        let found = &self.observed.flash.bytes;
        if self.blank(found, room, chip.flash.blank) {
            let seen = format!("It is erased: {room} is blank.");
            self.told.rung(Rung::new("flash", FLASH, Verdict::Wrong, seen));
            if !all_blank {
                let sentence = format!("There is no application: {room} is blank.");
                self.told.cause(Cause::new(CauseKind::ApplicationMissing, sentence));
            }
            return;
        }
        let fits = self.case.known.iter().map(|known| (known, fit(found, &known.image, room, chip.flash.page, chip.flash.blank)));
        let best = fits.filter(|(_, fit)| *fit != Fit::Other).min_by_key(|(known, fit)| (rank(fit), self.distance(known)));
        match best {
            Some((known, fit)) => self.known_application(known, &fit),
            None => self.unknown_application(room),
        }
    }

    /// How near a known image is to this board, where several fit alike.
    fn distance(&self, known: &Known) -> u8 {
        match &known.from {
            From::Wanted => 0,
            From::Job(_) => 1,
            From::Demo { .. } if self.own(known) => 2,
            From::Demo { .. } => 3,
        }
    }

    fn own(&self, known: &Known) -> bool {
        !matches!(&known.from, From::Demo { board, .. } if *board != self.case.board.name)
    }

    fn known_application(&mut self, known: &'a Known, fit: &Fit) {
        let name = &known.name;
        let (verdict, seen) = match fit {
            Fit::Same => (verdict(self.own(known)), format!("It is {name}, every byte of it.")),
            Fit::Damaged { page, bits } => {
                (Verdict::Wrong, format!("It is {name}, but {} of page {page} read 1 instead of 0.", Count(*bits as usize, "bit")))
            }
            Fit::HalfWritten { pages } => (Verdict::Wrong, format!("It is {name} in part; blank or torn: {}.", places(pages))),
            Fit::Moved { by } => (Verdict::Wrong, format!("It is {name}, {}.", direction(*by))),
            Fit::Altered { pages } => (Verdict::Wrong, format!("It is {name} in most pages; something else is in {}.", places(pages))),
            Fit::Other => return,
        };
        self.told.rung(Rung::new("flash", FLASH, verdict, seen).rules_out("a wrong, moved or half-written application"));
        if let Some(cause) = self.application_cause(known, fit) {
            self.told.cause(cause);
        }
        self.made.application = Some(known).filter(|known| self.own(known));
    }

    fn application_cause(&self, known: &Known, fit: &Fit) -> Option<Cause> {
        let name = &known.name;
        if let (From::Demo { board, chip }, false) = (&known.from, self.own(known)) {
            let other = if *chip == self.case.chip.part { String::new() } else { format!(", and was built for a {chip}") };
            let sentence = format!("The application is {name}: it belongs on board {board}{other}.");
            return Some(Cause::new(CauseKind::ApplicationOfAnother, sentence));
        }
        let (kind, sentence) = match fit {
            Fit::Same | Fit::Other => return None,
            Fit::Damaged { page, bits } => (CauseKind::PageDamaged, self.damage(name, *page, *bits)),
            Fit::HalfWritten { pages } => {
                (CauseKind::ApplicationHalfWritten, format!("Writing {name} broke off: {} blank or torn.", are(pages)))
            }
            Fit::Moved { by } => (CauseKind::ApplicationMisplaced, format!("The application {name} is there, {}.", direction(*by))),
            Fit::Altered { pages } => {
                (CauseKind::ApplicationAltered, format!("Most of {name} is there, but something else is in {}.", places(pages)))
            }
        };
        Some(Cause::new(kind, sentence))
    }

    fn damage(&self, name: &str, page: Span, bits: u32) -> String {
        let why = match self.case.unfinished {
            Some(job) => format!("job {} had to do with it already, so cells there are weak, and a new chip is what helps", job.job),
            None => "cells there are weak, or the write was cut at its end; writing once more shows which".to_owned(),
        };
        format!("{} of {name} in page {page} read 1 instead of 0: {why}.", Count(bits as usize, "bit"))
    }

    fn unknown_application(&mut self, room: Span) {
        let chip = self.case.chip;
        let found = &self.observed.flash.bytes;
        let bytes = found.within(room).flat_map(|(_, run)| run).filter(|byte| **byte != chip.flash.blank).count();
        let start = start_at(found, room.start(), chip.flash.bytes);
        let what = format!("{} that are none of the {} images known here", Bytes(bytes as u64), self.case.known.len());
        match start {
            Start::Jump { .. } | Start::Code { .. } => {
                let seen = format!("It holds {what}; at its start {start}.");
                self.told.rung(Rung::new("flash", FLASH, Verdict::Unknown, seen));
            }
            start => {
                let seen = format!("It holds {what}; at its start {start}.");
                self.told.rung(Rung::new("flash", FLASH, Verdict::Wrong, seen));
                let sentence = format!("The application does not start: at {} {start}.", room.start());
                self.told.cause(Cause::new(CauseKind::ApplicationDoesNotStart, sentence));
            }
        }
    }

    /// What --to says, where nothing else is wrong with the application.
    fn wanted(&mut self) {
        let (chip, room) = (self.case.chip, self.case.board.application(self.case.chip));
        let Some(wanted) = self.case.known.iter().find(|known| known.from == From::Wanted) else { return };
        let blank = [CauseKind::AsShipped, CauseKind::ChipErased].into_iter().any(|kind| self.told.has(kind));
        let told = blank || self.made.application_runs_on || self.told.causes.iter().any(|cause| of_application(cause.kind));
        let there = fit(&self.observed.flash.bytes, &wanted.image, room, chip.flash.page, chip.flash.blank) == Fit::Same;
        if !told && !there {
            let sentence = format!("The board does not hold {}, and nothing is broken with what it holds.", wanted.name);
            self.told.cause(Cause::new(CauseKind::NotAsWanted, sentence));
        }
    }

    fn loader(&mut self) {
        let board = self.case.board;
        let Some(reserved) = board.reservation.as_ref().map(|reservation| reservation.span) else {
            let seen = "The board file reserves no flash for one.";
            return self.told.rung(Rung::new("loader", LOADER, Verdict::Unknown, seen));
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
        self.told.rung(Rung::new("loader", LOADER, verdict, seen).rules_out("a damaged or missing loader"));
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
            Fitted::Other if self.starts_loader && !start_at(held, at, chip.flash.bytes).starts() => {
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

    fn settings(&mut self, all_blank: bool) {
        let Case { board, chip, .. } = *self.case;
        let Some(store) = board.settings.as_ref().map(|store| store.span) else {
            let seen = "The board file names no settings store.";
            return self.told.rung(Rung::new("settings", SETTINGS, Verdict::Unknown, seen));
        };
        let held = self.observed.eeprom.bytes.crop(store);
        let before = self.made.settings.or(self.made.snapshot).map(|kept| (kept.held.eeprom.bytes.crop(store), &kept.name));
        if !self.blank(&held, store, chip.eeprom.blank) {
            let (verdict, seen) = match before {
                Some((before, name)) if before == held => (Verdict::Fine, format!("Yes: {store} is as in {name}.")),
                Some((_, name)) => (Verdict::Unknown, format!("Something is in {store}, and it is not what {name} has.")),
                None => (Verdict::Unknown, format!("Something is in {store}; no snapshot of this board says whether it is as it was.")),
            };
            return self.told.rung(Rung::new("settings", SETTINGS, verdict, seen).rules_out("lost settings"));
        }
        let had = before.filter(|(before, _)| !self.blank(before, store, chip.eeprom.blank)).map(|(_, name)| name.clone());
        if had.is_none()
            && let Some(why) = self.never_had_settings(all_blank)
        {
            let seen = format!("There are none yet: the settings store ({store}) is blank, and {why}.");
            return self.told.rung(Rung::new("settings", SETTINGS, Verdict::Fine, seen));
        }
        self.told.rung(Rung::new("settings", SETTINGS, Verdict::Wrong, format!("No: the settings store ({store}) is blank.")));
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

const START: &str = "Where does reset go, and is there code?";
const FLASH: &str = "Is the application one that is known, and whole?";
const LOADER: &str = "Is the loader intact?";
const SETTINGS: &str = "Are the settings there?";

/// Whether it is the application's.
pub(super) fn of_application(kind: CauseKind) -> bool {
    use CauseKind::*;
    matches!(
        kind,
        ApplicationMissing
            | ApplicationHalfWritten
            | ApplicationMisplaced
            | ApplicationOfAnother
            | ApplicationAltered
            | ApplicationDoesNotStart
            | PageDamaged
            | NotAsWanted
    )
}

fn rank(fit: &Fit) -> (u8, usize) {
    match fit {
        Fit::Same => (0, 0),
        Fit::Damaged { .. } => (1, 0),
        Fit::Moved { .. } => (2, 0),
        Fit::HalfWritten { pages } => (3, pages.len()),
        Fit::Altered { pages } => (4, pages.len()),
        Fit::Other => (5, 0),
    }
}

/// At most so many pages are told one by one.
const TOLD: usize = 4;

fn places(pages: &[Span]) -> String {
    let first: Vec<String> = pages.iter().take(TOLD).map(Span::to_string).collect();
    match pages.len() {
        0..=TOLD => first.join(", "),
        more => format!("{} and {}", first.join(", "), Count(more - TOLD, "more page")),
    }
}

fn are(pages: &[Span]) -> String {
    let is = if pages.len() == 1 { "page" } else { "pages" };
    format!("{is} {} {}", places(pages), if pages.len() == 1 { "is" } else { "are" })
}

fn direction(by: i64) -> String {
    let way = if by > 0 { "too far up" } else { "too far down" };
    format!("{} {way}", Bytes(by.unsigned_abs()))
}
