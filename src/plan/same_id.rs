//! What a plan's configuration would be on other parts that answer with the same ID bytes: nothing but the print on a chip tells them
//! apart, and one fuse bit can be another field on each.

use super::checks::shutting;
use super::fields;
use super::step::StepKind;
use crate::board::{Chip, ClockSource, Role, Way, generic_board};
use crate::finding::{Finding, Kind};
use crate::units::Hex;

/// Parts with the ID of `chip` on which what is written to the configuration would shut the way in, or choose another clock than it
/// does on `chip`. `before` is the configuration as read; `steps` are those of the plan, of which every state on the way counts.
pub fn part_of_same_id<'s>(before: &[u8], steps: impl Iterator<Item = &'s StepKind>, chip: &Chip, others: &[Chip]) -> Option<Finding> {
    let states = states(before, steps);
    let mut harmed: Vec<(Vec<&str>, Vec<String>)> = Vec::new();
    for other in others {
        let case = Case { chip, other };
        let mut harms: Vec<String> = Vec::new();
        for harm in states.iter().flat_map(|after| case.harms(before, after)) {
            if !harms.contains(&harm) {
                harms.push(harm);
            }
        }
        match harmed.iter_mut().find(|(_, of)| *of == harms) {
            Some((parts, _)) => parts.push(&other.part),
            None if harms.is_empty() => {}
            None => harmed.push((vec![&other.part], harms)),
        }
    }
    let parts: Vec<&str> = harmed.iter().flat_map(|(parts, _)| parts.iter().copied()).collect();
    let told: Vec<String> = harmed.iter().map(|(parts, harms)| format!("on {}, {}", parts.join(" or "), harms.join(" and "))).collect();
    let boards: Vec<String> = parts.iter().map(|part| format!("--board {}", generic_board(part))).collect();
    let sentence = format!(
        "Another part has the ID {} too, and these fuse bits are other fields there: {}. Read what is printed on the chip. If it is {}, \
         accept this; if not, name the board of the part that it is, as {}.",
        Hex(&chip.id),
        told.join("; and "),
        chip.part,
        boards.join(" or ")
    );
    (!harmed.is_empty()).then(|| Finding::new(Kind::PartOfSameId, sentence))
}

/// The others that some value of some field of `chip` would harm, or whose memories are of another shape.
pub fn parts_that_differ<'o>(configuration: &[u8], chip: &Chip, others: &'o [Chip]) -> Vec<&'o str> {
    let differs = |other: &&Chip| {
        let case = Case { chip, other };
        let shapes = |of: &Chip| (of.flash, of.eeprom, of.configuration.len());
        let settable = chip.fields.iter().flat_map(|field| field.values.iter().map(move |value| (field, value)));
        let mut written = settable.map(|(field, value)| {
            let mut after = configuration.to_vec();
            field.set(&mut after, value.bits);
            after.iter_mut().zip(&chip.configuration).skip(field.byte).take(1).for_each(|(byte, of)| *byte |= !of.used);
            after
        });
        shapes(chip) != shapes(other) || written.any(|after| !case.harms(configuration, &after).is_empty())
    };
    others.iter().filter(differs).map(|other| other.part.as_str()).collect()
}

/// The configuration after each step that writes some of it.
fn states<'s>(before: &[u8], steps: impl Iterator<Item = &'s StepKind>) -> Vec<Vec<u8>> {
    let mut now = before.to_vec();
    let mut states = Vec::new();
    for step in steps {
        if let StepKind::WriteConfiguration { byte, value } = step
            && let Some(place) = now.get_mut(*byte)
        {
            *place = *value;
            states.push(now.clone());
        }
    }
    states
}

/// A chip as it is taken to be, and another that it may be.
struct Case<'a> {
    chip: &'a Chip,
    other: &'a Chip,
}

impl Case<'_> {
    /// What the other part would come to, in words, where that is not what the chip comes to as well.
    fn harms(&self, before: &[u8], after: &[u8]) -> Vec<String> {
        let (was, meant) = (shutting(self.other, before, Way::Spi), shutting(self.chip, after, Way::Spi));
        let shut = shutting(self.other, after, Way::Spi).into_iter().filter(|shut| !was.contains(shut) && !meant.contains(shut));
        let shut = shut.map(|(symbol, value)| format!("{symbol} becomes '{}' ({})", value.name, value.words));
        let clocked = [Role::Clock, Role::ClockDivider].into_iter().filter_map(|role| self.clock(role, before, after));
        shut.chain(clocked).collect()
    }

    /// A clock field of the other part, where it comes to choose another clock than the chip's does.
    fn clock(&self, role: Role, before: &[u8], after: &[u8]) -> Option<String> {
        let now = self.other.field_for(role)?.read(after)?;
        let harmless = match role {
            Role::Clock => {
                let there = self.other.clock_source(after);
                alike(self.other.clock_source(before), there) || alike(self.chip.clock_source(after), there)
            }
            _ => divides(self.other, before) == divides(self.other, after) || divides(self.chip, after) == divides(self.other, after),
        };
        (!harmless).then(|| format!("{} becomes '{}' ({}), another clock", now.field.symbol, now.name(), now.words()))
    }
}

/// Whether both are one oscillator: descriptions of one differ in how fast a crystal it is said to bear.
fn alike(one: Option<ClockSource>, other: Option<ClockSource>) -> bool {
    match (one, other) {
        (Some(ClockSource::Crystal { from_hz, to_hz }), Some(ClockSource::Crystal { from_hz: from, to_hz: to })) => {
            one == other || from_hz < to && from < to_hz
        }
        (one, other) => one == other,
    }
}

fn divides(chip: &Chip, configuration: &[u8]) -> bool {
    let divider = chip.field_for(Role::ClockDivider).and_then(|field| fields::value(field, configuration));
    divider.is_some_and(|value| value.name == "on")
}
