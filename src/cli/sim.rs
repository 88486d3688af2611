//! `farrier sim`: simulated boards.

use super::context::Context;
use super::output::{self, Offer};
use super::sim_serve::Serve;
use super::stop::Stop;
use super::typed::quoted;
use crate::board::{demo_names, is_board_path};
use crate::file;
use crate::sim::{BRICKED, Bricked, Fault, Glance, MendedBy, SURPRISE};
use clap::builder::{PossibleValue, TypedValueParser};
use clap::{Args, Subcommand};
use serde_json::json;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Make, list, damage, look into and serve simulated boards.
#[derive(Subcommand, Debug)]
#[command(after_help = "Example: farrier sim new bench-1 --board vent")]
pub enum Sim {
    New(New),
    List(List),
    Reveal(Reveal),
    Class(Class),
    Reset(Name),
    Damage(Damage),
    Repair(Repair),
    Export(Export),
    Serve(Serve),
}

/// Make a simulated board: as its chip is shipped, or bricked after some use.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier sim new bench-1 --board vent --seed 7\n\
                  Example: farrier sim new bench-2 --board vent --bricked erased-loader\n\
                  Example: farrier sim new bench-3 --board frost --bricked surprise --seed 4")]
pub struct New {
    /// What to call it: small letters, digits and hyphens.
    pub name: String,
    /// Makes all its random choices.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// In use, with loader, application and settings, and then bricked in this way.
    #[arg(long, value_name = "KIND", value_parser = Kinds)]
    pub bricked: Option<String>,
}

/// What `--bricked` takes, each with its sentence.
#[derive(Clone)]
struct Kinds;

impl TypedValueParser for Kinds {
    type Value = String;

    fn parse_ref(&self, _: &clap::Command, _: Option<&clap::Arg>, value: &OsStr) -> Result<String, clap::Error> {
        let name = value.to_string_lossy().into_owned();
        match Bricked::named(&name) {
            Err(why) if name != SURPRISE => {
                let told = format!("{why}.\n`farrier sim new --help` lists them\n");
                Err(clap::Error::raw(clap::error::ErrorKind::InvalidValue, told))
            }
            _ => Ok(name),
        }
    }

    fn possible_values(&self) -> Option<Box<dyn Iterator<Item = PossibleValue>>> {
        let drawn = PossibleValue::new(SURPRISE).help("One of these, drawn by the seed and not told.");
        Some(Box::new(BRICKED.iter().map(|kind| PossibleValue::new(kind.name).help(kind.sentence)).chain([drawn])))
    }
}

/// List the simulated boards.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier sim list")]
pub struct List {}

/// Say how a simulated board was bricked, also where that was a surprise.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier sim reveal bench-3")]
pub struct Reveal {
    /// A name, or the path of a file that was handed in.
    #[arg(value_parser = name)]
    pub name: String,
}

/// Make boards for a class: each bricked in a way that is not told, and a sheet with the answers.
///
/// Each is one file, with the text of its board file in it. Whoever has one works with `--via sim:./FILE` on any computer, and hands the
/// same file in. Without --board they are of the demo boards in turn.
///
/// What was done to a board is sealed in its file, against a glance and not against somebody who means to look: the file holds it all
/// the same, and `sim reveal` tells it to whoever asks.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier sim class 12 --seed 7 monday\n\
                  Example: farrier sim class 12 --seed 7 tuesday --board ./kiln.toml")]
pub struct Class {
    /// How many boards.
    #[arg(value_parser = clap::value_parser!(u16).range(1..=999))]
    pub count: u16,
    /// The folder to make them in.
    pub folder: PathBuf,
    /// Draws what was done to each.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
}

/// A sim's name, also as it stands behind `--via`.
fn name(text: &str) -> Result<String, std::convert::Infallible> {
    Ok(text.strip_prefix("sim:").unwrap_or(text).to_owned())
}

/// Make it as shipped again: blank memories, factory configuration, no faults.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier sim reset bench-1")]
pub struct Name {
    #[arg(value_parser = name)]
    pub name: String,
}

/// Give it a fault.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier sim damage bench-1 open-miso\nExample: farrier sim damage bench-1 power-cut=40")]
pub struct Damage {
    #[arg(value_parser = name)]
    pub name: String,
    /// open-miso, shorted-data, swapped-data, held-line=LINE-LEVEL, no-power, wrong-supply=MILLIVOLTS, wrong-level=MILLIVOLTS,
    /// weak-supply=MILLIVOLTS, reversed-cable, deaf-in-brown-out, other-chip, lost-clock, locked-chip=MODE, weak-cells=PAGE,
    /// power-cut=OPERATIONS, power-cut-instructions=N
    pub fault: Fault,
}

/// Take all its faults away. What the silicon holds stays.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier sim repair bench-1")]
pub struct Repair {
    #[arg(value_parser = name)]
    pub name: String,
}

/// Write what its silicon really holds: flash.bin, eeprom.bin, state.json. And board.toml, where it is a file that was handed in.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier sim export bench-1 held")]
pub struct Export {
    #[arg(value_parser = name)]
    pub name: String,
    /// The folder to write into; made where it is not there.
    pub dir: PathBuf,
}

impl Sim {
    pub fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        let sims = context.sims();
        match self {
            Sim::New(new) => new.make(context)?,
            Sim::Reveal(Reveal { name }) => reveal(context, &name)?,
            Sim::Class(class) => class.make(context)?,
            Sim::List(_) => list(context)?,
            Sim::Reset(Name { name }) => {
                let open = sims.open_sim(&name)?;
                open.reset();
                open.sync()?;
                told(context, &name, &format!("The simulated board {name} is as shipped again."));
            }
            Sim::Damage(Damage { name, fault }) => {
                let open = sims.open_sim(&name)?;
                let text = fault.to_string();
                open.sim().damage(fault);
                open.sync()?;
                told(context, &name, &format!("The simulated board {name} has the fault {text} now."));
            }
            Sim::Repair(Repair { name }) => {
                let open = sims.open_sim(&name)?;
                open.sim().repair();
                open.sync()?;
                told(context, &name, &format!("The simulated board {name} has no faults now. What its silicon holds is as it was."));
            }
            Sim::Serve(serve) => serve.run(context)?,
            Sim::Export(Export { name, dir }) => {
                let open = sims.open_sim(&name)?;
                open.export(&dir)?;
                let board = if open.carries_its_board() { ", board.toml" } else { "" };
                told(context, &name, &format!("What {name} holds is in {}: flash.bin, eeprom.bin, state.json{board}.", dir.display()));
            }
        }
        Ok(ExitCode::SUCCESS)
    }
}

impl New {
    fn make(&self, context: &Context) -> Result<(), Stop> {
        let Some(board) = context.board_name() else {
            return Err(Stop::usage("a sim needs to know which board it is").hint("Give --board NAME; `farrier boards` lists them."));
        };
        let (sims, New { name, seed, bricked }) = (context.sims(), self);
        // It is used from any folder.
        let absolute = if is_board_path(board) { std::path::absolute(board).ok() } else { None };
        let board = absolute.as_deref().and_then(Path::to_str).unwrap_or(board);
        let sentence = match bricked.as_deref() {
            None => {
                sims.create(name, board, *seed)?;
                told(context, name, &format!("The simulated board {name} is made: {board}, as shipped, seed {seed}."));
                return Ok(());
            }
            Some(kind) => {
                sims.create_bricked(name, board, *seed, kind)?;
                let what = Bricked::named(kind).map_or("What was done to it is not told.", |kind| kind.sentence);
                format!("The simulated board {name} is made: {board}, bricked after some use, seed {seed}. {what}")
            }
        };
        let [find, be_told] = find_out(name);
        let then = if bricked.as_deref() == Some(SURPRISE) { be_told } else { look(name) };
        told_then(context, name, &sentence, &[find, then]);
        Ok(())
    }
}

fn reveal(context: &Context, name: &str) -> Result<(), Stop> {
    let open = context.sims().open_sim(name)?;
    let bricked = open.reveal();
    if context.global.json {
        output::json(&json!({ "sim": name, "bricked": bricked.map(|kind| kind.name), "sentence": bricked.map(|kind| kind.sentence) }));
        return Ok(());
    }
    match bricked {
        Some(kind) => output::say(format!("{name} was bricked as {}. {} {}", kind.name, kind.sentence, mended(kind.mended_by))),
        None => output::say(format!("{name} was not bricked when it was made.")),
    }
    output::next(match bricked.map(|kind| kind.mended_by) {
        // Of a simulated board this is the hand that does it, or that fits the new chip.
        Some(MendedBy::Hand | MendedBy::NewChip) => format!("farrier sim repair {}", quoted(name)),
        _ => format!("farrier revive --via {}", quoted(&format!("sim:{name}"))),
    });
    Ok(())
}

/// What mends a bricked board, as a sentence.
fn mended(by: MendedBy) -> &'static str {
    match by {
        MendedBy::ProgrammingHeader => "The programming header mends it.",
        MendedBy::Hand => "A hand mends it: at a wire, a plug, another part or the supply.",
        MendedBy::HighVoltage => "A high-voltage programmer mends it, or a new chip.",
        MendedBy::NewChip => "A new chip mends it.",
    }
}

impl Class {
    /// The file of a board, with a separator in it, by which it is known from a name.
    fn board(&self, n: u16) -> PathBuf {
        Path::new(".").join(&self.folder).join(format!("board-{n:03}.sim"))
    }

    fn make(&self, context: &Context) -> Result<(), Stop> {
        let boards = match &context.global.board {
            Some(board) => vec![board.clone()],
            None => demo_names(),
        };
        let sims = context.sims();
        let mut answers = format!("The answers for the {} boards of seed {}:\n\n", self.count, self.seed);
        let sheet = self.folder.join("answers.txt");
        if sheet.exists() {
            return Err(Stop::usage(format!("there is a class in {} already", self.folder.display())).hint("Name a new folder."));
        }
        for (n, board) in (1..=self.count).zip(boards.iter().cycle()) {
            let name = self.board(n).display().to_string();
            let kind = sims.create_bricked(&name, board, self.seed.wrapping_mul(1000).wrapping_add(n.into()), SURPRISE)?;
            let answer = format!("{}. {} {}", kind.name, kind.sentence, mended(kind.mended_by));
            answers += &output::wrapped(&format!("board-{n:03}  {board:<8} "), &answer, 20);
            answers.push('\n');
        }
        file::write_new(&sheet, answers.as_bytes()).map_err(|why| Stop::usage(format!("{} cannot be written: {why}", sheet.display())))?;
        if context.global.json {
            output::json(&json!({ "folder": self.folder, "boards": self.count, "answers": sheet }));
            return Ok(());
        }
        output::say(format!("{} boards are in {}, board-001.sim and so on.", self.count, self.folder.display()));
        output::say(format!("What was done to each is in {}: keep that one back.", sheet.display()));
        output::next_of(&find_out(&self.board(1).display().to_string()));
        Ok(())
    }
}

fn told(context: &Context, name: &str, sentence: &str) {
    told_then(context, name, sentence, &[look(name)]);
}

fn look(name: &str) -> Offer {
    (format!("farrier inspect --via {}", quoted(&format!("sim:{name}"))), "what is on it")
}

fn told_then(context: &Context, name: &str, sentence: &str, next: &[Offer]) {
    if context.global.json {
        return output::json(&json!({ "sim": name, "done": sentence }));
    }
    output::say(sentence);
    output::next_of(next);
}

/// What may be done with a board whose fault is to be found.
fn find_out(name: &str) -> [Offer; 2] {
    [
        (format!("farrier revive --via {}", quoted(&format!("sim:{name}"))), "find out what is wrong, and mend it"),
        (format!("farrier sim reveal {}", quoted(name)), "be told what was done to it"),
    ]
}

/// The widest that names stand in a column; longer ones, and paths, have a line of their own.
const COLUMN: usize = 20;

fn list(context: &Context) -> Result<(), Stop> {
    let all = context.sims().list()?;
    if context.global.json {
        output::json(&json!({ "sims": all }));
        return Ok(());
    }
    if all.is_empty() {
        output::say("There are no simulated boards yet.");
        output::next("farrier sim new bench-1 --board vent");
        return Ok(());
    }
    let width = |of: fn(&Glance) -> &str| all.iter().map(|sim| of(sim).chars().count()).max().unwrap_or(0).min(COLUMN);
    let (name, board, chip) = (width(|sim| &sim.name).max(4), width(|sim| &sim.board).max(5), width(|sim| &sim.chip).max(4));
    output::line(format!("{:<name$} {:<board$} {:<chip$} operations violations  bricked, faults", "name", "board", "chip"));
    for sim in &all {
        let own_line = |text: &str| text.chars().count() > COLUMN;
        let in_row = |text: &'_ str| if own_line(text) { String::new() } else { text.to_owned() };
        [&sim.name, &sim.board].into_iter().filter(|text| own_line(text)).for_each(output::say);
        let row = format!("{:<name$} {:<board$} {:<chip$}", in_row(&sim.name), in_row(&sim.board), sim.chip);
        output::say_under(&format!("{row} {:>10} {:>10}  ", sim.operations, sim.violations), wrong(sim));
    }
    output::next(format!("farrier inspect --via sim:{}", all[0].name));
    Ok(())
}

/// How a sim was bricked when it was made, and the faults that it has now.
fn wrong(sim: &Glance) -> String {
    // A fault that a kind is named after is not told twice.
    let faults = sim.faults.iter().flatten().map(ToString::to_string).filter(|fault| sim.bricked.as_ref() != Some(fault));
    let all: Vec<String> = sim.bricked.iter().cloned().chain(faults).collect();
    if all.is_empty() { "none".to_owned() } else { all.join(", ") }
}
