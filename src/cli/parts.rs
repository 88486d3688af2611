//! The named parts of a board's memories, for comparing and reporting.

use crate::board::{Board, Chip};
use crate::image::{Image, Memory, Span};
use crate::plan::{outside, regions};

/// A named part of a memory.
pub struct Part {
    pub name: String,
    pub memory: Memory,
    /// In address order.
    pub spans: Vec<Span>,
}

impl Part {
    fn new(name: &str, memory: Memory, spans: Vec<Span>) -> Part {
        Part { name: name.to_owned(), memory, spans }
    }

    pub fn bytes(&self) -> u32 {
        self.spans.iter().map(|span| span.len()).sum()
    }

    /// What an image holds of it.
    pub fn of(&self, image: &Image) -> Image {
        let mut part = Image::default();
        self.spans.iter().for_each(|span| part.overlay(&image.crop(*span)));
        part
    }

    /// Where it is.
    pub fn place(&self) -> String {
        match self.spans.as_slice() {
            [one] => one.to_string(),
            many => format!("{} spans", many.len()),
        }
    }
}

/// All parts: of the flash in the order in which they are written, then of the EEPROM.
pub fn of(board: &Board, chip: &Chip) -> Vec<Part> {
    let flash = regions(chip, board).into_iter().map(|(name, spans)| Part { name, memory: Memory::Flash, spans });
    let whole = Span::first(chip.eeprom.bytes);
    let settings = board.settings.as_ref().map(|store| store.span);
    let serial = board.serial_number.as_ref().filter(|number| number.memory == Memory::Eeprom).map(|number| number.span);
    let named = [("serial number", serial), ("settings", settings)];
    let mut taken = Vec::new();
    let mut parts: Vec<Part> = flash.collect();
    for (name, span) in named.into_iter().filter_map(|(name, span)| Some((name, span?))) {
        parts.push(Part::new(name, Memory::Eeprom, outside(span, &taken)));
        taken.push(span);
    }
    parts.push(Part::new(if taken.is_empty() { "EEPROM" } else { "rest of EEPROM" }, Memory::Eeprom, outside(whole, &taken)));
    parts.retain(|part| part.bytes() > 0);
    parts
}
