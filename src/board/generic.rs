//! The board of which nothing is known but its chip: one template, filled in from the chip file.

use super::chip::{Chip, ClockSource, Role};
use crate::units::{Hertz, Millivolts};

const TEMPLATE: &str = include_str!("../../boards/generic-board.toml");
/// What such a board's name begins with; the part number follows in lower case.
const PREFIX: &str = "generic-";
/// What a crystal is taken to be of, where the chip as shipped wants one.
const CRYSTAL: Hertz = Hertz(8_000_000);
/// What a clock signal is taken to be, and a chip as shipped with a reserved code.
const SLOW: Hertz = Hertz(1_000_000);
/// Usual supplies, of which the highest that the chip bears is drawn.
const USUAL: [Millivolts; 3] = [Millivolts(5_000), Millivolts(3_300), Millivolts(1_800)];

/// The name of the generic board with the chip of this part number.
pub fn generic_board(part: &str) -> String {
    format!("{PREFIX}{}", part.to_ascii_lowercase())
}

/// The part number in the name of a generic board.
pub(super) fn part_of(board: &str) -> Option<&str> {
    board.strip_prefix(PREFIX)
}

/// The board file of the generic board; `None` where the chip file does not say what the chip may run on.
pub(super) fn text(chip: &Chip) -> Option<String> {
    let (least, most) = chip.supply?;
    let signal = USUAL.into_iter().find(|usual| *usual <= most).unwrap_or(most);
    let (source, own, hz) = clock(chip);
    let source_hz = if own == hz { String::new() } else { format!("source_hz = {}", own.0) };
    let values = [
        ("{stem}", chip.part.to_ascii_lowercase()),
        ("{part}", chip.part.clone()),
        ("{least_mv}", least.0.to_string()),
        ("{most_mv}", most.0.to_string()),
        ("{signal_mv}", signal.0.to_string()),
        ("{source}", source.to_string()),
        ("{hz}", hz.0.to_string()),
        ("{source_hz}", source_hz),
    ];
    Some(values.into_iter().fold(TEMPLATE.to_string(), |text, (place, value)| text.replace(place, &value)))
}

/// What the chip runs on as shipped: kind of source, its own frequency, and what it is after the divider.
fn clock(chip: &Chip) -> (&'static str, Hertz, Hertz) {
    let factory = chip.factory_configuration();
    let value = |role| chip.field_for(role)?.read(&factory)?.value;
    let divided = value(Role::ClockDivider).is_some_and(|value| value.name == "on");
    let after = |hz: Hertz| if divided { Hertz(hz.0 / 8) } else { hz };
    match chip.clock_source(&factory) {
        Some(ClockSource::Internal { hz }) => ("internal", hz, after(hz)),
        Some(ClockSource::Crystal { from_hz, to_hz }) => {
            let fitted = CRYSTAL.clamp(from_hz, to_hz);
            ("crystal", fitted, after(fitted))
        }
        Some(ClockSource::External) => ("external", SLOW, SLOW),
        None => ("internal", SLOW, SLOW),
    }
}
