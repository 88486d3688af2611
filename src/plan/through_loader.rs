//! What there is to say of an application that goes to a board through its fitted loader. The board is not read there, so only what is
//! known beforehand counts.

use super::NamedImage;
use super::checks::{outside_memory, overlap_finding, start_finding};
use crate::board::{Board, Chip};
use crate::finding::{Finding, Kind};
use crate::image::Memory;

/// Every finding about sending this application to the loader of such a board.
pub fn through_loader(application: &NamedImage, board: &Board, chip: &Chip) -> Vec<Finding> {
    let start = board.application(chip).start();
    let overlap = board.reservation.as_ref().and_then(|reservation| {
        let hit = application.image.crop(reservation.span).extent()?;
        let does_what = format!("board {} reserves for the loader ({})", board.name, reservation.span);
        Some(overlap_finding(application, hit, &does_what))
    });
    let unrecorded = "Through its loader a board cannot be read: what its flash holds now is not recorded, and there will be no way back. \
                      Settings in the EEPROM are not touched.";
    [
        outside_memory(chip, Memory::Flash, application),
        overlap,
        start_finding(&application.name, &application.image, start, chip),
        Some(Finding::new(Kind::NoSnapshotPossible, unrecorded)),
    ]
    .into_iter()
    .flatten()
    .collect()
}
