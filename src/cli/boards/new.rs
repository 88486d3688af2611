//! `farrier boards new`: a first board file, from what the chip says and what its owner answers.

use super::super::args::volts;
use super::super::ask;
use super::super::context::Context;
use super::super::images::write_new;
use super::super::output;
use super::super::stop::Stop;
use super::super::typed::{command_again, command_with};
use super::answers::{Question, clock_setting, example, frequency, possible, sources};
use crate::board::{
    BAUD, Chip, ClockSetting, ClockSource, Draft, DraftConsole, DraftReservation, Drafted, Fact, LineSpeed, SERIAL_LOADER, Stated,
    clock_of, loader_bytes, read_board,
};
use crate::image::{ByteAddress, Span};
use crate::plan::Observed;
use crate::reader::{FileError, is_name};
use crate::units::{Bytes, Hertz, Millivolts};
use clap::{Args, ValueEnum};
use serde_json::json;
use std::path::{Path, PathBuf};
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

impl Source {
    fn words(self) -> &'static str {
        match self {
            Source::Crystal => "a crystal or resonator",
            Source::Internal => "an oscillator of the chip's own",
            Source::External => "a signal on the clock pin",
        }
    }
}

/// What runs a chip and how fast, each with how it is known, and what its owner says of that.
type Clock = (Stated<ClockSource>, Stated<Hertz>, Option<String>);

/// Flash for a loader, if any, and how that is known.
type Reserved = Stated<Option<DraftReservation>>;

/// Assumed where nobody says how fast the serial port talks: what the demo boards have.
const USUAL_BAUD: u32 = 38_400;

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
        // What would refuse the file is said before anything is asked.
        if file.exists() {
            let there = format!("{} is there already, and nothing is overwritten", file.display());
            return Err(Stop::usage(there).hint("Name a new file with --to."));
        }
        if ask::somebody_there() {
            output::remark("Enter takes what stands in brackets. Ctrl-D ends the questions, and nothing is written.");
        }
        let found = self.find(context)?;
        let drafted = self.drafted(context, &found)?;
        if let Err(stop) = write(&file, &drafted) {
            if context.global.json {
                return Err(stop);
            }
            // The answers took time.
            output::line(&drafted.text);
            return Err(stop.hint("The board file's text stands above, so that no answer is lost."));
        }
        self.tell(context, &file, &drafted);
        Ok(ExitCode::SUCCESS)
    }

    /// The file, which is read again before anything is written.
    fn drafted(&self, context: &Context, found: &Found) -> Result<Drafted, Stop> {
        let drafted = self.draft(context, found)?.write();
        let file = format!("the answers for {}", self.name);
        match read_board(&drafted.text, |part| context.catalog.chip(part).map_err(|error| error.to_string())) {
            Ok(_) => Ok(drafted),
            Err(mistakes) => Err(Stop::usage(FileError::Mistakes { file, mistakes }.to_string())),
        }
    }

    fn tell(&self, context: &Context, file: &Path, drafted: &Drafted) {
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
        if context.global.via.is_some() {
            let (observed, chip) = context.read_unknown_chip(self.chip.as_deref())?;
            return Ok(Found { chip, observed: Some(observed) });
        }
        if self.chip.is_none() && !ask::somebody_there() {
            return Err(Stop::usage("which chip the board has is not known")
                .hint("Give --via, to read its ID, or name it:")
                .command(command_with("--chip", "PART"))
                .hint("`farrier bridges` lists what --via may be."));
        }
        let chip = Question {
            option: "--chip",
            told: self.chip.clone(),
            asks: "Which chip does the board have? Its part number, as ATmega328P:",
            assumed: "",
        };
        let chip = chip.answer(|part| context.catalog.chip(part).map_err(|why| why.to_string()))?;
        Ok(Found { chip, observed: None })
    }

    fn draft<'f>(&self, context: &Context, found: &'f Found) -> Result<Draft<'f>, Stop> {
        let chip = &found.chip.value;
        let configuration = found.observed.as_ref().and_then(|observed| observed.configuration.clone());
        let own = format!("a board with an {}", chip.part);
        let summary = Question { option: "--summary", told: self.summary.clone(), asks: "What is the board, in a line?", assumed: &own }
            .answer(text)?;
        let (source, hz, clock_known) = self.clock(chip, configuration.as_deref())?;
        let supply = self.supply(context, found)?;
        let reservation = self.reservation(chip, configuration.as_deref())?;
        let told = Some(self.drives.join(",")).filter(|drives| !drives.is_empty());
        let asks = "What do its outputs drive, as `the heater`? Commas between several.";
        let drives = Question { option: "--drives", told, asks, assumed: "" }.answer(text)?.value;
        let drives = drives.split(',').map(str::trim).filter(|what| !what.is_empty()).map(str::to_owned).collect();
        let settings = self.settings(chip)?;
        let (reservation, console) = self.console(hz.value, reservation)?;
        Ok(Draft {
            name: self.name.clone(),
            summary,
            chip: Stated { value: chip, basis: found.chip.basis },
            configuration,
            supply,
            source,
            hz,
            clock_known,
            reservation,
            drives,
            settings,
            console,
        })
    }

    fn clock(&self, chip: &Chip, configuration: Option<&[u8]>) -> Result<Clock, Stop> {
        let now = configuration.and_then(|bytes| clock_of(chip, bytes));
        if let (None, Some(now), false) = (self.clock, now, ask::somebody_there())
            && self.hz.is_none_or(|hz| hz == now.hz)
        {
            // Where no fuse chooses it, nothing of it was read; and how fast it runs stands in no chip.
            let source = if chip.own_clock.is_some() { Stated::assumed(now.source) } else { Stated::read(now.source) };
            let hz = self.hz.map_or(Stated::assumed(now.hz), Stated::told);
            return Ok((source, hz, self.clock_known.clone()));
        }
        let (source, hz) = self.setting(chip, now)?;
        let known = Question {
            option: "--clock-known",
            told: self.clock_known.clone(),
            asks: "How is that known (printed on the crystal, measured)?",
            assumed: "",
        };
        Ok((source, hz, Some(known.answer(text)?.value).filter(|known| !known.is_empty())))
    }

    /// What should run the chip, and how fast: asked again until it is a clock that the chip can have.
    fn setting(&self, chip: &Chip, now: Option<ClockSetting>) -> Result<(Stated<ClockSource>, Stated<Hertz>), Stop> {
        let (mut source, mut hz) = (self.clock.map(Stated::told), self.hz.map(Stated::told));
        loop {
            let source = source.take().map_or_else(|| self.source(chip, now), Ok)?;
            let hz = hz.take().map_or_else(|| speed(chip, source.value, now), Ok)?;
            match clock_setting(chip, source.value, hz.value) {
                Ok(setting) => return Ok((Stated { value: setting.source, basis: source.basis }, hz)),
                Err(why) if ask::somebody_there() => output::remark(&why),
                Err(why) => return Err(Stop::usage(format!("--clock and --hz: {why}"))),
            }
        }
    }

    /// What should run the chip; `now` it may run on its own oscillator.
    fn source(&self, chip: &Chip, now: Option<ClockSetting>) -> Result<Stated<Source>, Stop> {
        let sources = sources(chip);
        if let [only] = sources.as_slice() {
            return Ok(Stated::assumed(*only));
        }
        if !ask::somebody_there() {
            let first = sources.first().copied().unwrap_or(Source::Internal);
            let word = if first == Source::Crystal { "crystal" } else { "internal" };
            let mut missing = vec!["--clock".to_owned(), word.to_owned()];
            if self.hz.is_none() {
                missing.extend(["--hz".to_owned(), example(chip, first)]);
            }
            return Err(Stop::usage("what runs the chip is not known, and nobody is here to say it")
                .hint("As an example:")
                .command(command_again(&missing)));
        }
        let choices: Vec<String> = sources.iter().map(|source| source.words().to_owned()).collect();
        let now = now.map(|now| format!(" Now it runs on its own oscillator, {} for the firmware.", now.hz)).unwrap_or_default();
        let chosen = ask::choose(&format!("What should run the chip?{now}"), None, &choices)?;
        Ok(Stated::told(sources[chosen]))
    }

    fn supply(&self, context: &Context, found: &Found) -> Result<Stated<Millivolts>, Stop> {
        let chip = &found.chip.value;
        let bears = chip.supply.unwrap_or((Millivolts(0), Millivolts(u16::MAX)));
        let borne = |supply: Millivolts| match (bears.0..=bears.1).contains(&supply) {
            true => Ok(supply),
            false => Err(format!("the {} needs {} to {}{}, and not {supply}", chip.part, bears.0, bears.1, chip.mark(Fact::Supply))),
        };
        // What regulators make; a bridge measures it to a few percent.
        let nominal =
            |measured: Millivolts| [5_000, 3_300].map(Millivolts).into_iter().find(|level| level.0.abs_diff(measured.0) < level.0 / 10);
        let measured = found.observed.as_ref().and_then(|observed| observed.access.as_ref()?.supply);
        let measured = measured.map(|measured| borne(nominal(measured).unwrap_or(measured)));
        match measured.filter(|_| context.global.supply.is_none()) {
            Some(Ok(measured)) => return Ok(Stated::read(measured)),
            Some(Err(why)) => output::remark(&format!("That is not what the bridge measures: {why}.")),
            None => {}
        }
        let read = |answer: &str| volts(answer).map_err(|why| format!("'{answer}' is no supply: {why}")).and_then(borne);
        let usual = if borne(Millivolts(5_000)).is_ok() { "5" } else { "3.3" };
        let told = context.global.supply.map(|supply| (f64::from(supply.0) / 1000.0).to_string());
        Question { option: "--supply", told, asks: "At how many volts does the chip run?", assumed: usual }.answer(read)
    }

    /// Flash for a loader: assumed is what reset starts now, else what the loader that is built in needs.
    fn reservation(&self, chip: &Chip, configuration: Option<&[u8]>) -> Result<Reserved, Stop> {
        let mut sections: Vec<Span> = chip.boot_sections.iter().map(|section| section.span).collect();
        sections.sort_by_key(|span| span.len());
        if sections.is_empty() {
            let Some(bytes) = self.reserve.filter(|bytes| *bytes > 0) else { return Ok(Stated::read(None)) };
            let none = format!("the {} has no boot section, so {} cannot be reserved for a loader", chip.part, Bytes(bytes.into()));
            if !ask::somebody_there() {
                return Err(Stop::usage(none).hint("Leave --reserve out, or give 0."));
            }
            output::remark(&none);
            return Ok(Stated::read(None));
        }
        let needed = loader_bytes(&chip.part);
        let fits = |span: &Span| needed.is_some_and(|needed| needed <= span.len());
        let started = configuration.and_then(|bytes| chip.started_section(bytes));
        let assumed = started.or(sections.iter().copied().find(fits)).map_or(0, Span::len).to_string();
        let sizes = sections.iter().map(|span| span.len().to_string()).collect::<Vec<_>>().join(", ");
        let mark = chip.mark(Fact::BootSections);
        let ours = needed.map_or(String::new(), |needed| format!(" The one that is built in needs {}.", Bytes(needed.into())));
        let question = format!("How many bytes of flash to reserve for a loader: {sizes}, or 0 for none?{ours}");
        let section = |answer: &str| match answer.parse::<u32>() {
            Ok(0) => Ok(None),
            Ok(bytes) => {
                let none = || format!("the {} has no boot section of {bytes} bytes; it has: {sizes}{mark}", chip.part);
                sections.iter().copied().find(|span| span.len() == bytes).map(Some).ok_or_else(none)
            }
            Err(_) => Err(format!("'{answer}' is no number of bytes")),
        };
        let told = self.reserve.map(|bytes| bytes.to_string());
        let Stated { value, basis } = Question { option: "--reserve", told, asks: &question, assumed: &assumed }.answer(section)?;
        if let (Some(span), Some(needed)) = (value.filter(|span| !fits(span)), needed) {
            let (needed, found) = (Bytes(needed.into()), Bytes(span.len().into()));
            output::remark(&format!("The built-in loader needs {needed} and not {found}, so the file names no loader."));
        }
        let draft = |span| DraftReservation { span, loader: fits(&span).then(|| SERIAL_LOADER.into()), baud: None, start_delay_ms: 2_000 };
        Ok(Stated { value: value.map(draft), basis })
    }

    /// The serial port, whose speed the loader needs too.
    fn console(&self, clock: Hertz, mut reservation: Reserved) -> Result<(Reserved, Option<DraftConsole>), Stop> {
        let speed = |answer: &str| match answer.parse::<u32>() {
            Ok(baud) if BAUD.contains(&baud) => Ok(baud),
            _ => Err(format!("'{answer}' is no line speed from {} to {}: give one such as 38400", BAUD.start(), BAUD.end())),
        };
        let asks = "What does its firmware say on its serial port when it runs? Enter, if nothing.";
        let alive = Question { option: "--alive", told: self.alive.clone(), asks, assumed: "" }.answer(text)?.value;
        let (told, usual) = (self.baud.map(|baud| baud.to_string()), USUAL_BAUD.to_string());
        let asks = "At how many baud does its serial port talk?";
        // Where neither firmware nor loader talks, nobody needs it.
        let baud = match alive.is_empty() && reservation.value.is_none() && told.is_none() {
            true => Stated::assumed(USUAL_BAUD),
            false => Question { option: "--baud", told, asks, assumed: &usual }.answer(speed)?,
        };
        let console = Some(DraftConsole { baud, alive }).filter(|console| !console.alive.is_empty());
        if let Some(reservation) = reservation.value.as_mut() {
            let own = if reservation.loader.is_some() { loader_speed(clock, baud) } else { baud };
            reservation.baud = Some(own).filter(|own| console.is_none() || own.value != baud.value);
        }
        Ok((reservation, console))
    }

    fn settings(&self, chip: &Chip) -> Result<Stated<Option<Span>>, Stop> {
        let all = chip.eeprom.bytes;
        let question = format!("How many bytes at the beginning of the EEPROM hold settings, of {}; 0 for none?", Bytes(all.into()));
        let read = |answer: &str| match answer.parse::<u32>() {
            Ok(0) => Ok(None),
            Ok(bytes) if bytes <= all => Ok(Span::sized(ByteAddress(0), bytes)),
            _ => Err(format!("'{answer}' is no number of bytes from 0 to {all}")),
        };
        let told = self.settings.map(|bytes| bytes.to_string());
        Question { option: "--settings", told, asks: &question, assumed: &all.to_string() }.answer(read)
    }
}

fn write(file: &Path, drafted: &Drafted) -> Result<(), Stop> {
    if let Some(folder) = file.parent() {
        std::fs::create_dir_all(folder).map_err(|why| Stop::usage(format!("cannot create the folder {}:\n{why}", folder.display())))?;
    }
    write_new(file, drafted.text.as_bytes())
}

/// How fast the chip should run.
fn speed(chip: &Chip, source: Source, now: Option<ClockSetting>) -> Result<Stated<Hertz>, Stop> {
    // A crystal's frequency has nothing to do with that of the chip's own oscillator.
    let running = now.filter(|_| source == Source::Internal).map(|now| now.hz.to_string()).unwrap_or_default();
    if running.is_empty() && !ask::somebody_there() {
        return Err(Stop::usage("how fast the clock is, is not known, and nobody is here to say it")
            .hint("As an example:")
            .command(command_with("--hz", &example(chip, source))));
    }
    let asks = format!("How fast, as the firmware sees it: {}?", possible(chip, source));
    Question { option: "--hz", told: None, asks: &asks, assumed: &running }.answer(frequency)
}

/// An answer that is taken as it is.
fn text(answer: &str) -> Result<String, String> {
    Ok(answer.to_owned())
}

/// The speed at which the loader talks: the port's, or the next slower one that the clock gives.
fn loader_speed(clock: Hertz, baud: Stated<u32>) -> Stated<u32> {
    let speed = LineSpeed::nearest(clock, baud.value);
    let slower = LineSpeed::fitting(clock).into_iter().filter(|fits| *fits < baud.value).max();
    match slower {
        Some(slower) if !speed.fits() => {
            let off = speed.percent_off().abs();
            output::remark(&format!("{} baud is {off:.1} % off at {clock}, so the loader talks at {slower} baud.", baud.value));
            Stated::assumed(slower)
        }
        _ => baud,
    }
}
