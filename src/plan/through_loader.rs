//! What there is to say of an application that goes to a board through its fitted loader. The board is not read there, so only what is
//! known beforehand counts.

use super::checks::{of_another_chip, outside_memory, overlap_finding, start_finding};
use super::{Desired, NamedImage, Origin, Plan, Step, StepKind, outside};
use crate::board::{Board, Chip};
use crate::finding::{Finding, Kind};
use crate::image::{Image, Memory, Span};
use std::time::Duration;

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
        of_another_chip(application, chip),
        start_finding(&application.name, &application.image, start, chip),
        Some(Finding::new(Kind::NoSnapshotPossible, unrecorded)),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// What a transfer to the loader does, for the journal: one step that writes `sent`, blank where the image has no bytes. It speaks of
/// nothing else on the board.
pub fn loader_plan(application: &NamedImage, sent: Span, takes: Duration, chip: &Chip) -> Plan {
    let filled = application.image.filled(sent, chip.flash.blank);
    let given: Vec<Span> = application.image.runs().filter_map(|(at, run)| Span::sized(at, run.len() as u32)).collect();
    let blank = outside(sent, &given).into_iter().map(|span| (Memory::Flash, span, Origin::Blank));
    let image = given.iter().map(|span| (Memory::Flash, *span, Origin::Image(application.name.clone())));
    let mut origins: Vec<_> = image.chain(blank).collect();
    origins.sort_by_key(|(_, span, _)| span.start());
    let desired =
        Desired { flash: Image::of(sent.start(), &filled), eeprom: Image::default(), configuration: Vec::new(), lock: 0xFF, origins };
    let pages = sent.pages(chip.flash.page).map(Span::start).collect();
    let kind = StepKind::WriteFlash { region: "application".to_owned(), span: sent, pages };
    let reason = "sent to the board's loader, which writes it".to_owned();
    Plan { desired, steps: vec![Step { kind, bytes: sent.len(), reason, estimate: takes }] }
}
