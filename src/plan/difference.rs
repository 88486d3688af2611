//! What differs between an observed and a desired state, and whether only an erase can settle it.

use super::reconcile::Target;
use super::{Desired, Observed, fields};
use crate::board::{Chip, MemoryShape};
use crate::image::{ByteAddress, Image, Memory, Span};

/// What has to be written, after an erase where one is needed.
#[derive(Debug)]
pub(super) struct Difference {
    /// Why the chip must be erased first, as half a sentence.
    pub erase: Option<String>,
    pub flash: Vec<ByteAddress>,
    pub eeprom: Vec<ByteAddress>,
    /// What opens the EEPROM where the configuration locks a part of it that is to be written.
    pub opening: Option<Opening>,
    /// What is left to change once that is done.
    pub configuration: Vec<ByteChange>,
    /// The lock byte to write.
    pub lock: Option<u8>,
}

/// A write of the configuration that lets the EEPROM be written.
#[derive(Clone, Debug)]
pub(super) struct Opening {
    pub byte: usize,
    pub value: u8,
    /// Only an erase makes the configuration writable.
    pub after_erase: bool,
    /// Why, as half a sentence.
    pub reason: String,
}

/// A configuration byte to be changed.
#[derive(Clone, Copy, Debug)]
pub(super) struct ByteChange {
    pub byte: usize,
    /// As read; `None` where it was not.
    pub from: Option<u8>,
    pub to: u8,
    /// The bits that have a meaning.
    pub used: u8,
}

/// How desired bytes stand to those that are there.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Match {
    Same,
    /// Clearing bits is enough.
    Clear,
    /// A bit must go from 0 to 1, or what is there is not known.
    Erase,
}

impl Difference {
    pub(super) fn between(observed: &Observed, desired: &Desired, target: &Target) -> Difference {
        let Target { chip, way_in, .. } = *target;
        let configuration = configuration_changes(observed, desired, chip);
        let flash = Pages::of(Memory::Flash, &desired.flash, &observed.flash.bytes, chip);
        let eeprom = Pages::of(Memory::Eeprom, &desired.eeprom, &observed.eeprom.bytes, chip);
        let lock = LockNeed::of(observed.lock, desired.lock, chip);
        let writes = !flash.differ.is_empty() || !eeprom.differ.is_empty() || !configuration.is_empty();
        let erase = erase_reason(&flash, &eeprom, lock, writes, way_in.eeprom_writes_erase);
        let after_erase = lock.forbids_writing;
        let (flash, eeprom, lock) = match erase {
            None => (flash.differ, eeprom.differ, lock.write.then_some(desired.lock)),
            Some(_) => {
                let blank = |shape: MemoryShape| Image::of(ByteAddress(0), &vec![shape.blank; shape.bytes as usize]);
                let flash = Pages::of(Memory::Flash, &desired.flash, &blank(chip.flash), chip);
                let taken = erase_takes_eeprom(observed, target);
                let erased = || Pages::of(Memory::Eeprom, &desired.eeprom, &erased_eeprom(observed, blank(chip.eeprom), chip), chip);
                let eeprom = if taken { erased() } else { eeprom };
                let left = if way_in.chip_erase_takes.contains(&Memory::Lock) { Some(0xFF) } else { observed.lock };
                let lock = LockNeed::of(left, desired.lock, chip);
                (flash.differ, eeprom.differ, lock.write.then_some(desired.lock))
            }
        };
        let opening = Opening::of(observed, &eeprom, after_erase, chip);
        let configuration = match &opening {
            Some(opening) => configuration_changes(&opening.applied_to(observed), desired, chip),
            None => configuration,
        };
        Difference { erase: erase.map(str::to_string), flash, eeprom, opening, configuration, lock }
    }

    pub(super) fn any(&self) -> bool {
        let written = self.flash.len() + self.eeprom.len() + self.configuration.len();
        written > 0 || self.erase.is_some() || self.lock.is_some()
    }
}

/// What an erase leaves of the EEPROM, as far as can be told: whether it takes a locked part too stands in no document that was read. What
/// is blank there is blank afterwards either way.
fn erased_eeprom(observed: &Observed, blank: Image, chip: &Chip) -> Image {
    let mut left = blank;
    let locked = chip.locked_eeprom(observed.configuration.as_deref().unwrap_or_default());
    let places = locked.into_iter().flat_map(|(_, span)| span.pages(1));
    let set = |place: &Span| observed.eeprom.bytes.byte(place.start()) != Some(chip.eeprom.blank);
    places.filter(set).for_each(|place| left.remove(place));
    left
}

impl Opening {
    /// What opens the EEPROM for these pages; nothing where it is open.
    fn of(observed: &Observed, pages: &[ByteAddress], after_erase: bool, chip: &Chip) -> Option<Opening> {
        let configuration = observed.configuration.as_deref()?;
        let (field, span) = chip.locked_eeprom(configuration)?;
        pages.iter().find(|page| span.contains(**page))?;
        let mut bytes = configuration.to_vec();
        field.set(&mut bytes, field.opening()?.bits);
        let value = bytes.get(field.byte)? | !chip.configuration.get(field.byte)?.used;
        let reason = format!("to open EEPROM {span} for this job: {} locks it", field.symbol);
        Some(Opening { byte: field.byte, value, after_erase, reason })
    }

    /// The board once it is done.
    fn applied_to(&self, observed: &Observed) -> Observed {
        let mut configuration = observed.configuration.clone();
        if let Some(byte) = configuration.iter_mut().flatten().nth(self.byte) {
            *byte = self.value;
        }
        Observed { configuration, ..observed.clone() }
    }
}

/// Whether an erase of the chip takes the EEPROM with it, under the configuration that it has now.
pub(super) fn erase_takes_eeprom(observed: &Observed, target: &Target) -> bool {
    let configuration = observed.configuration.as_deref().unwrap_or_default();
    target.way_in.chip_erase_takes.contains(&Memory::Eeprom) && !fields::keeps_eeprom(target.chip, configuration)
}

fn erase_reason(flash: &Pages, eeprom: &Pages, lock: LockNeed, writes: bool, eeprom_writes_erase: bool) -> Option<&'static str> {
    if lock.loosen {
        Some("because only an erase sets lock bits back")
    } else if lock.fixed && lock.write {
        Some("because this lock lets no more lock bits be set")
    } else if lock.forbids_writing && writes {
        Some("because the chip is locked against writing")
    } else if flash.erase || eeprom.erase && !eeprom_writes_erase {
        Some("because writing alone can only clear bits")
    } else {
        None
    }
}

/// Pages that are not as desired.
struct Pages {
    differ: Vec<ByteAddress>,
    /// One of them needs an erase, as far as its bytes go.
    erase: bool,
}

impl Pages {
    fn of(memory: Memory, desired: &Image, there: &Image, chip: &Chip) -> Pages {
        let shape = if memory == Memory::Eeprom { chip.eeprom } else { chip.flash };
        let mut pages = Pages { differ: Vec::new(), erase: false };
        for page in Span::first(shape.bytes).pages(shape.page.max(1)) {
            let need = match_of(desired, there, page);
            pages.erase |= need == Match::Erase;
            if need != Match::Same {
                pages.differ.push(page.start());
            }
        }
        pages
    }
}

/// How the desired bytes in `span` stand to those that are there. Bytes that are not known need an erase.
pub(super) fn match_of(desired: &Image, there: &Image, span: Span) -> Match {
    let mut worst = Match::Same;
    for (at, wanted) in desired.within(span) {
        let Some(here) = Span::sized(at, wanted.len() as u32) else { continue };
        if !there.covers(here) {
            return Match::Erase;
        }
        for (old, new) in there.filled(here, 0).iter().zip(wanted) {
            match (old == new, old & new == *new) {
                (true, _) => {}
                (false, true) => worst = Match::Clear,
                (false, false) => return Match::Erase,
            }
        }
    }
    worst
}

fn configuration_changes(observed: &Observed, desired: &Desired, chip: &Chip) -> Vec<ByteChange> {
    let read = observed.configuration.as_deref().unwrap_or_default();
    let change = |(byte, of): (usize, &crate::board::ConfigurationByte)| {
        let to = desired.configuration.get(byte)? | !of.used;
        let from = read.get(byte).copied();
        from.is_none_or(|from| (from ^ to) & of.used != 0).then_some(ByteChange { byte, from, to, used: of.used })
    };
    chip.configuration.iter().enumerate().filter_map(change).collect()
}

/// What the lock bits need.
#[derive(Clone, Copy)]
struct LockNeed {
    /// Bits must go back to 1.
    loosen: bool,
    /// Bits must be set to 0.
    write: bool,
    forbids_writing: bool,
    /// The lock bits take no change before an erase.
    fixed: bool,
}

impl LockNeed {
    /// A lock byte that was not read may hold anything.
    fn of(read: Option<u8>, desired: u8, chip: &Chip) -> LockNeed {
        let Some(read) = read else { return LockNeed { loosen: true, write: true, forbids_writing: true, fixed: true } };
        let forbids = chip.forbids(read);
        let used = chip.lock.used;
        LockNeed {
            loosen: desired & !read & used != 0,
            write: !desired & read & used != 0,
            forbids_writing: forbids.writing,
            fixed: forbids.reading,
        }
    }
}
