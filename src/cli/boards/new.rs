//! `farrier boards new`: a first board file, from what the chip says and what its owner answers.

use super::super::args::volts;
use super::super::ask;
use super::super::context::{Context, command_again, command_with};
use super::super::images::write_new;
use super::super::output;
use super::super::stop::Stop;
use crate::board::{Chip, ClockSetting, ClockSource, Draft, DraftReservation, Drafted, Role, SERIAL_LOADER, Stated, clock_of, read_board};
use crate::image::{ByteAddress, Span};
use crate::plan::Observed;
use crate::reader::{FileError, is_name};
use crate::units::{Bytes, Hertz, Millivolts};
use clap::{Args, ValueEnum};
use serde_json::json;
use std::path::PathBuf;
use std::process::ExitCode;

/// Make a board file: what can be read is read of the chip, the rest is asked.
///
/// With --via the chip's ID and its present configuration are read; nothing is changed. At a terminal the rest is asked; without one
/// the options tell it. Each value in the file says whether it was read, told or assumed.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier boards new kiln --via sim:vent
Example: farrier boards new kiln --chip ATmega1284P --clock crystal --hz 20MHz --drives 'the kiln heater'")]
pub struct New {
    /// What to call the board: small letters, digits and hyphens.
    pub name: String,
    /// The chip's part number, where no chip is connected, or several parts have its ID.
    #[arg(long, value_name = "PART")]
    pub chip: Option<String>,
    /// What the board is, in a line.
    #[arg(long, value_name = "TEXT")]
    pub summary: Option<String>,
    /// What runs the chip.
    #[arg(long, value_name = "SOURCE")]
    pub clock: Option<Source>,
    /// The clock that the firmware sees: 20MHz, 32.768kHz.
    #[arg(long, value_name = "FREQUENCY", value_parser = frequency)]
    pub hz: Option<Hertz>,
    /// How the clock is known.
    #[arg(long, value_name = "TEXT")]
    pub clock_known: Option<String>,
    /// What the outputs drive. May be given several times.
    #[arg(long, value_name = "TEXT")]
    pub drives: Vec<String>,
    /// Flash to reserve for a loader: the size of one of the chip's boot sections, or 0.
    #[arg(long, value_name = "BYTES")]
    pub reserve: Option<u32>,
    /// How fast the board talks on its serial port.
    #[arg(long, value_name = "BAUD")]
    pub baud: Option<u32>,
    /// What its firmware says there when it runs.
    #[arg(long, value_name = "TEXT")]
    pub alive: Option<String>,
    /// How much of the EEPROM holds settings, from its beginning: a number of bytes.
    #[arg(long, value_name = "BYTES")]
    pub settings: Option<u32>,
    /// Where the file goes, instead of your own boards folder.
    #[arg(long, value_name = "FILE")]
    pub to: Option<PathBuf>,
}

/// What runs a chip, as people type it.
#[derive(ValueEnum, Clone, Copy, Debug, PartialEq, Eq)]
pub enum Source {
    /// A crystal or resonator.
    Crystal,
    /// An oscillator of the chip's own.
    Internal,
    /// A signal on the clock pin.
    External,
}

/// Flash for a loader, if any, and how that is known.
type Reserved = Stated<Option<DraftReservation>>;

/// Assumed where nobody says how fast the serial port talks: what the demo boards have.
const BAUD: u32 = 38_400;

/// A chip of which a board is described, and what was read of it.
struct Found {
    chip: Stated<Chip>,
    observed: Option<Observed>,
}

impl New {
    /// Asks, and writes the file.
    ///
    /// # Errors
    /// A name that is taken, a chip that is not known or does not answer, an answer that makes no sense.
    pub fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        if !is_name(&self.name) {
            return Err(Stop::usage(format!("'{}' is no name for a board: small letters, digits and hyphens", self.name)));
        }
        let file = self.to.clone().unwrap_or_else(|| context.home.boards().join(format!("{}.toml", self.name)));
        if self.to.is_none() && context.catalog.names().contains(&self.name) {
            return Err(
                Stop::usage(format!("there is a board {} already", self.name)).command(format!("farrier boards show {}", self.name))
            );
        }
        let found = self.find(context)?;
        let drafted = self.drafted(context, &found)?;
        if let Some(folder) = file.parent() {
            std::fs::create_dir_all(folder).map_err(|why| Stop::usage(format!("cannot create the folder {}:\n{why}", folder.display())))?;
        }
        write_new(&file, drafted.text.as_bytes())?;
        self.tell(context, &file, &drafted);
        Ok(ExitCode::SUCCESS)
    }

    /// The file, which is read again before anything is written. Where our loader does not fit the chip or the room, none is named.
    fn drafted(&self, context: &Context, found: &Found) -> Result<Drafted, Stop> {
        let mut draft = self.draft(context, found)?;
        let read = |drafted: &Drafted| {
            let read = read_board(&drafted.text, |part| context.catalog.chip(part).map_err(|error| error.to_string()));
            let file = format!("the answers for {}", self.name);
            read.map_err(|mistakes| Stop::usage(FileError::Mistakes { file, mistakes }.to_string()))
        };
        let drafted = draft.write();
        let why = match (read(&drafted), draft.reservation.value.as_mut()) {
            (Ok(_), _) => return Ok(drafted),
            (Err(why), Some(reservation)) if reservation.loader.is_some() => {
                reservation.loader = None;
                why
            }
            (Err(why), _) => return Err(why),
        };
        let drafted = draft.write();
        read(&drafted)?;
        output::remark(&format!("The file names no loader: {}", why.message()));
        Ok(drafted)
    }

    fn tell(&self, context: &Context, file: &std::path::Path, drafted: &Drafted) {
        let Drafted { read, told, assumed, .. } = drafted;
        if context.global.json {
            return output::json(&json!({ "file": file, "board": self.name, "read": read, "told": told, "assumed": assumed }));
        }
        output::say(format!("The board file is {}", file.display()));
        output::say(format!(
            "{read} of its values were read, {told} told, {assumed} assumed. Look at the assumed ones: each has that word."
        ));
        let name = if self.to.is_some() { file.display().to_string() } else { self.name.clone() };
        output::next(format!("farrier boards show {name}"));
    }

    /// The chip that is connected, or that is named.
    fn find(&self, context: &Context) -> Result<Found, Stop> {
        if context.global.via.is_none() {
            if let Some(part) = &self.chip {
                return Ok(Found { chip: Stated::told(context.catalog.chip(part)?), observed: None });
            }
            let what = "which chip the board has is not known";
            return Err(Stop::usage(what)
                .hint("Give --via, to read its ID, or name it:")
                .command(command_with("--chip", "PART"))
                .hint("`farrier bridges` lists what --via may be."));
        }
        let (observed, chip) = context.read_unknown_chip(self.chip.as_deref())?;
        Ok(Found { chip: Stated::read(chip), observed: Some(observed) })
    }

    fn draft<'f>(&self, context: &Context, found: &'f Found) -> Result<Draft<'f>, Stop> {
        let chip = &found.chip.value;
        let configuration = found.observed.as_ref().and_then(|observed| observed.configuration.clone());
        if ask::somebody_there() {
            output::remark("Enter takes what stands in brackets.");
        }
        let summary = told_or_asked(self.summary.clone(), "What is the board, in a line?", || format!("a board with an {}", chip.part))?;
        let (clock, clock_known) = self.clock(chip, configuration.as_deref())?;
        let supply = self.supply(context, found)?;
        let reservation = self.reservation(chip)?;
        let drives = match self.drives.is_empty() {
            true => told_or_asked(None, "What do its outputs drive, as `the heater`? Commas between several.", String::new)?,
            false => Stated::told(self.drives.join(",")),
        };
        let drives = drives.value.split(',').map(str::trim).filter(|what| !what.is_empty()).map(str::to_owned).collect();
        let settings = self.settings(chip)?;
        let (reservation, console) = self.console(reservation)?;
        let draft = Draft {
            name: self.name.clone(),
            summary,
            chip: Stated { value: chip, basis: found.chip.basis },
            configuration,
            supply,
            clock,
            clock_known,
            reservation,
            drives,
            settings,
            console,
        };
        if draft.can_run() {
            return Ok(draft);
        }
        let sources = chip.field_for(Role::Clock).map(|field| field.values.as_slice()).unwrap_or_default();
        let sources: Vec<&str> = sources.iter().map(|value| value.words.as_str()).collect();
        Err(Stop::usage(format!("the {} cannot be set to that clock; it has: {}", chip.part, sources.join("; "))))
    }

    fn clock(&self, chip: &Chip, configuration: Option<&[u8]>) -> Result<(Stated<ClockSetting>, Option<String>), Stop> {
        let now = configuration.and_then(|bytes| clock_of(chip, bytes));
        if let (None, Some(now), false) = (self.clock, now, ask::somebody_there())
            && self.hz.is_none_or(|hz| hz == now.hz)
        {
            return Ok((Stated::read(now), self.clock_known.clone()));
        }
        let source = self.source(now)?;
        let hz = match self.hz {
            Some(hz) => hz,
            None => {
                let now = now.map(|now| now.hz.to_string().replace(' ', "")).unwrap_or_default();
                let answer = told_or_asked(None, "How fast, as the firmware sees it (20MHz)?", || now)?;
                frequency(&answer.value).map_err(Stop::usage)?
            }
        };
        let known = told_or_asked(self.clock_known.clone(), "How is that known (printed on the crystal, measured)?", String::new)?.value;
        let source = match source {
            Source::Crystal => ClockSource::Crystal { from_hz: hz, to_hz: hz },
            Source::External => ClockSource::External,
            Source::Internal => own_oscillator(chip, hz)?,
        };
        Ok((Stated::told(ClockSetting { source, hz }), Some(known).filter(|known| !known.is_empty())))
    }

    /// What should run the chip; `now` it may run on its own oscillator.
    fn source(&self, now: Option<ClockSetting>) -> Result<Source, Stop> {
        if let Some(source) = self.clock {
            return Ok(source);
        }
        if !ask::somebody_there() {
            let missing = if self.hz.is_some() { &["--clock", "crystal"][..] } else { &["--clock", "crystal", "--hz", "16MHz"] };
            let example: Vec<String> = missing.iter().map(|word| (*word).to_owned()).collect();
            return Err(Stop::usage("what runs the chip is not known, and nobody is here to say it")
                .hint("As an example:")
                .command(command_again(&example)));
        }
        let choices = ["a crystal or resonator", "an oscillator of the chip's own", "a signal on the clock pin"];
        let now = now.map(|now| format!(" Now it runs on its own oscillator, {} for the firmware.", now.hz)).unwrap_or_default();
        let chosen = ask::choose(&format!("What should run the chip?{now}"), None, &choices.map(str::to_owned))?;
        Ok([Source::Crystal, Source::Internal, Source::External][chosen])
    }

    fn supply(&self, context: &Context, found: &Found) -> Result<Stated<Millivolts>, Stop> {
        let measured = found.observed.as_ref().and_then(|observed| observed.access.as_ref()?.supply);
        if let Some(told) = context.global.supply {
            return Ok(Stated::told(told));
        }
        // What regulators make; a bridge measures it to a few percent.
        let nominal =
            |measured: Millivolts| [5_000, 3_300].map(Millivolts).into_iter().find(|level| level.0.abs_diff(measured.0) < level.0 / 10);
        if let Some(measured) = measured {
            return Ok(Stated::read(nominal(measured).unwrap_or(measured)));
        }
        let answer = told_or_asked(None, "At how many volts does the chip run?", || "5".into())?;
        let value = volts(&answer.value).map_err(|why| Stop::usage(format!("'{}' is no supply: {why}", answer.value)))?;
        Ok(Stated { value, basis: answer.basis })
    }

    fn reservation(&self, chip: &Chip) -> Result<Reserved, Stop> {
        let mut sections: Vec<Span> = chip.boot_sections.iter().map(|section| section.span).collect();
        sections.sort_by_key(|span| span.len());
        if sections.is_empty() {
            return Ok(Stated::read(None));
        }
        let sizes = sections.iter().map(|span| span.len().to_string()).collect::<Vec<_>>().join(", ");
        let question = format!("How many bytes of flash to reserve for a loader: {sizes}, or 0?");
        let answer = told_or_asked(self.reserve.map(|bytes| bytes.to_string()), &question, || "0".into())?;
        let bytes: u32 = answer.value.parse().map_err(|_| Stop::usage(format!("'{}' is no number of bytes", answer.value)))?;
        if bytes == 0 {
            return Ok(Stated { value: None, basis: answer.basis });
        }
        let none = || Stop::usage(format!("the {} has no boot section of {bytes} bytes; it has: {sizes}", chip.part));
        let span = sections.into_iter().find(|span| span.len() == bytes).ok_or_else(none)?;
        Ok(Stated {
            value: Some(DraftReservation { span, loader: Some(SERIAL_LOADER.into()), baud: None, start_delay_ms: 2_000 }),
            basis: answer.basis,
        })
    }

    /// The serial port, whose speed the loader needs too.
    fn console(&self, mut reservation: Reserved) -> Result<(Reserved, Option<(u32, String)>), Stop> {
        let answer =
            told_or_asked(self.baud.map(|baud| baud.to_string()), "At how many baud does its serial port talk?", || BAUD.to_string())?;
        let wrong = || Stop::usage(format!("'{}' is no line speed: give one such as 38400", answer.value));
        let baud: u32 = answer.value.parse().map_err(|_| wrong())?;
        let alive =
            told_or_asked(self.alive.clone(), "What does its firmware say there when it runs? Enter, if nothing.", String::new)?.value;
        if !alive.is_empty() {
            return Ok((reservation, Some((baud, alive))));
        }
        if let Some(reservation) = reservation.value.as_mut() {
            reservation.baud = Some(baud);
        }
        Ok((reservation, None))
    }

    fn settings(&self, chip: &Chip) -> Result<Stated<Option<Span>>, Stop> {
        let all = chip.eeprom.bytes;
        let question = format!("How many bytes at the beginning of the EEPROM hold settings, of {}; 0 for none?", Bytes(all.into()));
        let answer = told_or_asked(self.settings.map(|bytes| bytes.to_string()), &question, || all.to_string())?;
        match answer.value.parse::<u32>() {
            Ok(0) => Ok(Stated { value: None, basis: answer.basis }),
            Ok(bytes) if bytes <= all => Ok(Stated { value: Span::sized(ByteAddress(0), bytes), basis: answer.basis }),
            _ => Err(Stop::usage(format!("'{}' is no number of bytes from 0 to {all}", answer.value))),
        }
    }
}

/// What an option tells, or the answer to a question; where nobody is there, or Enter was pressed, what is assumed.
fn told_or_asked(option: Option<String>, question: &str, assumed: impl FnOnce() -> String) -> Result<Stated<String>, Stop> {
    if let Some(told) = option {
        return Ok(Stated::told(told));
    }
    let assumed = assumed();
    if !ask::somebody_there() {
        return Ok(Stated::assumed(assumed));
    }
    let offered = if assumed.is_empty() { String::new() } else { format!(" [{assumed}]") };
    let answer = ask::ask(&format!("{question}{offered}"))?;
    Ok(if answer.is_empty() { Stated::assumed(assumed) } else { Stated::told(answer) })
}

/// The oscillator of the chip's own that gives this clock, undivided or divided by 8.
fn own_oscillator(chip: &Chip, hz: Hertz) -> Result<ClockSource, Stop> {
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
fn frequency(text: &str) -> Result<Hertz, String> {
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
