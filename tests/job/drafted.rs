//! A board for every chip, as `boards new` drafts it: with our loader, where that is built for the chip.

use farrier::board::{
    Board, Catalog, Chip, ClockSetting, ClockSource, Draft, DraftReservation, SERIAL_LOADER, Stated, can_run, loader, read_board,
};
use farrier::image::Span;
use farrier::units::{Hertz, Millivolts};

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
    let board = drafts.into_iter().find_map(|(span, clock)| draft(&chip, Some((span, Some(SERIAL_LOADER))), clock))?;
    Some((board, chip))
}

/// A crystal, then the chip's own oscillators, then a signal.
fn clocks(chip: &Chip) -> Vec<ClockSetting> {
    let crystal = ClockSetting { source: ClockSource::Crystal { from_hz: CLOCK, to_hz: CLOCK }, hz: CLOCK };
    let signal = ClockSetting { source: ClockSource::External, hz: CLOCK };
    let own = chip.own_oscillators().map(|hz| ClockSetting { source: ClockSource::Internal { hz }, hz });
    std::iter::once(crystal).chain(own).chain([signal]).collect()
}

/// The same with flash for a loader that is not built in, of which the board file knows nothing but the place; a boot section that is smaller
/// is left where there is one. `None` where the chip has no boot section.
pub fn with_own_loader(part: &str) -> Option<(Board, Chip)> {
    let chip = Catalog::built_in().chip(part).expect("a chip of the catalog");
    let mut sections: Vec<Span> = chip.boot_sections.iter().map(|section| section.span).collect();
    sections.sort_by_key(|span| span.len());
    let span = *sections.get(1).or(sections.first())?;
    let board = clocks(&chip).into_iter().find_map(|clock| draft(&chip, Some((span, None)), clock))?;
    Some((board, chip))
}

/// The same without a loader, where none fits.
pub fn drafted(part: &str) -> (Board, Chip) {
    with_loader(part).unwrap_or_else(|| {
        let chip = Catalog::built_in().chip(part).expect("a chip of the catalog");
        let board = clocks(&chip).into_iter().find_map(|clock| draft(&chip, None, clock)).expect("a clock that it can have");
        (board, chip)
    })
}

/// A usual supply that the chip bears, below its highest brown-out level where there is one: a board that can be in brown-out for ever.
fn supply(chip: &Chip) -> Millivolts {
    let (least, most) = chip.supply.expect("a supply range");
    let usual = || [5_000, 3_300, 2_000].map(Millivolts).into_iter().filter(move |usual| (least..=most).contains(usual));
    let level = chip.fields.iter().flat_map(|field| &field.values).filter_map(|value| value.resets_below).max();
    usual().find(|supply| level.is_some_and(|level| level > *supply)).or(usual().next()).expect("a usual supply")
}

fn draft(chip: &Chip, reserved: Option<(Span, Option<&str>)>, clock: ClockSetting) -> Option<Board> {
    let reservation = reserved.map(|(span, built_in)| DraftReservation {
        span,
        loader: built_in.map(str::to_owned),
        baud: built_in.map(|_| Stated::told(BAUD)),
        start_delay_ms: 1_000,
    });
    let draft = Draft {
        name: format!("kiln-{}", chip.part.to_ascii_lowercase()),
        summary: Stated::told("fires the pots".into()),
        chip: Stated::told(chip),
        configuration: None,
        supply: Stated::told(supply(chip)),
        source: Stated::told(clock.source),
        hz: Stated::told(clock.hz),
        clock_known: None,
        reservation: Stated::told(reservation),
        drives: Vec::new(),
        settings: Stated::assumed(Some(Span::first(chip.eeprom.bytes))),
        console: None,
    };
    let (board, chip) = can_run(chip, draft.clock()).then(|| read_board(&draft.write().text, |_| Ok(chip.clone())).ok())??;
    let fits = reserved.is_none_or(|(_, built_in)| built_in.is_none())
        || loader(SERIAL_LOADER, &board, &chip).is_ok_and(|built| built.speed.fits());
    fits.then_some(board)
}
