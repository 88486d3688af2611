//! A pattern written out: what each repetition sends, what it captures, and what becomes of that.

use crate::bus::{Outcome, Pattern, Reply, Slot, SlotKind, Why};
use crc::{CRC_32_ISO_HDLC, Crc, Digest};

static CRC: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);

pub(super) const TEMPLATE_BYTES_MAX: usize = 16;
pub(super) const SLOTS_MAX: usize = 8;

/// Why a pattern cannot be carried out.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadPattern {
    #[error("a template has 1 to {TEMPLATE_BYTES_MAX} bytes, not {0}")]
    Template(usize),
    #[error("a pattern has at most {SLOTS_MAX} slots, not {0}")]
    Slots(usize),
    #[error("slot {slot} has {width} bits; a counter has 1 to 32, data and capture have 8")]
    Width { slot: usize, width: u8 },
    #[error("slot {slot} ends at bit {end}, the template at bit {template}")]
    Outside { slot: usize, end: usize, template: usize },
    #[error("slot {slot} sends where another slot or the template's own bits do")]
    Overlap { slot: usize },
    #[error("it is repeated 0 times")]
    NoRepeat,
    #[error("the counter goes past 32 bits: {repeat} repetitions from {first}")]
    Counter { first: u32, repeat: u32 },
    #[error("it carries {found} data bytes where its slots take {expected}")]
    DataLength { expected: u64, found: usize },
    #[error("data slots cannot be used when captured bytes are compared with the data")]
    DataSlotInCompare,
    #[error("nothing is captured for its outcome")]
    NothingCaptured,
    #[error("a CRC over every 0 bytes")]
    CrcOverNothing,
}

/// A pattern that was found to be sound.
#[derive(Clone, Debug)]
pub struct Repetitions<'a> {
    pattern: &'a Pattern,
    /// The template, its first byte topmost.
    template: u128,
    data_slots: usize,
    captures: usize,
}

impl<'a> Repetitions<'a> {
    /// Checks everything that a pattern must keep to.
    ///
    /// # Errors
    /// The first rule that is broken.
    pub fn of(pattern: &'a Pattern) -> Result<Repetitions<'a>, BadPattern> {
        let template = check_template(pattern)?;
        let count = |kind| pattern.slots.iter().filter(|slot| slot.kind == kind).count();
        let (data_slots, captures) = (count(SlotKind::Data), count(SlotKind::Capture));
        check_counts(pattern, data_slots, captures)?;
        Ok(Repetitions { pattern, template, data_slots, captures })
    }

    /// How many there are.
    #[must_use]
    pub fn count(&self) -> u32 {
        self.pattern.repeat
    }

    /// How many bytes all of them capture.
    #[must_use]
    pub fn captured_bytes(&self) -> u64 {
        u64::from(self.pattern.repeat) * self.captures as u64
    }

    /// What repetition `n` sends, counted from 0. One past the last has no data, and sends 0 there.
    #[must_use]
    pub fn sent(&self, n: u32) -> Vec<u8> {
        let mut bits = self.template;
        let from = self.data_slots.saturating_mul(n as usize);
        let mut data = self.pattern.data.iter().skip(from);
        for slot in &self.pattern.slots {
            let value = match slot.kind {
                SlotKind::Counter => u128::from(self.pattern.first.wrapping_add(n)),
                SlotKind::Data => u128::from(data.next().copied().unwrap_or(0)),
                SlotKind::Capture => continue,
            };
            bits |= (value << shift(*slot)) & mask(*slot);
        }
        bits.to_be_bytes().into_iter().take(self.pattern.template.len()).collect()
    }

    /// The captured bytes in what came back of one repetition, in slot order.
    pub fn captured(&self, came_back: &[u8]) -> impl Iterator<Item = u8> {
        let bits = left_aligned(came_back);
        let captures = self.pattern.slots.iter().filter(|slot| slot.kind == SlotKind::Capture);
        captures.map(move |slot| (bits >> shift(*slot)).to_le_bytes()[0])
    }

    /// What gathers the captured bytes of all repetitions, one after another.
    #[must_use]
    pub fn gather(&self) -> Captured<'a> {
        let keep = match self.pattern.outcome {
            Outcome::Discard => Keep::Nothing,
            Outcome::Return => Keep::Bytes(Vec::new()),
            Outcome::Compare => Keep::Compare { expected: &self.pattern.data, index: 0, differs: None },
            Outcome::Crc32 { every } => Keep::Crc32 { every, taken: 0, digest: CRC.digest(), done: Vec::new() },
        };
        Captured(keep)
    }
}

/// Captured bytes on their way to a reply.
pub struct Captured<'a>(Keep<'a>);

enum Keep<'a> {
    Nothing,
    Bytes(Vec<u8>),
    Compare { expected: &'a [u8], index: u32, differs: Option<Why> },
    Crc32 { every: u32, taken: u32, digest: Digest<'static, u32>, done: Vec<u32> },
}

impl Captured<'_> {
    /// Takes the next captured byte. False when no more are needed, because a comparison has failed.
    pub fn push(&mut self, byte: u8) -> bool {
        match &mut self.0 {
            Keep::Nothing => {}
            Keep::Bytes(bytes) => bytes.push(byte),
            Keep::Compare { expected, index, differs } => {
                if let Some(&wanted) = expected.get(*index as usize)
                    && wanted != byte
                    && differs.is_none()
                {
                    *differs = Some(Why::Differs { index: *index, expected: wanted, found: byte });
                }
                *index = index.saturating_add(1);
                return differs.is_none();
            }
            Keep::Crc32 { every, taken, digest, done } => {
                digest.update(&[byte]);
                *taken += 1;
                if taken == every {
                    done.push(std::mem::replace(digest, CRC.digest()).finalize());
                    *taken = 0;
                }
            }
        }
        true
    }

    /// The pattern's reply.
    ///
    /// # Errors
    /// [`Why::Differs`] where a comparison failed.
    pub fn finish(self) -> Result<Reply, Why> {
        match self.0 {
            Keep::Nothing | Keep::Compare { differs: None, .. } => Ok(Reply::Done),
            Keep::Compare { differs: Some(why), .. } => Err(why),
            Keep::Bytes(bytes) => Ok(Reply::Bytes(bytes)),
            Keep::Crc32 { taken, digest, mut done, .. } => {
                if taken > 0 {
                    done.push(digest.finalize());
                }
                Ok(Reply::Crc32(done))
            }
        }
    }
}

/// The data bytes that a pattern of these slots carries.
pub(super) fn data_bytes(outcome: Outcome, data_slots: usize, captures: usize, repeat: u32) -> u64 {
    let each = if outcome == Outcome::Compare { captures } else { data_slots };
    each as u64 * u64::from(repeat)
}

fn check_template(pattern: &Pattern) -> Result<u128, BadPattern> {
    let length = pattern.template.len();
    if !(1..=TEMPLATE_BYTES_MAX).contains(&length) {
        return Err(BadPattern::Template(length));
    }
    if pattern.slots.len() > SLOTS_MAX {
        return Err(BadPattern::Slots(pattern.slots.len()));
    }
    let template = left_aligned(&pattern.template);
    let mut sent = template;
    for (index, slot) in pattern.slots.iter().enumerate() {
        let widths = if slot.kind == SlotKind::Counter { 1..=32 } else { 8..=8 };
        if !widths.contains(&slot.width) {
            return Err(BadPattern::Width { slot: index, width: slot.width });
        }
        let (end, template) = (usize::from(slot.bit) + usize::from(slot.width), length * 8);
        if end > template {
            return Err(BadPattern::Outside { slot: index, end, template });
        }
        if slot.kind != SlotKind::Capture {
            if sent & mask(*slot) != 0 {
                return Err(BadPattern::Overlap { slot: index });
            }
            sent |= mask(*slot);
        }
    }
    Ok(template)
}

fn check_counts(pattern: &Pattern, data_slots: usize, captures: usize) -> Result<(), BadPattern> {
    let &Pattern { first, repeat, outcome, .. } = pattern;
    if repeat == 0 {
        return Err(BadPattern::NoRepeat);
    }
    if first.checked_add(repeat - 1).is_none() {
        return Err(BadPattern::Counter { first, repeat });
    }
    match outcome {
        Outcome::Compare if data_slots > 0 => return Err(BadPattern::DataSlotInCompare),
        Outcome::Crc32 { every: 0 } => return Err(BadPattern::CrcOverNothing),
        Outcome::Return | Outcome::Compare | Outcome::Crc32 { .. } if captures == 0 => return Err(BadPattern::NothingCaptured),
        _ => {}
    }
    let expected = data_bytes(outcome, data_slots, captures, repeat);
    match pattern.data.len() as u64 == expected {
        true => Ok(()),
        false => Err(BadPattern::DataLength { expected, found: pattern.data.len() }),
    }
}

/// Up to 16 bytes, the first one topmost.
fn left_aligned(bytes: &[u8]) -> u128 {
    let mut all = [0; TEMPLATE_BYTES_MAX];
    for (to, from) in all.iter_mut().zip(bytes) {
        *to = *from;
    }
    u128::from_be_bytes(all)
}

/// How far a sound slot's lowest bit stands from the right end.
fn shift(slot: Slot) -> u32 {
    128u32.saturating_sub(u32::from(slot.bit) + u32::from(slot.width)).min(127)
}

/// A slot's bits.
fn mask(slot: Slot) -> u128 {
    ((1u128 << slot.width.min(32)) - 1) << shift(slot)
}
