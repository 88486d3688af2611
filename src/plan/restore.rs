//! Back to the state of a snapshot: what comes from it, what stays with the board in hand, and what speaks for another board.

use super::checks::{called, place, settings_store};
use super::desired::{Desired, Origin};
use super::{Contents, Observed, fields};
use crate::board::{Board, Chip, MemoryShape};
use crate::finding::{Finding, Kind};
use crate::image::{ByteAddress, Image, Memory, Span};
use crate::units::Bytes;
use serde::{Deserialize, Serialize};

/// A state that the board should come back to. What it does not hold stays as in the baseline.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Restore {
    /// The snapshot's name.
    pub name: String,
    /// Part number of the chip that it was taken of.
    pub chip: String,
    pub held: Observed,
    /// The parts of it that are wanted.
    pub parts: Vec<Part>,
    /// The tag in the snapshot.
    pub tag: Option<String>,
    /// The tag of the board in hand.
    pub board_tag: Option<String>,
    /// What else speaks for another board, as half a sentence.
    pub doubt: Option<String>,
}

/// A part of a board's state that can be restored by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Part {
    Flash,
    Eeprom,
    /// The configuration bytes, and the lock byte with them.
    Configuration,
}

impl Part {
    pub const ALL: [Part; 3] = [Part::Flash, Part::Eeprom, Part::Configuration];
}

impl Restore {
    fn wants(&self, part: Part) -> bool {
        self.parts.contains(&part)
    }

    /// What the snapshot holds of a memory, where that is wanted.
    fn contents(&self, memory: Memory) -> Option<&Contents> {
        let part = if memory == Memory::Eeprom { Part::Eeprom } else { Part::Flash };
        self.held.memory(memory).filter(|_| self.wants(part))
    }

    /// The bytes that come to this board.
    fn bytes(&self, memory: Memory, shape: MemoryShape, baseline: &Observed, board: &Board, chip: &Chip) -> Image {
        let Some(contents) = self.contents(memory) else { return Image::default() };
        let mut bytes = contents.bytes.crop(Span::first(shape.bytes));
        if let Some(number) = board.serial_number.as_ref().filter(|number| number.memory == memory)
            && !self.another_board(baseline, board, chip).is_empty()
        {
            bytes.remove(number.span);
        }
        bytes
    }

    /// The memories that come from the snapshot, under its name.
    pub(super) fn sources(&self) -> impl Iterator<Item = (Memory, &str, &Image)> {
        let memories = [Memory::Flash, Memory::Eeprom].into_iter();
        memories
            .filter_map(|memory| Some((memory, self.name.as_str(), &self.contents(memory)?.bytes)))
            .filter(|(.., image)| !image.is_empty())
    }

    fn configuration(&self, chip: &Chip) -> Option<&[u8]> {
        self.held.configuration.as_deref().filter(|bytes| self.wants(Part::Configuration) && bytes.len() == chip.configuration.len())
    }

    fn lock(&self) -> Option<u8> {
        self.held.lock.filter(|_| self.wants(Part::Configuration))
    }

    /// Everything that shows that the snapshot was taken of another board; nothing where nothing does.
    fn another_board(&self, baseline: &Observed, board: &Board, chip: &Chip) -> Vec<String> {
        let mut reasons = Vec::new();
        if let (Some(was), Some(is)) = (&self.tag, &self.board_tag)
            && was != is
        {
            reasons.push(format!("its tag is '{was}', and this board's is '{is}'"));
        }
        if self.chip != chip.part {
            reasons.push(format!("it was taken of an {}, and this is an {}; the two have the same ID", self.chip, chip.part));
        }
        if let (Some(was), Some(is)) = (self.held.calibration, baseline.calibration)
            && was != is
        {
            reasons.push(format!("its chip's calibration byte is 0x{was:02X}, and this one's is 0x{is:02X}"));
        }
        if let Some(number) = &board.serial_number
            && let Some(was) = serial_number(&self.held, board, chip)
            && serial_number(baseline, board, chip).is_some_and(|is| is != was)
        {
            reasons.push(format!("it has another serial number ({} {})", called(number.memory), place(number.span)));
        }
        reasons.extend(self.doubt.clone());
        reasons
    }
}

/// The bytes of a span, where all were read and one of them is not blank.
fn set_bytes(state: &Observed, memory: Memory, span: Span, chip: &Chip) -> Option<Vec<u8>> {
    let bytes = &state.memory(memory)?.bytes;
    let blank = if memory == Memory::Eeprom { chip.eeprom.blank } else { chip.flash.blank };
    (bytes.covers(span) && fields::occupied(bytes, span, blank).is_some()).then(|| bytes.filled(span, blank))
}

/// The serial number of a board whose file declares one, where it was read and is not blank.
pub fn serial_number(state: &Observed, board: &Board, chip: &Chip) -> Option<Vec<u8>> {
    let number = board.serial_number.as_ref()?;
    set_bytes(state, number.memory, number.span, chip)
}

/// Puts what comes from the snapshot over the baseline. Pages that it does not change still come from the baseline.
pub(super) fn put(restore: &Restore, baseline: &Observed, chip: &Chip, board: &Board, desired: &mut Desired) {
    let origin = Origin::Snapshot(restore.name.clone());
    for (memory, shape) in [(Memory::Flash, chip.flash), (Memory::Eeprom, chip.eeprom)] {
        let bytes = restore.bytes(memory, shape, baseline, board, chip);
        let image = if memory == Memory::Eeprom { &mut desired.eeprom } else { &mut desired.flash };
        let before = image.clone();
        image.overlay(&bytes);
        let changed = |page: &Span| image.crop(*page) != before.crop(*page);
        let pages = bytes.spans().flat_map(|span| span.pages(shape.page.max(1)).collect::<Vec<_>>());
        let changed: Vec<Span> = pages.filter(changed).collect();
        desired.paint(memory, &joined(changed), &origin);
    }
    if let Some(bytes) = restore.configuration(chip) {
        for (n, byte) in chip.with_fixed_bits(bytes).into_iter().enumerate() {
            let Some(place) = desired.configuration.get_mut(n) else { continue };
            let changed = (std::mem::replace(place, byte) != byte).then(|| Span::sized(ByteAddress(n as u32), 1)).flatten();
            desired.paint(Memory::Configuration, changed.as_slice(), &origin);
        }
    }
    if let Some(lock) = restore.lock().map(|lock| lock | !chip.lock.used)
        && std::mem::replace(&mut desired.lock, lock) != lock
    {
        desired.paint(Memory::Lock, &[Span::first(1)], &origin);
    }
}

/// Spans in address order, those that touch as one.
fn joined(spans: Vec<Span>) -> Vec<Span> {
    let mut all: Vec<Span> = Vec::new();
    for span in spans {
        match all.last_mut() {
            Some(last) if last.end() >= span.start() => *last = Span::new(last.start(), span.end()).unwrap_or(*last),
            _ => all.push(span),
        }
    }
    all
}

/// What there is to say of a restore.
pub(super) fn findings(restore: &Restore, baseline: &Observed, chip: &Chip, board: &Board, desired: &Desired) -> Vec<Finding> {
    let case = Case { restore, baseline, chip, board, desired };
    [case.another_chip(), case.another_board(), case.settings_lost(), case.loader_removed(), case.stays(), case.lacks()]
        .into_iter()
        .flatten()
        .collect()
}

struct Case<'a> {
    restore: &'a Restore,
    baseline: &'a Observed,
    chip: &'a Chip,
    board: &'a Board,
    desired: &'a Desired,
}

impl Case<'_> {
    /// The ID bytes say which chip it is; its name only where they were not read.
    fn another_chip(&self) -> Option<Finding> {
        let Restore { name, chip, held, .. } = self.restore;
        let same = held.id.map_or(*chip == self.chip.part, |id| id == self.chip.id);
        let sentence = format!(
            "The snapshot {name} was taken of a chip of another kind ({chip}); this board has {}. Choose a snapshot of this kind of board: \
             `farrier snapshot list` shows them.",
            self.chip.part
        );
        (!same).then(|| Finding::new(Kind::WrongChip, sentence))
    }

    fn another_board(&self) -> Option<Finding> {
        let reasons = self.restore.another_board(self.baseline, self.board, self.chip);
        let name = &self.restore.name;
        let sentence = format!(
            "The snapshot {name} was taken of another board: {}. Its contents and settings would come to this one. To do that on purpose, \
             for instance to put a new board in an old one's place, accept it.",
            reasons.join("; ")
        );
        let stake = format!("{name}: {}", reasons.join("; "));
        (!reasons.is_empty()).then_some(Finding { kind: Kind::AnotherBoardsSnapshot, sentence, stake })
    }

    /// A snapshot that holds only part of the settings store, over settings that are there.
    fn settings_lost(&self) -> Option<Finding> {
        let store = settings_store(self.chip, self.board);
        let bytes = self.restore.bytes(Memory::Eeprom, self.chip.eeprom, self.baseline, self.board, self.chip);
        let part = bytes.crop(store);
        let before = &self.baseline.eeprom.bytes;
        let lacks = self.restore.held.eeprom.bytes.gaps(store);
        let over = part.runs().flat_map(|(at, run)| (at.0..).zip(run)).filter(|(at, byte)| {
            let old = before.byte(ByteAddress(*at));
            old.is_none_or(|old| old != self.chip.eeprom.blank && old != **byte)
        });
        let changed = over.count();
        let sentence = format!(
            "The snapshot {} has other values for {} of the settings that are there, and holds the store ({store}) only in part. To keep \
             the settings, restore the other parts with --only.",
            self.restore.name,
            Bytes(changed as u64)
        );
        (changed > 0 && !lacks.is_empty()).then(|| Finding::new(Kind::SettingsLost, sentence))
    }

    /// The board has a loader, and the snapshot's board had none.
    fn loader_removed(&self) -> Option<Finding> {
        let section = fields::resident_loader(self.chip, self.baseline)?;
        let start = Span::sized(section.start(), 2)?;
        let afterwards = fields::reset_start(self.chip, &self.desired.configuration) == section.start();
        let blank = self.chip.flash.blank;
        let there = self.desired.flash.filled(start, !blank).iter().any(|byte| *byte != blank);
        let sentence = format!(
            "The loader at {section} is not started any more afterwards: the snapshot {} holds none there. New firmware then gets in only \
             through the programming header.",
            self.restore.name
        );
        (!(afterwards && there)).then(|| Finding::new(Kind::LoaderRemoved, sentence))
    }

    /// What does not come along to another board.
    fn stays(&self) -> Option<Finding> {
        if self.restore.another_board(self.baseline, self.board, self.chip).is_empty() {
            return None;
        }
        let mut stays = Vec::new();
        if let (Some(was), Some(is)) = (self.restore.held.calibration, self.baseline.calibration)
            && was != is
        {
            stays.push(format!("the calibration byte, which belongs to the chip (0x{is:02X}; the snapshot's is 0x{was:02X})"));
        }
        if let Some(number) = &self.board.serial_number
            && self.restore.contents(number.memory).is_some_and(|held| !held.bytes.crop(number.span).is_empty())
        {
            stays.push(format!("the serial number ({} {})", called(number.memory), place(number.span)));
        }
        let sentence = format!("These stay as they are on this board: {}.", stays.join("; "));
        (!stays.is_empty()).then(|| Finding::new(Kind::StaysWithTheBoard, sentence))
    }

    /// What is wanted and not in the snapshot.
    fn lacks(&self) -> Option<Finding> {
        let mut lacks = Vec::new();
        for (memory, shape) in [(Memory::Flash, self.chip.flash), (Memory::Eeprom, self.chip.eeprom)] {
            let Some(held) = self.restore.contents(memory) else { continue };
            let missing: u32 = held.bytes.gaps(Span::first(shape.bytes)).iter().map(|span| span.len()).sum();
            if missing > 0 {
                let why = held.unreadable.as_deref().unwrap_or("not read");
                lacks.push(format!("{} of {} ({why})", Bytes(missing.into()), called(memory)));
            }
        }
        if self.restore.wants(Part::Configuration) {
            lacks.extend(self.restore.configuration(self.chip).is_none().then(|| "the configuration".to_string()));
            lacks.extend(self.restore.lock().is_none().then(|| "the lock byte".to_string()));
        }
        let name = &self.restore.name;
        let sentence = format!("The snapshot {name} lacks {}. That stays as it is on the board.", lacks.join(", "));
        (!lacks.is_empty()).then(|| Finding::new(Kind::SnapshotIncomplete, sentence))
    }
}
