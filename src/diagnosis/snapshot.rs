//! Which snapshot is this board's, and how the board stands to it.

use super::loader::THE_LOADER;
use super::rung::{Rung, Verdict};
use super::{Case, Told, contents};
use crate::board::Chip;
use crate::image::{Image, Memory, Span};
use crate::plan::{NamedImage, Observed, Part, Restore, serial_number};

/// A snapshot of a board of this kind.
#[derive(Clone, Debug)]
pub struct Kept {
    /// Its name.
    pub name: String,
    /// Part number of its chip.
    pub chip: String,
    pub tag: Option<String>,
    pub held: Observed,
}

/// What the journal's jobs tell of a board that holds what one of them left.
#[derive(Clone, Debug)]
pub struct Recognised {
    /// Half a sentence: 'holds exactly what job 41 left: tag 1187'.
    pub words: String,
    /// The settings are as those jobs left them too.
    pub settings: bool,
    /// The tag that all of them have.
    pub tag: Option<String>,
    /// The snapshots that the job began with, where it is one only.
    pub snapshots: Vec<String>,
}

impl Kept {
    /// A snapshot of this name.
    pub fn of(name: String, chip: &str, tag: Option<&str>, held: Observed) -> Kept {
        Kept { name, chip: chip.to_owned(), tag: tag.map(str::to_owned), held }
    }

    /// What it has in the application's flash, without blank pages and without what is blank at the end.
    pub(super) fn application(&self, room: Span, chip: &Chip) -> Image {
        let (blank, mut image) = (chip.flash.blank, Image::default());
        for page in room.pages(chip.flash.page) {
            let bytes = self.held.flash.bytes.filled(page, blank);
            let end = bytes.iter().rposition(|byte| *byte != blank).map_or(0, |last| last + 1);
            image.overwrite(page.start(), &bytes[..end]);
        }
        image
    }

    /// What reset starts in its boot section, where all is right with it and that is not the board's built-in loader.
    pub(super) fn loader(&self, case: &Case, own: Option<&NamedImage>) -> Option<NamedImage> {
        let (chip, held) = (case.chip, &self.held.flash.bytes);
        let section = chip.started_section(self.held.configuration.as_deref()?)?;
        let image = held.crop(section);
        let blank = chip.flash.blank;
        let bytes = image.filled(section, blank);
        let known = bytes.iter().all(|byte| *byte == blank) || own.is_some_and(|own| own.image.filled(section, blank) == bytes);
        (!known && self.is_sound(case)).then(|| NamedImage { name: format!("{THE_LOADER}in {}", self.name), image })
    }

    /// What the planner needs of it.
    pub(super) fn back(&self, parts: Vec<Part>, case: &Case) -> Restore {
        let Kept { name, chip, tag, held } = self.clone();
        let left_by_another = |known: &&Recognised| known.tag.is_some() && tag.is_some() && known.tag != tag;
        let doubt = case.recognised.filter(left_by_another).map(|known| format!("the board in hand {}", known.words));
        Restore { name, chip, held, parts, tag, board_tag: case.tag.map(str::to_owned), doubt }
    }

    /// All was read, and nothing is wrong with it, settings aside: what is kept before a repair holds what was ill.
    fn is_sound(&self, case: &Case) -> bool {
        let (held, chip) = (&self.held, case.chip);
        let complete = held.flash.bytes.covers(chip.flash_span()) && held.eeprom.bytes.covers(Span::first(chip.eeprom.bytes));
        complete && held.configuration.is_some() && !contents::is_ill(case, held)
    }

    /// Why it is taken for this board's; nothing where it is another's or nothing tells. The flash tells nothing: boards of one batch
    /// have the same firmware.
    fn mine(&self, case: &Case, observed: &Observed) -> Option<String> {
        if self.is_anothers(case, observed) {
            return None;
        }
        let number = serial_number(observed, case.board, case.chip);
        if number.is_some() && serial_number(&self.held, case.board, case.chip) == number {
            return Some("its serial number is the same".to_owned());
        }
        if let Some(tag) = self.tag.as_deref().filter(|tag| case.tag == Some(*tag)) {
            return Some(format!("its tag is {tag}"));
        }
        if let Some(known) = case.recognised.filter(|known| known.snapshots.contains(&self.name)) {
            return Some(format!("that job began with it: the board {}", known.words));
        }
        let blank = case.chip.eeprom.blank;
        let (was, is) = (&self.held.eeprom.bytes, &observed.eeprom.bytes);
        let same = same_bytes(was, is, blank);
        let most = same * 2 >= occupied(was, blank).max(occupied(is, blank));
        (same >= TELLING && most).then(|| format!("the chip's calibration byte and {same} bytes of its EEPROM are the same"))
    }

    /// Whether chip, serial number or tag speak for another board.
    fn is_anothers(&self, case: &Case, observed: &Observed) -> bool {
        let number = |state: &Observed| serial_number(state, case.board, case.chip);
        let differ = |(was, is)| was != is;
        self.held.id != observed.id
            || self.held.calibration != observed.calibration
            || number(&self.held).zip(number(observed)).is_some_and(differ)
            || self.tag.as_deref().zip(case.tag).is_some_and(|(was, is)| was != is)
    }
}

/// So many equal bytes that are not blank tell of a board, together with the calibration byte, where they are most of what is there.
const TELLING: usize = 16;

fn occupied(image: &Image, blank: u8) -> usize {
    image.runs().flat_map(|(_, run)| run).filter(|byte| **byte != blank).count()
}

/// How many bytes that are not blank two images have alike.
fn same_bytes(one: &Image, other: &Image, blank: u8) -> usize {
    let alike = one.runs().flat_map(|(at, run)| {
        let place = Span::sized(at, run.len() as u32).filter(|span| other.covers(*span));
        let there = place.map(|span| other.filled(span, blank)).unwrap_or_default();
        run.iter().zip(there).filter(|(one, other)| **one == *other && *other != blank).map(|_| ()).collect::<Vec<()>>()
    });
    alike.count()
}

/// The newest sound snapshot of this board, and why it is taken for its. `snapshots` are newest first.
pub(super) fn newest<'a>(case: &Case<'a>, observed: &Observed) -> Option<(&'a Kept, String)> {
    let sound = case.snapshots.iter().filter(|kept| kept.is_sound(case));
    sound.map(|kept| (kept, kept.mine(case, observed))).find_map(|(kept, why)| Some((kept, why?)))
}

/// The newest snapshot of this board that holds settings, whatever is wrong with the rest of it.
pub(super) fn newest_settings<'a>(case: &Case<'a>, observed: &Observed) -> Option<&'a Kept> {
    let store = case.board.settings.as_ref().map_or(Span::first(case.chip.eeprom.bytes), |settings| settings.span);
    let holds = |kept: &&Kept| {
        let bytes = kept.held.eeprom.bytes.crop(store);
        bytes.covers(store) && occupied(&bytes, case.chip.eeprom.blank) > 0
    };
    case.snapshots.iter().filter(holds).find(|kept| kept.mine(case, observed).is_some())
}

/// The newest sound snapshot that nothing speaks against, although nothing but the calibration byte speaks for it.
pub(super) fn perhaps<'a>(case: &Case<'a>, observed: &Observed) -> Option<&'a Kept> {
    case.snapshots.iter().find(|kept| kept.is_sound(case) && !kept.is_anothers(case, observed))
}

/// How the board stands to that snapshot.
pub(super) fn climb(case: &Case, observed: &Observed, newest: Option<&(&Kept, String)>, told: &mut Told) {
    const QUESTION: &str = "Is it as the newest snapshot of this board has it?";
    let Some((kept, why)) = newest else {
        let seen = match case.snapshots.is_empty() {
            true => "There is no snapshot of a board of this kind.".to_owned(),
            false => "There is no snapshot that is known to be this board's and in which all is right.".to_owned(),
        };
        return told.rung(Rung::new("snapshot", QUESTION, Verdict::Unknown, seen));
    };
    let stands = |memory: Memory| {
        let name = memory.name();
        match (kept.held.memory(memory), observed.memory(memory)) {
            (Some(was), Some(is)) if is.unreadable.is_none() && was.bytes == is.bytes => format!("{name} is the same"),
            (Some(_), Some(is)) if is.unreadable.is_none() => format!("{name} differs"),
            _ => format!("{name} cannot be compared"),
        }
    };
    let configuration = match kept.held.configuration == observed.configuration {
        true => "configuration is the same",
        false => "configuration differs",
    };
    let list = [stands(Memory::Flash), stands(Memory::Eeprom), configuration.to_owned()].join(", ");
    let same = !list.contains("differs") && !list.contains("cannot");
    let verdict = if same { Verdict::Fine } else { Verdict::Unknown };
    let seen = format!("{}, taken for this board's because {why}: {list}.", kept.name);
    told.rung(Rung::new("snapshot", QUESTION, verdict, seen).rules_out("a change since then"));
}
