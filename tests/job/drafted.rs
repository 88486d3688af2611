//! A board with our loader for every chip that it is built for, as `boards new` drafts it.

use farrier::board::{
    Board, Catalog, Chip, ClockSetting, ClockSource, Draft, DraftReservation, Role, SERIAL_LOADER, Stated, generic_board, loader,
    read_board,
};
use farrier::image::Span;
use farrier::units::Hertz;

const CLOCK: Hertz = Hertz(8_000_000);
const BAUD: u32 = 38_400;

/// The chip of this part number on a drafted board, with the loader in the smallest boot section that it fits into; `None` where it
/// fits none. The board runs on a crystal or on what else the chip can have that gives the line speed.
pub fn with_loader(part: &str) -> Option<(Board, Chip)> {
    let chip = Catalog::built_in().chip(part).expect("a chip of the catalog");
    let mut sections: Vec<Span> = chip.boot_sections.iter().map(|section| section.span).collect();
    sections.sort_by_key(|span| span.len());
    let drafts = sections.into_iter().flat_map(|span| clocks(&chip).into_iter().map(move |clock| (span, clock)));
    let drafts: Vec<(Span, ClockSetting)> = drafts.collect();
    let board = drafts.into_iter().find_map(|(span, clock)| drafted(&chip, span, clock))?;
    Some((board, chip))
}

/// A crystal, then the chip's own oscillators, then a signal.
fn clocks(chip: &Chip) -> Vec<ClockSetting> {
    let crystal = ClockSetting { source: ClockSource::Crystal { from_hz: CLOCK, to_hz: CLOCK }, hz: CLOCK };
    let signal = ClockSetting { source: ClockSource::External, hz: CLOCK };
    let values = chip.field_for(Role::Clock).map_or(&[][..], |field| &field.values);
    let own = values.iter().filter_map(|value| match value.clock {
        Some(source @ ClockSource::Internal { hz }) => Some(ClockSetting { source, hz }),
        _ => None,
    });
    std::iter::once(crystal).chain(own).chain([signal]).collect()
}

fn drafted(chip: &Chip, span: Span, clock: ClockSetting) -> Option<Board> {
    let (generic, _) = Catalog::built_in().board(&generic_board(&chip.part)).expect("a generic board");
    let draft = Draft {
        name: format!("kiln-{}", chip.part.to_ascii_lowercase()),
        summary: Stated::told("fires the pots".into()),
        chip: Stated::told(chip),
        configuration: None,
        supply: Stated::told(generic.levels),
        clock: Stated::told(clock),
        clock_known: None,
        reservation: Stated::told(Some(DraftReservation {
            span,
            loader: Some(SERIAL_LOADER.into()),
            baud: Some(BAUD),
            start_delay_ms: 1_000,
        })),
        drives: Vec::new(),
        settings: Stated::assumed(Some(Span::first(chip.eeprom.bytes))),
        console: None,
    };
    let (board, chip) = draft.can_run().then(|| read_board(&draft.write().text, |_| Ok(chip.clone())).ok())??;
    loader(SERIAL_LOADER, &board, &chip).ok().filter(|built| built.speed.fits()).map(|_| board)
}
