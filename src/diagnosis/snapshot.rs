//! Which snapshot is this board's, and how the board stands to it.

use super::rung::{Rung, Verdict};
use super::{Case, Told};
use crate::board::Chip;
use crate::image::{Image, Memory, Span, start_at};
use crate::plan::{Observed, Part, Restore};

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

impl Kept {
    /// A snapshot of this name.
    pub fn of(name: String, chip: &str, tag: Option<&str>, held: Observed) -> Kept {
        Kept { name, chip: chip.to_owned(), tag: tag.map(str::to_owned), held }
    }

    /// What the planner needs of it.
    pub(super) fn back(&self, parts: Vec<Part>, board_tag: Option<String>) -> Restore {
        let Kept { name, chip, tag, held } = self.clone();
        Restore { name, chip, held, parts, tag, board_tag, doubt: None }
    }

    /// All was read, and what is there starts.
    fn is_sound(&self, chip: &Chip) -> bool {
        let held = &self.held;
        let complete = held.flash.bytes.covers(chip.flash_span()) && held.eeprom.bytes.covers(Span::first(chip.eeprom.bytes));
        let Some(configuration) = held.configuration.as_deref().filter(|_| complete) else { return false };
        let section = chip.boot_section(configuration).filter(|_| chip.starts_loader(configuration));
        let at = section.map_or(Span::first(1).start(), Span::start);
        start_at(&held.flash.bytes, at, chip.flash.bytes).starts()
    }

    /// Why it is taken for this board's; nothing where it is another's or nothing tells.
    fn mine(&self, observed: &Observed, tag: Option<&str>, chip: &Chip) -> Option<String> {
        if self.held.id != observed.id || self.held.calibration != observed.calibration {
            return None;
        }
        match (self.tag.as_deref(), tag) {
            (Some(was), Some(is)) if was == is => return Some(format!("its tag is {is}")),
            (Some(_), Some(_)) => return None,
            _ => {}
        }
        let memories = [(Memory::Eeprom, chip.eeprom.blank), (Memory::Flash, chip.flash.blank)];
        let there = memories.into_iter().find_map(|(memory, blank)| {
            let (was, is) = (&self.held.memory(memory)?.bytes, &observed.memory(memory)?.bytes);
            let same = same_bytes(was, is, blank);
            (same >= TELLING).then(|| format!("the chip's calibration byte and {same} bytes of its {} are the same", memory.name()))
        })?;
        Some(there)
    }
}

/// So many equal bytes that are not blank tell of a board, together with the calibration byte.
const TELLING: usize = 16;

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
    let sound = case.snapshots.iter().filter(|kept| kept.is_sound(case.chip));
    sound.map(|kept| (kept, kept.mine(observed, case.tag, case.chip))).find_map(|(kept, why)| Some((kept, why?)))
}

/// The newest sound snapshot that nothing speaks against, although nothing but the calibration byte speaks for it.
pub(super) fn perhaps<'a>(case: &Case<'a>, observed: &Observed) -> Option<&'a Kept> {
    let other_tag = |kept: &&Kept| kept.tag.as_deref().zip(case.tag).is_some_and(|(was, is)| was != is);
    let same = |kept: &&Kept| kept.held.id == observed.id && kept.held.calibration == observed.calibration;
    case.snapshots.iter().filter(same).find(|kept| kept.is_sound(case.chip) && !other_tag(kept))
}

/// How the board stands to that snapshot.
pub(super) fn climb(case: &Case, observed: &Observed, newest: Option<&(&Kept, String)>, told: &mut Told) {
    const QUESTION: &str = "Is it as the newest snapshot of this board has it?";
    let Some((kept, why)) = newest else {
        let seen = match case.snapshots.is_empty() {
            true => "There is no snapshot of a board of this kind.".to_owned(),
            false => "None of the snapshots of boards of this kind is known to be this board's.".to_owned(),
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
