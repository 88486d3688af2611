//! What stands in the flash that a board reserves for its loader.

use super::fit::{Fit, fit};
use crate::board::{self, Board, Chip};
use crate::image::Span;
use crate::plan::{NamedImage, Observed};

/// What stands there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Fitted {
    /// The board reserves no flash, or it was not read.
    Unknown,
    Nothing,
    /// The built-in loader of this name, byte for byte.
    BuiltIn(String),
    /// The built-in loader of this name, not all of it: these pages are blank or torn.
    InPart(String, Vec<Span>),
    /// The built-in loader of this name in most pages, and something else in these.
    Altered(String, Vec<Span>),
    /// Something that is not the board's built-in loader.
    Other,
}

/// The built-in loader that the board's file names, with this board's parameters.
pub fn own_loader(board: &Board, chip: &Chip) -> Option<NamedImage> {
    let name = board.reservation.as_ref()?.loader.as_deref()?;
    Some(NamedImage { name: name.to_owned(), image: board::loader(name, board, chip).ok()?.image })
}

impl Fitted {
    /// By what was read.
    pub fn of(observed: &Observed, board: &Board, chip: &Chip) -> Fitted {
        let Some(reservation) = &board.reservation else { return Fitted::Unknown };
        let held = &observed.flash.bytes;
        if !held.covers(reservation.span) {
            return Fitted::Unknown;
        }
        let (blank, page) = (chip.flash.blank, chip.flash.page);
        let bytes = held.filled(reservation.span, blank);
        if bytes.iter().all(|byte| *byte == blank) {
            return Fitted::Nothing;
        }
        let Some(own) = own_loader(board, chip) else { return Fitted::Other };
        if own.image.filled(reservation.span, blank) == bytes {
            return Fitted::BuiltIn(own.name);
        }
        match fit(held, &own.image, reservation.span, page, blank) {
            Fit::HalfWritten { pages } => Fitted::InPart(own.name, pages),
            Fit::Altered { pages } => Fitted::Altered(own.name, pages),
            Fit::Damaged { page, .. } => Fitted::InPart(own.name, vec![page]),
            Fit::Same | Fit::Moved { .. } | Fit::Other => Fitted::Other,
        }
    }
}
