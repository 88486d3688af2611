//! The application: which known image it is, and what is wrong with it.

use super::super::Case;
use super::super::cause::{Cause, CauseKind};
use super::super::fit::{Fit, fit};
use super::super::rung::{Rung, Verdict, verdict};
use super::super::seen::{From, Known};
use super::Contents;
use super::pages::{are, places};
use crate::image::{ByteAddress, Span, Start, start_at};
use crate::units::{Bytes, Count};

pub(super) const QUESTION: &str = "Is the application one that is known, and whole?";

impl<'a> Contents<'a, '_> {
    pub(super) fn application(&mut self, all_blank: bool) {
        let Case { board, chip, .. } = *self.case;
        let room = board.application(chip);
        let found = &self.observed.flash.bytes;
        if self.blank(found, room, chip.flash.blank) {
            let seen = format!("It is erased: {room} is blank.");
            self.told.rung(Rung::new("flash", QUESTION, Verdict::Wrong, seen));
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
            None => match self.application_cause_by_snapshot(room) {
                Some((seen, cause)) => {
                    self.told.rung(Rung::new("flash", QUESTION, Verdict::Wrong, seen));
                    self.told.cause(cause);
                }
                None => self.unknown_application(room),
            },
        }
    }

    /// The application that the board's own snapshot has, where it is there in part, moved or damaged. Most of it with something else
    /// in some pages may as well be a newer one.
    fn application_cause_by_snapshot(&self, room: Span) -> Option<(String, Cause)> {
        let (kept, chip) = (self.made.snapshot?, self.case.chip);
        let image = kept.application(room, chip);
        let fit = fit(&self.observed.flash.bytes, &image, room, chip.flash.page, chip.flash.blank);
        if matches!(fit, Fit::Altered { .. }) {
            return None;
        }
        let known = Known { name: format!("the application in {}", kept.name), image, from: From::Wanted };
        Some((self.fit_seen(&known, &fit)?.1, self.application_cause(&known, &fit)?))
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
        let Some((verdict, seen)) = self.fit_seen(known, fit) else { return };
        self.told.rung(Rung::new("flash", QUESTION, verdict, seen).rules_out("a wrong, moved or half-written application"));
        if let Some(cause) = self.application_cause(known, fit) {
            self.told.cause(cause);
        }
        self.made.application = Some(known).filter(|known| self.own(known));
    }

    fn fit_seen(&self, known: &Known, fit: &Fit) -> Option<(Verdict, String)> {
        let name = &known.name;
        Some(match fit {
            Fit::Same => (verdict(self.own(known)), format!("It is {name}, every byte of it.")),
            Fit::Damaged { page, bits } => {
                (Verdict::Wrong, format!("It is {name}, but {} of page {page} read 1 instead of 0.", Count(*bits as usize, "bit")))
            }
            Fit::HalfWritten { pages } => (Verdict::Wrong, format!("It is {name} in part; blank or torn: {}.", places(pages))),
            Fit::Moved { by } => (Verdict::Wrong, format!("It is {name}, {}.", direction(*by))),
            Fit::Altered { pages } => (Verdict::Wrong, format!("It is {name} in most pages; something else is in {}.", places(pages))),
            Fit::Other => return None,
        })
    }

    fn application_cause(&self, known: &Known, fit: &Fit) -> Option<Cause> {
        let name = &known.name;
        if let (From::Demo { chip, .. }, false) = (&known.from, self.own(known)) {
            let sentence = match *chip == self.case.chip.part {
                true => format!("The application is {name}, and this is board {}.", self.case.board.name),
                false => format!("The application is {name}, built for an {chip}, and this board has an {}.", self.case.chip.part),
            };
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
        let start = start_at(found, room.start(), chip.core());
        let what = format!("{} that are none of the {} images known here", Bytes(bytes as u64), self.case.known.len());
        match start {
            Start::Jump { .. } | Start::Code { .. } => {
                let seen = format!("It holds {what}; at its start {start}.");
                self.told.rung(Rung::new("flash", QUESTION, Verdict::Unknown, seen));
            }
            start => {
                let seen = format!("It holds {what}; at its start {start}.");
                self.told.rung(Rung::new("flash", QUESTION, Verdict::Wrong, seen));
                let sentence = format!("The application does not start: at {} {start}.", room.start());
                let cause = Cause::new(CauseKind::ApplicationDoesNotStart, sentence);
                self.told.cause(match self.begins_further_up(room) {
                    Some(at) => cause.could_be(&[
                        &format!("It was written {} too far up: what is there begins at {at}.", Bytes((at.0 - room.start().0).into())),
                        "Its first pages were erased, or never written.",
                    ]),
                    None => cause,
                });
            }
        }
    }

    /// Where an application begins whose first pages are blank: the page of its first byte.
    fn begins_further_up(&self, room: Span) -> Option<ByteAddress> {
        let flash = self.case.chip.flash;
        let mut pages = room.pages(flash.page).skip_while(|page| self.blank(&self.observed.flash.bytes, *page, flash.blank));
        pages.next().map(Span::start).filter(|at| *at != room.start())
    }

    /// What --to says, where nothing else is wrong with the application.
    pub(super) fn wanted(&mut self) {
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
}

/// Whether it is the application's.
pub(in super::super) fn of_application(kind: CauseKind) -> bool {
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

fn direction(by: i64) -> String {
    let way = if by > 0 { "too far up" } else { "too far down" };
    format!("{} {way}", Bytes(by.unsigned_abs()))
}
