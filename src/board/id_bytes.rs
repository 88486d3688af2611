//! What three ID bytes say: which parts have them, or that no chip can have said so.

use super::chip::Chip;
use super::known_chips::{RefusedChip, known_chips, refused_chips};

/// Whose ID bytes they are, as far as the built-in chips go.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum IdBytes {
    /// These parts have them, and there is a chip file for each.
    Of(Vec<&'static str>),
    /// This part has them, and it is not programmed.
    OfRefused(&'static RefusedChip),
    /// The connection spoils what the chip says; why that is known, in words that go on from the bytes.
    Spoiled(String),
    /// They may well be a chip's, of which nothing is known.
    Unknown,
}

impl IdBytes {
    /// Of bytes that came where `expected` should be.
    pub fn of(id: [u8; 3], expected: &Chip) -> IdBytes {
        let parts: Vec<&str> = known_chips().filter(|(of, _)| *of == id).map(|(_, part)| part).collect();
        if !parts.is_empty() {
            return IdBytes::Of(parts);
        }
        if let Some(refused) = refused_chips().iter().find(|refused| refused.id == Some(id)) {
            return IdBytes::OfRefused(refused);
        }
        spoiled(id, expected).map_or(IdBytes::Unknown, IdBytes::Spoiled)
    }
}

/// Why no chip can have said this; `None` where one can. (All 00 and all FF are no entry at all.)
fn spoiled(id: [u8; 3], expected: &Chip) -> Option<String> {
    let maker = expected.id[0];
    match id {
        _ if is_shifted(id, expected.id) => {
            Some(format!("which is the ID of {} shifted by one bit: the connection drops or adds an edge", expected.part))
        }
        [first, ..] if first != maker && known_chips().all(|(known, _)| known[0] != first) => {
            Some(format!("and no chip's ID that is known begins with {first:02X}, but with {maker:02X}"))
        }
        _ => None,
    }
}

/// Whether the bytes came one bit too early or too late.
fn is_shifted(found: [u8; 3], own: [u8; 3]) -> bool {
    let number = |bytes: [u8; 3]| bytes.iter().fold(0u32, |all, byte| all << 8 | u32::from(*byte));
    let (found, own) = (number(found), number(own));
    found >> 1 == own & 0x7F_FFFF || found & 0x7F_FFFF == own >> 1
}
