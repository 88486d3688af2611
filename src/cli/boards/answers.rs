//! Answers to what `boards new` asks, and what they mean.

use super::super::ask::{ask_for, somebody_there};
use super::super::output;
use super::super::stop::Stop;
use super::super::typed::quoted;
use super::new::Source;
use crate::algorithm::avr_spi::SLOW_ENOUGH;
use crate::board::{Chip, ClockSetting, ClockSource, Fact, Stated, can_run};
use crate::units::Hertz;

/// What may be told by an option, asked at a terminal, or assumed.
pub struct Question<'q> {
    pub option: &'static str,
    pub told: Option<String>,
    pub asks: &'q str,
    /// What Enter means, and what is taken where nobody is there.
    pub assumed: &'q str,
}

impl Question<'_> {
    /// What the option tells, or the answer. Where somebody is there, an option that makes no sense is said and asked about: nothing that
    /// was answered before is lost by it.
    ///
    /// # Errors
    /// Nobody is there, and `read` makes no sense of the option; or the answers end.
    pub fn answer<T>(self, read: impl Fn(&str) -> Result<T, String>) -> Result<Stated<T>, Stop> {
        let assume = || read(self.assumed).map(Stated::assumed);
        if let Some(told) = self.told {
            match read(&told) {
                Ok(value) => return Ok(Stated::told(value)),
                Err(why) if somebody_there() => output::remark(&why),
                Err(why) => return Err(Stop::usage(format!("{} {}: {why}", self.option, quoted(&told)))),
            }
        }
        if !somebody_there() {
            return assume().map_err(|why| Stop::usage(why).hint(format!("Give {}.", self.option)));
        }
        let offered = if self.assumed.is_empty() { String::new() } else { format!(" [{}]", self.assumed) };
        let read = |answer: &str| if answer.is_empty() { assume() } else { read(answer).map(Stated::told) };
        ask_for(&format!("{}{offered}", self.asks), read)
    }
}

/// The kinds of clock that the chip can be set to.
pub fn sources(chip: &Chip) -> Vec<Source> {
    let kind = |source: ClockSource| match source {
        ClockSource::Crystal { .. } => Source::Crystal,
        ClockSource::Internal { .. } => Source::Internal,
        ClockSource::External => Source::External,
    };
    let has = |source: &Source| chip.clock_sources().any(|of| kind(of) == *source);
    [Source::Crystal, Source::Internal, Source::External].into_iter().filter(has).collect()
}

/// A clock of this kind as people type it, for an example: a common crystal that the chip bears, or what the chip has itself.
pub fn example(chip: &Chip, source: Source) -> String {
    let hz = match source {
        Source::Internal => chip.own_clocks().next().map(|(_, gives)| gives),
        Source::Crystal => {
            let ranges = crystals(chip);
            let borne = |hz: &Hertz| ranges.iter().any(|(from, to)| (from..=to).contains(&hz));
            COMMON.into_iter().find(borne).or(ranges.first().map(|(_, fastest)| *fastest))
        }
        Source::External => {
            let (slowest, fastest) = signals(chip);
            COMMON.into_iter().find(|hz| (slowest..=fastest).contains(hz))
        }
    };
    hz.unwrap_or(COMMON[0]).to_string().replace(' ', "")
}

/// Crystals that are to be had everywhere, those that suit most chips first.
const COMMON: [Hertz; 4] = [Hertz(16_000_000), Hertz(8_000_000), Hertz(4_000_000), Hertz(1_000_000)];

/// The clock of this kind that the firmware sees as `hz`.
///
/// # Errors
/// The chip cannot be set to it; what it can be set to.
pub fn clock_setting(chip: &Chip, source: Source, hz: Hertz) -> Result<ClockSetting, String> {
    let source = match source {
        Source::Crystal => ClockSource::Crystal { from_hz: hz, to_hz: hz },
        Source::External => {
            let (slowest, fastest) = signals(chip);
            let possible = possible(chip, Source::External);
            let borne = (slowest..=fastest).contains(&hz);
            borne
                .then_some(ClockSource::External)
                .ok_or_else(|| format!("a signal for the {} may be of {possible}, and not of {hz}", chip.part))?
        }
        Source::Internal => {
            let own = chip.own_clocks().find(|(_, gives)| *gives == hz);
            let own = own.map(|(oscillator, _)| ClockSetting { source: ClockSource::Internal { hz: oscillator }, hz });
            let all = || possible(chip, Source::Internal);
            return own.ok_or_else(|| format!("the {} has no oscillator of its own for {hz}; its own give {}", chip.part, all()));
        }
    };
    let clock = ClockSetting { source, hz };
    if can_run(chip, clock) {
        return Ok(clock);
    }
    let possible = possible(chip, if sources(chip).contains(&Source::Crystal) { Source::Crystal } else { Source::Internal });
    Err(format!("the {} cannot be set to that clock; it can run at {possible}", chip.part))
}

/// How fast a clock of this kind can make the chip, in words.
pub fn possible(chip: &Chip, source: Source) -> String {
    let range = |(from, to): &(Hertz, Hertz)| if from == to { from.to_string() } else { format!("{from} to {to}") };
    let all: Vec<String> = match source {
        Source::Internal => chip.own_clocks().map(|(_, gives)| gives.to_string()).collect(),
        Source::Crystal => crystals(chip).iter().map(range).collect(),
        Source::External => vec![range(&signals(chip))],
    };
    let rests_on = if source == Source::External { Fact::Fastest } else { Fact::Clock };
    format!("{}{}", all.join(", "), chip.mark(rests_on))
}

/// The fastest signal, where the chip file does not say: from memory, no part of the family is specified for more.
const FASTEST_SIGNAL: Hertz = Hertz(20_000_000);

/// The slowest signal on the chip's clock pin for which a programming clock is tried, and the fastest that the chip bears.
fn signals(chip: &Chip) -> (Hertz, Hertz) {
    (SLOW_ENOUGH, chip.fastest.unwrap_or(FASTEST_SIGNAL))
}

/// The crystals that the chip drives, from the slowest to the fastest of each range, the fastest range first.
fn crystals(chip: &Chip) -> Vec<(Hertz, Hertz)> {
    let range = |source| if let ClockSource::Crystal { from_hz, to_hz } = source { Some((from_hz, to_hz)) } else { None };
    let mut ranges: Vec<(Hertz, Hertz)> = chip.clock_sources().filter_map(range).collect();
    ranges.sort();
    let mut joined: Vec<(Hertz, Hertz)> = Vec::new();
    for (from, to) in ranges {
        match joined.last_mut().filter(|before| from <= before.1) {
            Some(before) => before.1 = before.1.max(to),
            None => joined.push((from, to)),
        }
    }
    joined.reverse();
    joined
}

/// A frequency as people type it: `20MHz`, `32.768 kHz`, `16000000`.
pub fn frequency(text: &str) -> Result<Hertz, String> {
    let wrong = || "give a frequency such as 20MHz, 32.768kHz or 1000000".to_owned();
    let lower = text.trim().to_ascii_lowercase();
    let digits = lower.trim_end_matches(|of: char| of.is_ascii_alphabetic()).trim();
    let factor = match lower.get(digits.len()..).unwrap_or_default().trim() {
        "" | "hz" => 1.0,
        "k" | "khz" => 1e3,
        "m" | "mhz" => 1e6,
        _ => return Err(wrong()),
    };
    let hz = digits.parse::<f64>().map_err(|_| wrong())? * factor;
    if (1.0..=100e6).contains(&hz) { Ok(Hertz(hz.round() as u32)) } else { Err(wrong()) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::board::{Catalog, known_chips};

    /// Of every chip and for every kind of clock that it has: what is offered to type is taken.
    #[test]
    fn an_example_is_a_clock_that_the_chip_can_have() {
        let catalog = Catalog::built_in();
        let mut crystals = Vec::new();
        for (_, part) in known_chips() {
            let chip = catalog.chip(part).expect("a chip file");
            for source in sources(&chip) {
                let example = example(&chip, source);
                let hz = frequency(&example).expect("it is a frequency");
                assert!(clock_setting(&chip, source, hz).is_ok(), "{}: {source:?} at {example}", chip.part);
                crystals.extend((source == Source::Crystal).then_some(example));
            }
        }
        assert!(
            crystals.len() > 100 && crystals.iter().any(|example| example == "16MHz") && crystals.iter().any(|example| example == "8MHz")
        );
    }

    #[test]
    fn frequencies_as_people_type_them() {
        for (text, hz) in
            [("20MHz", 20_000_000), ("32.768 kHz", 32_768), ("14.7456m", 14_745_600), ("1000000", 1_000_000), ("8 mhz", 8_000_000)]
        {
            assert_eq!(frequency(text), Ok(Hertz(hz)), "{text}");
        }
        for text in ["", "MHz", "20 GHz", "-1", "0", "1e9", "fast"] {
            assert!(frequency(text).is_err(), "{text}");
        }
    }
}
