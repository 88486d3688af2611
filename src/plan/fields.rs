//! What the chip's description says of given configuration and lock bytes.

use super::Observed;
use crate::board::{Chip, Field, FieldValue, Role};
use crate::image::{ByteAddress, Image, Span};

/// The bits of a configuration byte that belong to fields of these roles.
pub(super) fn mask_of(chip: &Chip, byte: usize, roles: &[Role]) -> u8 {
    let of_role = |field: &&Field| field.byte == byte && field.role.is_some_and(|role| roles.contains(&role));
    chip.fields.iter().filter(of_role).fold(0, |mask, field| mask | field.mask)
}

/// The named value that the field has in `bytes`; `None` for a reserved one.
pub(super) fn value<'c>(field: &'c Field, bytes: &[u8]) -> Option<&'c FieldValue> {
    field.read(bytes)?.value
}

/// Whether the EEPROM survives a chip erase under this configuration.
pub(super) fn keeps_eeprom(chip: &Chip, configuration: &[u8]) -> bool {
    chip.field_for(Role::KeepEeprom).and_then(|field| value(field, configuration)).is_some_and(|value| value.name == "on")
}

/// Where reset starts under this configuration: a boot section, or the first address.
pub(super) fn reset_start(chip: &Chip, configuration: &[u8]) -> ByteAddress {
    chip.started_section(configuration).map_or(ByteAddress(0), Span::start)
}

/// The boot section with the loader that is on the board: reset starts there, and what is there is not blank. Contents that
/// were not read are taken for a loader.
pub(super) fn resident_loader(chip: &Chip, observed: &Observed) -> Option<Span> {
    let section = chip.started_section(observed.configuration.as_deref()?)?;
    let first = Span::sized(section.start(), 2)?;
    let held = &observed.flash.bytes;
    (!held.covers(first) || held.filled(first, chip.flash.blank).iter().any(|byte| *byte != chip.flash.blank)).then_some(section)
}

/// The parts of `whole` outside of every one of `cuts`, in address order.
pub fn outside(whole: Span, cuts: &[Span]) -> Vec<Span> {
    let mut cuts: Vec<Span> = cuts.iter().filter_map(|cut| cut.overlap(whole)).collect();
    cuts.sort();
    let mut left = Vec::new();
    let mut at = whole.start();
    for cut in cuts {
        left.extend(Span::new(at, cut.start()));
        at = at.max(cut.end());
    }
    left.extend(Span::new(at, whole.end()));
    left.retain(|span| !span.is_empty());
    left
}

/// From the first to the last byte of `image` inside `span` that is not `blank`.
pub(super) fn occupied(image: &Image, span: Span, blank: u8) -> Option<Span> {
    let mut ends = None;
    for (at, run) in image.within(span) {
        let Some(first) = run.iter().position(|byte| *byte != blank) else { continue };
        let last = run.iter().rposition(|byte| *byte != blank).unwrap_or(first);
        let start = ends.map_or(at.0 + first as u32, |(start, _)| start);
        ends = Some((start, at.0 + last as u32 + 1));
    }
    ends.and_then(|(start, end)| Span::new(ByteAddress(start), ByteAddress(end)))
}
