//! Where a loader begins among the boot sections of a chip, by what stands in the flash alone: what a reset that leads beside it is
//! known by.

use crate::board::Chip;
use crate::image::{ByteAddress, Image, Span, start_at, vectors};
use crate::plan::NamedImage;

/// So many jumps in a row that all lead to something behind them are a vector table and no accident.
const TABLE: usize = 3;

/// Something that begins at the start of a boot section.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Beginning {
    pub at: ByteAddress,
    /// The loader that it is, where it is one that is known, every byte of it.
    pub name: Option<String>,
}

/// How the place that reset leads to stands to what begins around it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Lead {
    /// Something begins there, and nothing that reaches there begins before.
    There(Beginning),
    /// Nothing begins there, and this begins at another boot section's start.
    Beside(Beginning),
    /// Something begins there, and this before it.
    Both(Beginning),
    /// Nothing that is known as a beginning is at the start of any boot section.
    Nowhere,
}

/// Judges the place `at` that reset leads to. `known` are loaders that may be there; `reserved` is where the board file has one begin.
pub(super) fn lead(found: &Image, chip: &Chip, at: ByteAddress, reserved: Option<ByteAddress>, known: &[NamedImage]) -> Lead {
    let begins = |at: ByteAddress| beginning(found, chip, at, known);
    let mut places: Vec<ByteAddress> = chip.boot_sections.iter().map(|section| section.span.start()).chain(reserved).collect();
    // Where the board file has it, then what is nearest below, then what is nearest above.
    places.sort_by_key(|place| (Some(*place) != reserved, *place > at, place.0.abs_diff(at.0)));
    let mut others = places.into_iter().filter(|place| *place != at).filter_map(begins);
    match (begins(at), others.next()) {
        (Some(here), Some(other)) if here.name.is_none() && (other.name.is_some() || other.at < at) => Lead::Both(other),
        (Some(here), _) => Lead::There(here),
        (None, Some(other)) => Lead::Beside(other),
        (None, None) => Lead::Nowhere,
    }
}

/// What begins at `at`: a loader that is known, or code that looks like the beginning of a program and not like the middle of one.
pub(super) fn beginning(found: &Image, chip: &Chip, at: ByteAddress, known: &[NamedImage]) -> Option<Beginning> {
    let is_there = |image: &Image| {
        let extent = image.extent().filter(|extent| extent.start() == at);
        extent.is_some() && found.holds(image)
    };
    if let Some(known) = known.iter().find(|known| is_there(&known.image)) {
        return Some(Beginning { at, name: Some(known.name.clone()) });
    }
    let starts = start_at(found, at, chip.core()).starts() && is_after_blank(found, chip, at);
    (starts || has_table(found, chip, at)).then_some(Beginning { at, name: None })
}

/// Whether the page before is blank, so that nothing runs on into what is here.
pub(super) fn is_after_blank(found: &Image, chip: &Chip, at: ByteAddress) -> bool {
    let before = at.0.checked_sub(chip.flash.page).and_then(|page| Span::new(ByteAddress(page), at));
    before.is_some_and(|before| found.covers(before) && found.filled(before, chip.flash.blank).iter().all(|byte| *byte == chip.flash.blank))
}

/// Whether a vector table stands here whose vectors all lead to something behind it.
pub(super) fn has_table(found: &Image, chip: &Chip, at: ByteAddress) -> bool {
    vectors(found, at, chip.core()).iter().take_while(|vector| vector.lands && vector.to > at).count() >= TABLE
}
