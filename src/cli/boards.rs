//! `farrier boards`: the boards there are, what one is like, and whether a board file is right. Everything here renders; the
//! caller finds the catalog and prints.

mod answers;
mod chips;
mod new;
mod show;

pub use show::{show, show_json};

use super::context::Context;
use super::output::{self, wrapped};
use super::stop::{Code, Stop};
use super::typed::quoted;
use crate::board::{Board, CatalogError, Chip, Listed, Origin, Way, generic_board};
use crate::reader::{FileError, Mistake};
use crate::units::{Bytes, Count};
use chips::Found;
use clap::Subcommand;
use serde_json::{Value, json};
use std::process::ExitCode;

/// The boards there are.
///
/// Without more: a list by what decides between them. Your own boards are files in the folder `boards` of farrier's data.
#[derive(clap::Args, Debug)]
#[command(after_help = "Example: farrier boards\nExample: farrier boards show vent")]
pub struct Boards {
    #[command(subcommand)]
    pub command: Option<BoardsCommand>,
}

#[derive(Subcommand, Debug)]
pub enum BoardsCommand {
    /// What one board is like: chip, connections, flash to scale, what a loader costs, configuration in words.
    #[command(after_help = "Example: farrier boards show vent")]
    Show {
        /// A name that `farrier boards` lists, or a board file.
        #[arg(value_name = "NAME|FILE")]
        name: String,
    },
    New(new::New),
    /// The chips that farrier programs, and with a word those whose part number has it, refused ones too.
    #[command(after_help = "Example: farrier boards chips\nExample: farrier boards chips tiny8")]
    Chips {
        /// Part of a part number.
        word: Option<String>,
    },
    /// Whether a board file is right; every mistake at once.
    #[command(after_help = "Example: farrier boards check my-board.toml")]
    Check {
        /// The board file, or the name of a board of your own.
        #[arg(value_name = "FILE|NAME")]
        file: std::path::PathBuf,
    },
}

impl Boards {
    /// Prints it.
    ///
    /// # Errors
    /// A board that is not known, or a file with mistakes.
    pub fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        let (text, document, code) = match self.command {
            Some(BoardsCommand::New(new)) => return new.run(context),
            None => {
                let boards = context.catalog.boards();
                let chips = context.catalog.chip_parts().len();
                (list(&boards, chips), list_json(&boards, chips), ExitCode::SUCCESS)
            }
            Some(BoardsCommand::Show { name }) => {
                let (board, chip) = context.catalog.board(&name)?;
                (show(&name, &board, &chip, output::ink()), show_json(&board, &chip), ExitCode::SUCCESS)
            }
            Some(BoardsCommand::Chips { word }) => {
                let found = Found::with(&context.catalog, word.as_deref().unwrap_or(""));
                (found.list(), found.json(), ExitCode::SUCCESS)
            }
            Some(BoardsCommand::Check { file }) => {
                let name = file.display().to_string();
                let found = if file.exists() { context.catalog.board_in_file(&file) } else { context.catalog.board(&name) };
                let code = if found.is_ok() { ExitCode::SUCCESS } else { ExitCode::from(Code::Usage as u8) };
                (check(&name, &found), check_json(&name, &found), code)
            }
        };
        match context.global.json {
            true => output::json(&document),
            false => output::line(text),
        }
        Ok(code)
    }
}

/// The list of boards, a line each; `chips`: how many chip files there are.
pub fn list(boards: &[Listed], chips: usize) -> String {
    let width = boards.iter().map(|listed| listed.name.chars().count()).max().unwrap_or(0).max("Board".len());
    let mut lines = vec![row(width, "Board", "Chip", "Reservation", "Room left", "Ways in")];
    for listed in boards {
        lines.push(match &listed.described {
            Ok((board, chip)) => listed_row(width, &listed.name, board, chip),
            Err(_) => format!("{:width$}  has mistakes: farrier boards check {}", listed.name, quoted(&file_of(listed))),
        });
    }
    let example = boards.iter().find(|listed| listed.described.is_ok()).map_or("NAME", |listed| listed.name.as_str());
    let generic =
        format!("Any other board with one of {chips} chips: generic- and its part number, such as {}.", generic_board("ATmega88PA"));
    lines.extend([String::new(), generic, "Which chips those are: farrier boards chips".into()]);
    lines.extend([String::new(), format!("Next: farrier boards show {example}")]);
    lines.join("\n")
}

fn listed_row(width: usize, name: &str, board: &Board, chip: &Chip) -> String {
    let reservation = board.reservation.as_ref().map_or("none".into(), |reservation| Bytes(reservation.span.len().into()).to_string());
    row(width, name, &chip.part, &reservation, &Bytes(board.application(chip).len().into()).to_string(), &ways_in(chip).join(", "))
}

fn row(width: usize, name: &str, chip: &str, reservation: &str, room: &str, ways: &str) -> String {
    format!("{name:width$}  {chip:12}  {reservation:>11}  {room:>12}  {ways}")
}

/// The names of the chip's ways in.
fn ways_in(chip: &Chip) -> Vec<&'static str> {
    let name = |way| match way {
        Way::Spi => "spi",
    };
    chip.ways_in.iter().map(|way_in| name(way_in.way)).collect()
}

fn file_of(listed: &Listed) -> String {
    match &listed.origin {
        Origin::BuiltIn => listed.name.clone(),
        Origin::File(path) => path.display().to_string(),
    }
}

/// The list of boards for programs.
///
/// `boards`: for each `name`; `file` (null where it is built in); `error` (null where the file is right), else the keys of
/// `boards show`. `chips`: how many chips there are, each of which has a generic board.
pub fn list_json(boards: &[Listed], chips: usize) -> Value {
    let one = |listed: &Listed| {
        let (mut value, error) = match &listed.described {
            Ok((board, chip)) => (show_json(board, chip), None),
            Err(error) => (json!({ "name": listed.name }), Some(error.to_string())),
        };
        let file = match &listed.origin {
            Origin::BuiltIn => None,
            Origin::File(path) => Some(path.display().to_string()),
        };
        value["file"] = json!(file);
        value["error"] = json!(error);
        value
    };
    json!({ "boards": boards.iter().map(one).collect::<Vec<_>>(), "chips": chips })
}

/// What `boards check` found in a file.
pub fn check(file: &str, found: &Result<(Board, Chip), CatalogError>) -> String {
    match found {
        Ok((board, chip)) => {
            format!("{file} is right: board \"{}\" with an {}.\n\nNext: farrier boards show {}", board.name, chip.part, quoted(file))
        }
        Err(CatalogError::File(FileError::Mistakes { file: found_in, mistakes })) => {
            let mut lines: Vec<String> = mistakes.iter().map(|mistake| mistake_line(found_in, mistake)).collect();
            let count = Count(mistakes.len(), "mistake");
            lines.extend([String::new(), format!("{count}. Mend the file and check it again."), String::new()]);
            lines.push(format!("Next: farrier boards check {}", quoted(file)));
            lines.join("\n")
        }
        Err(error) => format!("error: {}\n\nNext: farrier boards", output::fill(&error.to_string())),
    }
}

/// `file:line:column: message`, broken at [`output::WIDTH`].
fn mistake_line(file: &str, mistake: &Mistake) -> String {
    let Mistake { line, column, message } = mistake;
    wrapped("", &format!("{file}:{line}:{column}: {message}"), 4)
}

/// What `boards check` found, for programs.
///
/// `file`; `right`; `board` (its name, null where the file is not right); `mistakes`: `line`, `column` (both from 1), `message`;
/// `error` (null, or why the file could not be read).
pub fn check_json(file: &str, found: &Result<(Board, Chip), CatalogError>) -> Value {
    let mistakes = match found {
        Err(CatalogError::File(FileError::Mistakes { mistakes, .. })) => mistakes.as_slice(),
        _ => &[],
    };
    let mistake = |m: &Mistake| json!({ "line": m.line, "column": m.column, "message": m.message });
    let error = found.as_ref().err().filter(|_| mistakes.is_empty()).map(|error| error.to_string());
    json!({
        "file": file,
        "right": found.is_ok(),
        "board": found.as_ref().ok().map(|(board, _)| &board.name),
        "mistakes": mistakes.iter().map(mistake).collect::<Vec<_>>(),
        "error": error,
    })
}
