//! The configuration against the clock and the supply that the board has.

use super::super::Case;
use super::super::cause::{Cause, CauseKind};
use super::Contents;
use crate::board::{Field, Role};
use crate::units::Hertz;

/// A system clock that allows a programming clock of 32 kHz at most.
const SLOW: Hertz = Hertz(128_000);

impl Contents<'_, '_> {
    /// The configuration against the clock and the supply that the board has.
    pub(super) fn clock_and_supply(&mut self) {
        if self.told.has(CauseKind::AsShipped) {
            return;
        }
        self.clock();
        self.brown_out();
    }

    fn clock(&mut self) {
        let Case { board, chip, .. } = *self.case;
        let words = self.words(Role::Clock);
        let fed = self.observed.access.as_ref().and_then(|access| access.clock_output);
        let runs_at = chip.system_clock(board, self.configuration);
        let cause = match (fed, runs_at) {
            (Some(fed), _) => Cause::new(
                CauseKind::NoClock,
                format!("The configuration chooses a clock that is not there ({words}): the chip answers only with {fed} from the bridge."),
            ),
            (None, Some(hz)) if board.generic && hz <= SLOW && !self.is_as_kept(Role::Clock) && !self.has_the_clock_of_a_new_chip() => {
                Cause::new(
                    CauseKind::ClockSlow,
                    format!(
                        "The chip runs at {hz}, too slow for a usual programming clock: the configuration chooses {words}{}.",
                        self.divided()
                    ),
                )
            }
            _ if board.generic => return,
            (None, Some(hz)) if hz == board.clock.hz => return,
            (None, Some(hz)) if hz < board.clock.hz => Cause::new(
                CauseKind::ClockSlow,
                format!("The chip runs at {hz} instead of {}: the configuration chooses {words}{}.", board.clock.hz, self.divided()),
            ),
            (None, hz) => {
                let hz = hz.map_or("a clock that the board file does not have".to_owned(), |hz| hz.to_string());
                let sentence = format!("The chip runs at {hz} instead of {}: the configuration chooses {words}.", board.clock.hz);
                Cause::new(CauseKind::ClockDiffers, sentence)
            }
        };
        self.told.cause(cause);
        let driven = chip.underdriven(board.clock.source, self.configuration).is_none();
        let of_clock = |field: &Field| field.role.is_some_and(|role| Role::OF_CLOCK.contains(&role));
        let fits = |field: &Field| field.role == Some(Role::CrystalSwing) && driven && board.expected_value(field).is_none();
        self.want(|field| of_clock(field) && !fits(field));
    }

    /// Whether the field with this role is as in the board's own snapshot.
    fn is_as_kept(&self, role: Role) -> bool {
        let kept = self.made.snapshot.and_then(|kept| kept.held.configuration.as_deref());
        let field = self.case.chip.field_for(role);
        field.zip(kept).is_some_and(|(field, kept)| field.bits_in(kept) == field.bits_in(self.configuration))
    }

    fn has_the_clock_of_a_new_chip(&self) -> bool {
        Role::OF_CLOCK.into_iter().filter_map(|role| self.case.chip.field_for(role)).all(|field| self.is_untouched(field))
    }

    fn divided(&self) -> &'static str {
        let divider = self.case.chip.field_for(Role::ClockDivider).and_then(|field| field.read(self.configuration)?.value);
        if divider.is_some_and(|value| value.name == "on") { ", divided by 8" } else { "" }
    }

    /// What stands in the field with this role, in words.
    fn words(&self, role: Role) -> String {
        let setting = self.case.chip.field_for(role).and_then(|field| field.read(self.configuration));
        setting.map_or_else(|| "nothing, so it is the chip's own oscillator".to_owned(), |setting| setting.words().to_owned())
    }

    fn brown_out(&mut self) {
        let Case { board, chip, .. } = *self.case;
        let measured = self.observed.access.as_ref().and_then(|access| access.supply);
        let supply = board.chip_supply(measured);
        let Some((field, level)) = chip.brown_out(self.configuration).filter(|(_, level)| *level > supply) else { return };
        let name = field.name.clone();
        let sentence = format!(
            "The brown-out level is {level} and the supply {supply}, so the chip is held in reset for ever and its firmware never starts."
        );
        self.told.cause(Cause::new(CauseKind::BrownOutAboveSupply, sentence));
        self.want(|field| field.name == name);
    }
}
