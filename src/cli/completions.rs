//! `farrier completions` and `farrier man-pages`: made from the definition of the command line, so they cannot lag behind it.

use super::context::Context;
use super::stop::Stop;
use super::{options, output};
use crate::file;
use clap::{Args, Command};
use clap_complete::Shell;
use serde_json::json;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Print the completions for a shell.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier completions bash > ~/.local/share/bash-completion/completions/farrier")]
pub struct Completions {
    pub shell: Shell,
}

/// Write the manual pages into a folder, one for each command.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier man-pages ~/.local/share/man/man1")]
pub struct ManPages {
    /// The folder; made where it is missing. Pages of the same names in it are replaced.
    pub folder: PathBuf,
}

impl Completions {
    /// Prints them.
    ///
    /// # Errors
    /// None.
    pub fn run(self) -> Result<ExitCode, Stop> {
        anstream::print!("{}", script(options::command(), self.shell));
        Ok(ExitCode::SUCCESS)
    }
}

impl ManPages {
    /// Writes them.
    ///
    /// # Errors
    /// The page that could not be written.
    pub fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        let pages = write_pages(options::command(), &self.folder).map_err(|why| Stop::usage(why.to_string()))?;
        match context.global.json {
            true => output::json(&json!({ "pages": pages })),
            false => {
                output::say(format!("{} manual pages are in {}.", pages.len(), self.folder.display()));
                output::next(format!("man -l {}", self.folder.join("farrier.1").display()));
            }
        }
        Ok(ExitCode::SUCCESS)
    }
}

/// A manual page that could not be made.
#[derive(Debug, thiserror::Error)]
#[error("cannot write {}: {source}", path.display())]
pub struct PageError {
    pub path: PathBuf,
    pub source: io::Error,
}

/// The completions of `command` as a script of `shell`.
pub fn script(mut command: Command, shell: Shell) -> String {
    let name = command.get_name().to_owned();
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut command, name, &mut script);
    String::from_utf8_lossy(&script).into_owned()
}

/// Writes a page for `command` and each command below it, and gives their paths.
///
/// # Errors
/// The page that could not be written, and why.
pub fn write_pages(mut command: Command, folder: &Path) -> Result<Vec<PathBuf>, PageError> {
    fs::create_dir_all(folder).map_err(|source| PageError { path: folder.to_owned(), source })?;
    // Gives every command its full name, and the options that all of them have.
    command.build();
    let mut open = vec![&command];
    let mut written = Vec::new();
    while let Some(command) = open.pop() {
        let page = clap_mangen::Man::new(command.clone());
        let path = folder.join(page.get_filename());
        let mut text = Vec::new();
        let made = page.render(&mut text).and_then(|()| file::replace(&path, &text));
        made.map_err(|source| PageError { path: path.clone(), source })?;
        written.push(path);
        open.extend(command.get_subcommands().filter(|below| !below.is_hide_set() && below.get_name() != "help"));
    }
    written.sort();
    Ok(written)
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::{Arg, ValueEnum};
    use std::collections::BTreeSet;

    /// `farrier` with a command below a command, one that is hidden, and an option that all have.
    fn command() -> Command {
        let loader = Command::new("loader").subcommand(Command::new("install").about("Fit the loader."));
        let via = Arg::new("via").long("via").global(true).help("Where the bridge is.");
        Command::new("farrier").about("Fits loaders.").arg(via).subcommand(loader).subcommand(Command::new("inner").hide(true))
    }

    #[test]
    fn every_shell_has_a_script_with_the_commands_in_it() {
        for shell in Shell::value_variants() {
            let script = script(command(), *shell);
            assert!(script.contains("farrier") && script.contains("install") && script.contains("via"), "{shell}:\n{script}");
        }
    }

    #[test]
    fn every_command_has_a_page() {
        let folder = tempfile::tempdir().expect("a folder");
        let folder = folder.path().join("share/man1");
        let written = write_pages(command(), &folder).expect("pages");
        let names: BTreeSet<_> = written.iter().filter_map(|path| path.file_name()?.to_str()).collect();
        assert_eq!(names, BTreeSet::from(["farrier.1", "farrier-loader.1", "farrier-loader-install.1"]));
        let page = fs::read_to_string(folder.join("farrier-loader-install.1")).expect("a page");
        assert!(page.contains("Fit the loader.") && page.contains("Where the bridge is."), "{page}");
        assert_eq!(write_pages(command(), &folder).expect("pages once more"), written);
    }

    #[test]
    fn a_file_in_the_way_is_named() {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("file");
        fs::write(&file, "").expect("a file");
        assert_eq!(write_pages(command(), &file).expect_err("a file is no folder").path, file);
    }
}
