//! The command line as it was typed, and as it is typed next.

use super::options;
use crate::record::JobId;
use clap::Command;

/// What was typed behind `farrier`; what is no text in it stays readable.
pub fn given_words() -> impl Iterator<Item = String> {
    std::env::args_os().skip(1).map(|arg| arg.to_string_lossy().into_owned())
}

/// This command as the user would type it again, with `more` at its end.
pub fn command_again(more: &[String]) -> String {
    typed(given_words().chain(more.iter().cloned()))
}

/// This command as it goes on from `job`, with `more` at its end. An answer given with `--resume` was about the jobs that were unfinished
/// then: given again, `none` would take what this job has left behind for what is to be kept.
pub fn command_going_on(job: JobId, more: &[String]) -> String {
    match given_words().any(|arg| arg.starts_with("--resume")) {
        true => {
            let job = job.to_string();
            let words: Vec<&str> = ["--resume", &job].into_iter().chain(more.iter().map(String::as_str)).collect();
            command_instead("--resume", &words)
        }
        false => command_again(more),
    }
}

/// This command with the bridge's clock output in use; nothing where it is already.
pub fn command_with_clock_output() -> Option<String> {
    let option = "--clock-output";
    (!given_words().any(|arg| arg == option)).then(|| command_again(&[option.to_owned()]))
}

/// What of a command line is about the board and its bridge, so that the next command needs it too. `true`: a value follows.
const OF_THE_BOARD: [(&str, bool); 4] = [("--board", true), ("--supply", true), ("--clock-output", false), ("--levels-shifted", false)];

/// Another command for the same board, through the same bridge.
pub fn command_for_this_board(command: &str) -> String {
    let words = given(&[("--via", true)]).into_iter().chain(given(&OF_THE_BOARD));
    typed(std::iter::once(command.to_owned()).chain(words))
}

/// What stands behind `--via` in the next command for the same board: where the bridge is, and what was given here beside it.
pub fn at(via: &str) -> String {
    let words = given(&OF_THE_BOARD).into_iter().map(|word| format!(" {}", quoted(&word)));
    std::iter::once(quoted(via)).chain(words).collect()
}

/// Those of these options that were given, with their values.
fn given(options: &[(&str, bool)]) -> Vec<String> {
    let mut words = Vec::new();
    let mut args = given_words();
    while let Some(arg) = args.next() {
        let name = arg.split_once('=').map_or(&arg[..], |(name, _)| name);
        let Some((_, with_value)) = options.iter().find(|(option, _)| *option == name) else { continue };
        let value = if *with_value && name == arg { args.next() } else { None };
        words.extend(std::iter::once(arg).chain(value));
    }
    words
}

/// This command with `--resume` and this answer, in place of one that was given.
pub fn command_answering(answer: &str) -> String {
    command_with("--resume", answer)
}

/// This command with this option, in place of one that was given.
pub fn command_with(option: &str, value: &str) -> String {
    command_instead(option, &[option, value])
}

/// This command with these words at its end instead of this option and its value.
pub fn command_instead(option: &str, words: &[&str]) -> String {
    let joined = format!("{option}=");
    let mut args: Vec<String> = given_words().filter(|arg| !arg.starts_with(&joined)).collect();
    if let Some(at) = args.iter().position(|arg| arg == option) {
        args.drain(at..(at + 2).min(args.len()));
    }
    typed(args.into_iter().chain(words.iter().map(|word| (*word).to_owned())))
}

/// This command without this option, which takes no value.
pub fn command_without(option: &str) -> String {
    typed(given_words().filter(|arg| arg != option))
}

/// This command without `--watch`, whose number of seconds may be missing.
pub fn command_not_watching() -> String {
    let mut seconds_may_follow = false;
    typed(given_words().filter(|arg| {
        let seconds = std::mem::replace(&mut seconds_may_follow, arg == "--watch") && arg.parse::<u64>().is_ok();
        !seconds && arg != "--watch" && !arg.starts_with("--watch=")
    }))
}

fn typed(args: impl Iterator<Item = String>) -> String {
    std::iter::once("farrier".to_owned()).chain(args.map(|arg| quoted(&arg))).collect::<Vec<_>>().join(" ")
}

/// The help of this command.
pub fn command_help() -> String {
    let of = command_typed();
    format!("{} --help", of.get_bin_name().unwrap_or("farrier"))
}

/// The definition of this command, as far as the words that were typed name one.
pub fn command_typed() -> Command {
    let mut of = options::command();
    for arg in given_words() {
        if let Some(below) = of.find_subcommand(&arg) {
            of = below.clone();
        }
    }
    of
}

/// A word as a shell takes it.
pub fn quoted(arg: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "-_./:=,@+%".contains(c);
    match !arg.is_empty() && arg.chars().all(plain) {
        true => arg.to_owned(),
        false => format!("'{}'", arg.replace('\'', r"'\''")),
    }
}
