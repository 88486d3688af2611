//! Whether firmware runs under the configuration that is wanted: its clock, its watchdog, its supply; and what nobody knows of that.

use super::checks::Case;
use super::fields;
use crate::board::{ClockSource, FROM_MEMORY, Field, FieldValue, Role, Setting};
use crate::finding::{Finding, Kind};

/// What the configuration changes so that firmware may not run any more.
pub(super) fn findings(case: &Case) -> impl Iterator<Item = Finding> {
    [case.clock(), case.crystal(), case.watchdog(), case.brown_out(), case.old_part_mode(), case.unknown()].into_iter().flatten()
}

impl Case<'_> {
    /// A clock that differs from the baseline's, and that the board does not have or does not expect.
    fn clock(&self) -> Option<Finding> {
        let field = self.chip.field_for(Role::Clock)?;
        let baseline = self.baseline.configuration.as_deref()?;
        if field.bits_in(baseline) == field.bits_in(&self.desired.configuration) {
            return None;
        }
        let becomes = field.read(&self.desired.configuration)?;
        let (value, words) = (becomes.value, format!("'{}' ({})", becomes.name(), becomes.words()));
        let board = &self.board.name;
        let clock = describe(self.board.clock.source);
        let before = field.read(baseline).filter(|before| before.value.is_none() && field.incomplete);
        let (kind, sentence) = match value.and_then(|value| value.clock) {
            Some(_) if let Some(before) = before => (
                Kind::ClockSourceChanged,
                format!("The clock becomes {words}, and is now {}, {}: what that is, is for you to know.", before.name(), before.words()),
            ),
            Some(source) if !self.board.generic && fits(source, self.board.clock.source) => return None,
            Some(source) if !self.board.generic && lacks(self.board.clock.source, source) => (
                Kind::ClockMissing,
                format!("The clock becomes {words}, but board {board} has {clock} and nothing else. The chip would stop answering."),
            ),
            Some(_) if !self.board.generic && self.expects(field, value) => return None,
            _ if self.board.generic => (
                Kind::ClockSourceChanged,
                format!("The clock becomes {words}. Board {board} is a generic one: whether this clock is fitted is for you to know."),
            ),
            _ => (Kind::ClockSourceChanged, format!("The clock becomes {words}; board {board} expects {clock}.")),
        };
        Some(Finding::new(kind, sentence))
    }

    /// A crystal that comes to be driven with less than it needs.
    fn crystal(&self) -> Option<Finding> {
        let source = self.board.clock.source;
        let field = self.chip.underdriven(source, &self.desired.configuration)?;
        let before = self.chip.underdriven(source, self.baseline.configuration.as_deref()?);
        let sentence = format!(
            "The configuration then drives {} of board {} with the small swing ({}), which is for slower ones{FROM_MEMORY}: the chip may \
             not start, and may stop answering. `farrier configure {}=full` gives it what it needs.",
            describe(source),
            self.board.name,
            field.symbol,
            field.name
        );
        before.is_none().then(|| Finding::new(Kind::CrystalUnderdriven, sentence))
    }

    fn expects(&self, field: &Field, value: Option<&FieldValue>) -> bool {
        value.is_some_and(|value| self.board.expected_value(field) == Some(&value.name))
    }

    /// A watchdog that becomes always on, and that the board file does not expect so. A board file that does says that its firmware
    /// feeds it; so does the built-in loader.
    fn watchdog(&self) -> Option<Finding> {
        let field = self.chip.watchdog_always_on(&self.desired.configuration)?;
        let was_on = self.chip.watchdog_always_on(self.baseline.configuration.as_deref()?).is_some();
        let value = fields::value(field, &self.desired.configuration);
        let why = match self.board.generic {
            true => "and of what a generic board's firmware is made for nothing is known".to_string(),
            false => format!("which the board file of {} does not say its firmware is made for", self.board.name),
        };
        let sentence = format!(
            "The watchdog becomes always on, {why}. Firmware that never feeds it is reset over and over and gets nowhere. Accept this if \
             yours does; a board file with {} = \"always-on\" under [expected_configuration] ends the question.",
            field.name
        );
        (!was_on && !self.expects(field, value)).then(|| Finding::new(Kind::WatchdogMustBeFed, sentence))
    }

    /// Fields that come to have a value of which nobody here knows what it does. A board file that expects one says that its board bears
    /// it.
    fn unknown(&self) -> Option<Finding> {
        let baseline = self.baseline.configuration.as_deref()?;
        let becomes = |setting: &Setting| {
            let value = setting.value.filter(|value| value.unknown)?;
            let changes = setting.field.bits_in(baseline) != Some(setting.bits);
            let (field, symbol) = (&setting.field.name, &setting.field.symbol);
            (changes && !self.expects(setting.field, Some(value))).then(|| format!("{field} ({symbol}) as '{}'", value.name))
        };
        let all: Vec<String> = self.chip.decode(&self.desired.configuration).iter().filter_map(becomes).collect();
        let sentence = format!(
            "What this does is not known here: {}. None of the chip file's sources tells it. Look it up in the datasheet of the {}, and \
             accept this if your board bears it; a board file with the value under [expected_configuration] ends the question.",
            all.join(", "),
            self.chip.part
        );
        (!all.is_empty()).then(|| Finding::new(Kind::EffectNotKnown, sentence))
    }

    /// Code is written, and the chip behaves like an older part that the board file does not mean.
    fn old_part_mode(&self) -> Option<Finding> {
        let field = self.chip.old_part_mode(&self.desired.configuration)?;
        let value = fields::value(field, &self.desired.configuration);
        let writes_code = self.loader().is_some() || self.application().is_some();
        let sentence = format!(
            "{} is on: {}. Firmware that was built for the {} itself may not run so. `farrier configure {}=off` ends that.",
            field.symbol,
            value.map_or("the chip behaves like an older part", |value| value.words.as_str()),
            self.chip.part,
            field.name
        );
        (writes_code && !self.expects(field, value)).then(|| Finding::new(Kind::OldPartMode, sentence))
    }

    /// A brown-out level that comes to lie above the supply.
    fn brown_out(&self) -> Option<Finding> {
        let (field, level) = self.chip.brown_out(&self.desired.configuration)?;
        let before = self.chip.brown_out(self.baseline.configuration.as_deref()?).map(|(_, level)| level);
        let measured = self.baseline.access.as_ref().and_then(|access| access.supply);
        let supply = self.board.chip_supply(measured);
        if level <= supply || before == Some(level) {
            return None;
        }
        let whose = match measured {
            Some(_) => format!("measures {supply}"),
            None => format!("of board {} is {supply} by its file", self.board.name),
        };
        let fitting: Vec<&str> = field.values_at(supply).collect();
        let sentence = format!(
            "The brown-out level becomes {level}, and the supply {whose}: the chip is then held in reset, no firmware starts, and the \
             programming header may not answer until the supply is higher. Values that suit it: {}.",
            fitting.join(", ")
        );
        // Two measurements of one supply differ a little.
        let stake = format!("the brown-out level becomes {level}, above the supply");
        Some(Finding { stake, ..Finding::new(Kind::SupplyBelowBrownOut, sentence) })
    }
}

/// Whether a clock setting is for what the board has.
fn fits(setting: ClockSource, board: ClockSource) -> bool {
    match (setting, board) {
        (ClockSource::Crystal { from_hz, to_hz }, ClockSource::Crystal { from_hz: least, to_hz: most }) => {
            from_hz <= least && most <= to_hz
        }
        (one, other) => one == other,
    }
}

/// Whether a board with `board` has no part at all that `setting` would run on.
fn lacks(board: ClockSource, setting: ClockSource) -> bool {
    match setting {
        ClockSource::Internal { .. } => false,
        ClockSource::Crystal { .. } => !matches!(board, ClockSource::Crystal { .. }),
        ClockSource::External => !matches!(board, ClockSource::External),
    }
}

fn describe(source: ClockSource) -> String {
    match source {
        ClockSource::Internal { hz } => format!("the chip's own oscillator ({hz})"),
        ClockSource::Crystal { from_hz, to_hz } if from_hz == to_hz => format!("a crystal of {from_hz}"),
        ClockSource::Crystal { from_hz, to_hz } => format!("a crystal of {from_hz} to {to_hz}"),
        ClockSource::External => "a signal on the clock pin".to_string(),
    }
}
