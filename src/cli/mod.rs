//! The command line: a file a command. The only place that reads environment, folders, terminal and system time.

mod args;
mod ask;
mod board_view;
pub mod boards;
mod bridges;
mod change;
mod change_view;
mod compare;
mod completions;
mod configure;
mod connect;
pub mod connections;
mod consent;
mod console;
mod context;
mod demo_images;
mod explain;
mod explain_last;
mod fitted_loader;
mod folder;
mod gpio;
mod home;
mod images;
mod inspect;
pub mod inspect_image;
mod interrupt;
mod journal;
mod known;
mod last_run;
mod levels;
mod loader;
mod loader_job;
pub mod map;
mod options;
mod outline;
mod output;
mod parts;
mod place;
mod plan_view;
mod progress;
mod rehearse;
mod restore;
mod resume;
mod revive;
mod revive_view;
mod safety;
mod same_id;
mod sim;
mod sim_serve;
mod snapshot;
mod start;
mod stop;
mod typed;
mod undo;
mod verify;
mod words;
mod worth;
mod write;

use args::{Cli, Command, When};
use clap::FromArgMatches;
use clap::error::ErrorKind;
use context::Context;
use std::process::ExitCode;
use stop::{Code, Stop};

/// Runs the command of this process.
pub fn main() -> ExitCode {
    let parsed = options::command().try_get_matches().and_then(|matches| Ok((Cli::from_arg_matches(&matches)?, matches)));
    let (Cli { global, command }, matches) = match parsed {
        Ok(parsed) => parsed,
        Err(error) if error.use_stderr() && typed::given_words().any(|arg| arg == "--json") => return misused(&error).report(true),
        Err(error) => return misused_at_a_terminal(&error),
    };
    let choice = match global.color {
        When::Auto => anstream::ColorChoice::Auto,
        When::Always => anstream::ColorChoice::AlwaysAnsi,
        When::Never => anstream::ColorChoice::Never,
    };
    choice.write_global();
    let as_json = global.json;
    let result = options::check(&matches).and_then(|()| Context::new(global)).and_then(|context| {
        run(command, &context).inspect_err(|stop| {
            if !stop.what_it_found().is_empty() {
                last_run::keep(&context, stop.what_it_found());
            }
        })
    });
    result.unwrap_or_else(|stop| stop.report(as_json))
}

/// A command line that makes no sense, for somebody who reads JSON.
fn misused(error: &clap::Error) -> Stop {
    let text = error.to_string();
    Stop::usage(text.strip_prefix("error: ").unwrap_or(&text).trim_end()).command(typed::command_help())
}

/// Help that was asked for, or a command line that makes no sense, with an example of one that does.
fn misused_at_a_terminal(error: &clap::Error) -> ExitCode {
    if !error.use_stderr() || error.kind() == ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand {
        error.exit();
    }
    anstream::eprintln!("{}", output::fill(&error.render().ansi().to_string()));
    if let Some(examples) = typed::command_typed().get_after_help() {
        anstream::eprintln!("\n{examples}");
    }
    ExitCode::from(u8::try_from(error.exit_code()).unwrap_or(Code::Usage as u8))
}

fn run(command: Option<Command>, context: &Context) -> Result<ExitCode, Stop> {
    match command {
        None => start::run(context),
        Some(Command::Inspect(inspect)) => inspect.run(context),
        Some(Command::Loader(loader)) => loader.run(context),
        Some(Command::Write(write)) => write.run(context),
        Some(Command::Verify(verify)) => verify.run(context),
        Some(Command::Configure(configure)) => configure.run(context),
        Some(Command::Restore(restore)) => restore.run(context),
        Some(Command::Revive(revive)) => revive.run(context),
        Some(Command::Undo(undo)) => undo.run(context),
        Some(Command::Snapshot(snapshot)) => snapshot.run(context),
        Some(Command::Journal(journal)) => journal.run(context),
        Some(Command::Boards(boards)) => boards.run(context),
        Some(Command::Bridges(bridges)) => bridges.run(context),
        Some(Command::Connections(connections)) => connections.run(context),
        Some(Command::Sim(sim)) => sim.run(context),
        Some(Command::Explain(explain)) => explain.run(context),
        Some(Command::Completions(completions)) => completions.run(),
        Some(Command::ManPages(pages)) => pages.run(context),
    }
}
