//! Answers to what `boards new` asks, and what they mean.

use super::super::ask::{ask_for, somebody_there};
use super::super::stop::Stop;
use crate::board::{Chip, ClockSource, Role, Stated};
use crate::units::Hertz;

/// What an option tells, or the answer to a question; where nobody is there, or Enter was pressed, what is assumed.
///
/// # Errors
/// What `read` makes no sense of.
pub fn stated<T>(
    option: Option<String>,
    question: &str,
    assumed: &str,
    read: impl Fn(&str) -> Result<T, String>,
) -> Result<Stated<T>, Stop> {
    let assume = || read(assumed).map(Stated::assumed);
    match option {
        Some(told) => read(&told).map(Stated::told).map_err(Stop::usage),
        None if !somebody_there() => assume().map_err(Stop::usage),
        None => {
            let offered = if assumed.is_empty() { String::new() } else { format!(" [{assumed}]") };
            ask_for(&format!("{question}{offered}"), |answer| if answer.is_empty() { assume() } else { read(answer).map(Stated::told) })
        }
    }
}

/// The oscillator of the chip's own that gives this clock, undivided or divided by 8.
pub fn own_oscillator(chip: &Chip, hz: Hertz) -> Result<ClockSource, Stop> {
    let values = chip.field_for(Role::Clock).map(|field| field.values.as_slice()).unwrap_or_default();
    let own: Vec<Hertz> =
        values.iter().filter_map(|value| if let Some(ClockSource::Internal { hz }) = value.clock { Some(hz) } else { None }).collect();
    let divides = chip.field_for(Role::ClockDivider).is_some();
    let fits = |of: &&Hertz| **of == hz || (divides && of.0 / 8 == hz.0);
    match own.iter().find(fits) {
        Some(own) => Ok(ClockSource::Internal { hz: *own }),
        None => {
            let all: Vec<String> = own.iter().map(Hertz::to_string).collect();
            let eighth = if divides { ", and an eighth of each" } else { "" };
            Err(Stop::usage(format!("the {} has no oscillator of its own for {hz}; it has {}{eighth}", chip.part, all.join(" and "))))
        }
    }
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
