//! The command line: a file a command. The only place that reads environment, folders, terminal and system time.

pub mod completions;
pub mod explain;
pub mod inspect_image;
pub mod map;
pub mod words;

use std::process::ExitCode;

/// Runs the command of this process.
pub fn main() -> ExitCode {
    ExitCode::SUCCESS
}
