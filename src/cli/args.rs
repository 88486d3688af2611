//! The command line as a type.

use super::*;
use crate::finding::Kind;
use crate::units::Millivolts;
use clap::{Parser, Subcommand, ValueEnum};
use std::time::Duration;

/// Fits firmware loaders to bare microcontroller boards and looks after what is on them.
///
/// Without a command: what is plugged in, an interrupted job, and commands that suit the moment.
#[derive(Parser, Debug)]
#[command(name = "farrier", version, max_term_width = 100, after_help = "Example: farrier loader install --via sim:vent")]
pub struct Cli {
    #[command(flatten)]
    pub global: Global,
    #[command(subcommand)]
    pub command: Option<Command>,
}

/// What every command understands.
#[derive(clap::Args, Debug, Clone, Default)]
pub struct Global {
    /// The board: a name that `boards` lists, or a board file.
    #[arg(long, global = true, value_name = "NAME|FILE")]
    pub board: Option<String>,
    /// Where the bridge is: a serial port (`/dev/ttyUSB0`; `/dev/ttyUSB0@115200` for that speed only), `usb` or `usb:SERIAL-NUMBER`,
    /// `tcp://HOST:PORT`, `rfc2217://HOST:PORT` for a serial-port server, `gpio:NAME` for GPIO lines of this computer that a file
    /// describes, or `sim:NAME` for a simulated one. `bridges` lists them.
    #[arg(long, global = true, value_name = "WHERE")]
    pub via: Option<String>,
    /// The bridge's clock output is wired to the chip's clock pin: use it where nothing else gets an answer.
    #[arg(long, global = true)]
    pub clock_output: bool,
    /// Parts that shift the levels, as `connections` draws them, are fitted between bridge and board.
    #[arg(long, global = true)]
    pub levels_shifted: bool,
    /// What a meter shows between VCC and GND of the board, in volts, where the bridge cannot measure it: as `--supply 3.3`.
    #[arg(long, global = true, value_name = "VOLTS", value_parser = volts)]
    pub supply: Option<Millivolts>,
    /// Your own mark for this one board; kept in snapshot and journal.
    #[arg(long, global = true, value_name = "TEXT", value_parser = tag)]
    pub tag: Option<String>,
    /// Show the plan and change nothing.
    #[arg(long, global = true)]
    pub dry_run: bool,
    /// Do the whole job on a simulated board first, with power cuts, then ask.
    #[arg(long, global = true)]
    pub rehearse: bool,
    /// Plan without a board: on one as shipped (`factory`), or as a snapshot holds it.
    #[arg(long, global = true, value_name = "factory|SNAPSHOT")]
    pub on: Option<String>,
    /// Accept one finding, by its name. May be given several times.
    #[arg(long, global = true, value_name = "NAME", value_parser = consent::acceptable)]
    pub accept: Vec<Kind>,
    /// Which unfinished job this goes on from: its number, or `none`.
    #[arg(long, global = true, value_name = "N|none")]
    pub resume: Option<String>,
    /// Go ahead without the question. Consents are asked for all the same.
    #[arg(long, global = true)]
    pub yes: bool,
    /// Listen on the board's own serial port afterwards, so many seconds (10), whether the firmware says that it is alive.
    #[arg(long, global = true, value_name = "SECONDS", num_args = 0..=1, default_missing_value = "10", value_parser = watch)]
    pub watch: Option<Duration>,
    /// The board's own serial port, on which its firmware talks: for --watch.
    #[arg(long, global = true, value_name = "PORT")]
    pub console: Option<String>,
    /// Print JSON on stdout instead of text.
    #[arg(long, global = true)]
    pub json: bool,
    /// When to use colour.
    #[arg(long, global = true, value_name = "WHEN", default_value = "auto")]
    pub color: When,
    /// Say more.
    #[arg(short, long, global = true, action = clap::ArgAction::Count)]
    pub verbose: u8,
}

fn watch(text: &str) -> Result<Duration, String> {
    let seconds = text.parse::<u64>().ok().filter(|seconds| (1..=3600).contains(seconds));
    seconds.map(Duration::from_secs).ok_or_else(|| "it is a number of seconds from 1 to 3600".into())
}

pub(super) fn volts(text: &str) -> Result<Millivolts, String> {
    let volts: f64 = text.trim_end_matches(['V', 'v']).trim().parse().map_err(|_| "it is a number of volts, as 3.3".to_owned())?;
    match (1.0..=6.0).contains(&volts) {
        true => Ok(Millivolts((volts * 1000.0).round() as u16)),
        false => Err("it lies between 1 and 6 V".into()),
    }
}

/// A tag tells one board from all others, so an empty one, as an unset variable of a shell gives it, is none.
fn tag(text: &str) -> Result<String, String> {
    let tag = text.trim();
    match tag.chars().count() {
        0 => Err("an empty tag is none: leave --tag out".into()),
        1..=64 if !tag.chars().any(char::is_control) => Ok(tag.to_owned()),
        1..=64 => Err("a tag has no control characters".into()),
        count => Err(format!("a tag has at most 64 characters, this has {count}")),
    }
}

#[derive(ValueEnum, Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum When {
    #[default]
    Auto,
    Always,
    Never,
}

/// The commands.
#[derive(Subcommand, Debug)]
pub enum Command {
    Inspect(inspect::Inspect),
    #[command(subcommand)]
    Loader(loader::Loader),
    Write(write::Write),
    Verify(verify::Verify),
    Configure(configure::Configure),
    Restore(restore::Restore),
    Revive(revive::Revive),
    Undo(undo::Undo),
    #[command(subcommand)]
    Snapshot(snapshot::Snapshot),
    Boards(boards::Boards),
    Bridges(bridges::Bridges),
    Connections(connections::ConnectionsCommand),
    Journal(journal::Journal),
    #[command(subcommand)]
    Sim(sim::Sim),
    Explain(explain::Explain),
    Completions(completions::Completions),
    ManPages(completions::ManPages),
}
