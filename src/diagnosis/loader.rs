//! What stands in the flash that a board reserves for its loader.

use super::Case;
use super::fit::{Fit, fit};
use super::seen::From;
use crate::board::{self, Board, Chip};
use crate::image::{ByteAddress, Span};
use crate::plan::{NamedImage, Observed};

/// What stands there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Fitted {
    /// The board reserves no flash, or it was not read.
    Unknown,
    Nothing,
    /// The built-in loader of this name, byte for byte.
    BuiltIn(String),
    /// Another loader that is known by this name, byte for byte.
    Known(String),
    /// The loader of this name, not all of it: these pages are blank or torn.
    InPart(String, Vec<Span>),
    /// The loader of this name in most pages, and something else in these.
    Altered(String, Vec<Span>),
    /// Something that is not the board's built-in loader, nor another that is known.
    Other,
}

/// The built-in loader that the board's file names, with this board's parameters.
pub fn own_loader(board: &Board, chip: &Chip) -> Option<NamedImage> {
    let name = board.reservation.as_ref()?.loader.as_deref()?;
    Some(NamedImage { name: name.to_owned(), image: board::loader(name, board, chip).ok()?.image })
}

/// What begins the name of a loader that is known from a snapshot.
pub(super) const THE_LOADER: &str = "the loader ";

/// A loader as sentences call it.
pub(super) fn called(name: &str) -> String {
    format!("{THE_LOADER}{}", name.strip_prefix(THE_LOADER).unwrap_or(name))
}

/// Loaders other than the built-in one that may be on a board of this kind: what jobs of the journal wrote into a boot section, and what
/// reset starts in sound snapshots.
pub(super) fn known_loaders(case: &Case, own: Option<&NamedImage>) -> Vec<NamedImage> {
    let chip = case.chip;
    let section = |at: ByteAddress| chip.boot_sections.iter().map(|section| section.span).find(|span| span.start() == at);
    let by_job = case.known.iter().filter(|known| {
        let extent = known.image.extent();
        matches!(known.from, From::Job(_)) && extent.is_some_and(|extent| section(extent.start()).is_some_and(|span| span.encloses(extent)))
    });
    let by_job = by_job.map(|known| NamedImage { name: known.name.clone(), image: known.image.clone() });
    by_job.chain(case.snapshots.iter().filter_map(|kept| kept.loader(case, own))).collect()
}

impl Fitted {
    /// By what was read, of the built-in loader alone.
    pub fn of(observed: &Observed, board: &Board, chip: &Chip) -> Fitted {
        let own = own_loader(board, chip);
        Fitted::among(observed, board, chip, own.as_ref(), &[]).0
    }

    /// By what was read, of the built-in loader and others that are known; with the loader that it is, or that part of it is.
    pub(super) fn among<'a>(
        observed: &Observed,
        board: &Board,
        chip: &Chip,
        own: Option<&'a NamedImage>,
        others: &'a [NamedImage],
    ) -> (Fitted, Option<&'a NamedImage>) {
        let Some(reserved) = board.reservation.as_ref().map(|reservation| reservation.span) else { return (Fitted::Unknown, None) };
        let (held, blank, page) = (&observed.flash.bytes, chip.flash.blank, chip.flash.page);
        if !held.covers(reserved) {
            return (Fitted::Unknown, None);
        }
        let bytes = held.filled(reserved, blank);
        if bytes.iter().all(|byte| *byte == blank) {
            return (Fitted::Nothing, None);
        }
        if let Some(own) = own.filter(|own| own.image.filled(reserved, blank) == bytes) {
            return (Fitted::BuiltIn(own.name.clone()), Some(own));
        }
        let others = || others.iter().filter(|known| known.image.extent().is_some_and(|extent| extent.start() == reserved.start()));
        if let Some(known) = others().find(|known| known.image.filled(reserved, blank) == bytes) {
            return (Fitted::Known(known.name.clone()), Some(known));
        }
        let in_part = |loader: &'a NamedImage| {
            let name = loader.name.clone();
            let fitted = match fit(held, &loader.image, reserved, page, blank) {
                Fit::HalfWritten { pages } => Fitted::InPart(name, pages),
                Fit::Altered { pages } => Fitted::Altered(name, pages),
                Fit::Damaged { page, .. } => Fitted::InPart(name, vec![page]),
                Fit::Same | Fit::Moved { .. } | Fit::Other => return None,
            };
            Some((fitted, Some(loader)))
        };
        own.into_iter().chain(others()).find_map(in_part).unwrap_or((Fitted::Other, None))
    }
}
