//! Which command takes which of the options that several have. Its help shows those, and others are refused.

use super::args::Cli;
use super::stop::Stop;
use clap::parser::ValueSource;
use clap::{ArgMatches, Command, CommandFactory};

const BOARD: &[&str] = &["board"];
const TAG: &[&str] = &["tag"];
const SUPPLY: &[&str] = &["supply"];
const YES: &[&str] = &["yes"];
/// How a board is reached.
const REACH: &[&str] = &["board", "tag", "via", "supply", "clock_output", "levels_shifted"];
/// What is to be done to it.
const CHANGE: &[&str] = &["dry_run", "rehearse", "accept", "resume", "yes"];
/// Listening to it afterwards.
const WATCH: &[&str] = &["watch", "console"];
/// Planning without it.
const ON: &[&str] = &["on"];

/// The commands that take any, by their words.
const TAKES: &[(&str, &[&[&str]])] = &[
    ("inspect", &[REACH]),
    ("loader install", &[REACH, CHANGE, ON, WATCH]),
    ("loader remove", &[REACH, CHANGE, ON]),
    ("write", &[REACH, CHANGE, ON, WATCH]),
    ("verify", &[REACH]),
    ("configure", &[REACH, CHANGE, ON]),
    ("restore", &[REACH, CHANGE, ON]),
    ("revive", &[REACH, CHANGE, WATCH]),
    ("undo", &[REACH, CHANGE]),
    ("snapshot take", &[REACH]),
    ("snapshot list", &[BOARD, TAG]),
    ("snapshot show", &[BOARD]),
    ("snapshot compare", &[BOARD]),
    ("bridges make", &[YES]),
    ("boards new", &[REACH]),
    ("connections", &[BOARD, SUPPLY]),
    ("journal", &[BOARD, TAG]),
    ("journal show", &[BOARD]),
    ("journal export", &[BOARD, TAG]),
    ("journal report", &[BOARD]),
    ("sim new", &[BOARD]),
    ("sim class", &[BOARD]),
];

fn takes(words: &str, option: &str) -> bool {
    TAKES.iter().filter(|(of, _)| *of == words).flat_map(|(_, groups)| groups.iter().copied().flatten()).any(|taken| *taken == option)
}

/// The options that some commands take and others do not.
fn chosen() -> impl Iterator<Item = &'static str> {
    [REACH, CHANGE, ON, WATCH].into_iter().flatten().copied()
}

/// The definition of the command line: each command shows the options that it takes.
pub fn command() -> Command {
    let mut command = Cli::command();
    // Hands the common options down.
    command.build();
    below(command, "")
}

fn below(mut command: Command, words: &str) -> Command {
    let names: Vec<String> = command.get_subcommands().map(|below| below.get_name().to_owned()).collect();
    for name in names.iter().filter(|name| *name != "help") {
        let words = format!("{words} {name}").trim_start().to_owned();
        command = command.mut_subcommand(name, |of| {
            let of = of.mut_args(|arg| {
                let hidden = chosen().any(|of| of == arg.get_id().as_str()) && !takes(&words, arg.get_id().as_str());
                if hidden { arg.hide(true) } else { arg }
            });
            below(of, &words)
        });
    }
    command
}

/// Refuses an option that the command does not take.
///
/// # Errors
/// The first one that was given all the same.
pub fn check(matches: &ArgMatches) -> Result<(), Stop> {
    let (mut words, mut of) = (String::new(), matches);
    while let Some((name, below)) = of.subcommand() {
        words = format!("{words} {name}").trim_start().to_owned();
        of = below;
    }
    let given = |option: &&str| of.value_source(option) == Some(ValueSource::CommandLine);
    let strange = chosen().filter(given).find(|option| !takes(&words, option));
    match strange.filter(|_| !words.is_empty()) {
        None => Ok(()),
        Some(option) => {
            let option = option.replace('_', "-");
            Err(Stop::usage(format!("`farrier {words}` does not take --{option}")).hint(format!("What it takes: farrier {words} --help")))
        }
    }
}
