//! `farrier loader install` and `farrier loader remove`.

use super::change::{self, Change};
use super::context::Context;
use super::output::Offer;
use super::stop::Stop;
use super::{board_view, images, typed};
use crate::board::{self, Board, Chip, LoaderError, SERIAL_LOADER};
use crate::image::ByteAddress;
use crate::plan::{ApplicationIntent, Intent, LoaderIntent, NamedImage};
use clap::{Args, Subcommand};
use std::path::Path;
use std::process::ExitCode;

/// Fit a loader to a board, or take it off.
#[derive(Subcommand, Debug)]
#[command(after_help = "Example: farrier loader install --via sim:vent")]
pub enum Loader {
    Install(Install),
    Remove(Remove),
}

/// Install a loader and make reset go there.
///
/// What the board holds is recorded first and kept: application, settings, lock. The loader goes into the flash that the board
/// file reserves for it, the configuration becomes what the board file expects, and the boot section is locked against writing.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier loader install --via sim:vent --with vent.hex")]
pub struct Install {
    /// A built-in loader, or an image file. Without it: the one that the board file names.
    #[arg(long, value_name = "NAME|FILE")]
    pub loader: Option<String>,
    /// An application to write in the same job.
    #[arg(long, value_name = "APPLICATION")]
    pub with: Option<String>,
    /// Where raw binary images go.
    #[arg(long, value_name = "ADDRESS", value_parser = images::address)]
    pub at: Option<ByteAddress>,
}

/// Take the loader off: its flash becomes free and reset starts the application.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier loader remove --via sim:vent --accept loader-removed")]
pub struct Remove {}

impl Loader {
    pub fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        match self {
            Loader::Install(install) => install.run(context),
            Loader::Remove(_) => change::run(
                context,
                &Change {
                    intent: &|_, _| Ok(Intent { loader: LoaderIntent::Remove, ..Intent::default() }),
                    done: "The loader is removed; reset starts the application.",
                    already: "There is no loader on this board, and reset starts the application. Nothing was changed.",
                    next: &|_, via| vec![board_view::look(via)],
                },
            ),
        }
    }
}

/// After an install: an application, through the header or through the loader, which needs no header any more.
fn next(has_application: bool, board: &Board, via: &str) -> Vec<Offer> {
    let through = format!("farrier write APPLICATION --way fitted-loader --board {} --via PORT", board.name);
    let first = match has_application {
        true => board_view::look(via),
        false => (format!("farrier write APPLICATION --via {via}"), "an application, through the programming header"),
    };
    vec![first, (through, "the next one through the loader; PORT is the board's serial port")]
}

impl Install {
    fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        let with = self.with.as_deref().map(|path| images::flash_only(path, self.at)).transpose()?;
        let intent = |board: &Board, chip: &Chip| {
            let loader = self.loader(context, board, chip)?;
            let application = with.clone().map_or(ApplicationIntent::Keep, ApplicationIntent::Write);
            Ok(Intent { loader: LoaderIntent::Install(loader), application, ..Intent::default() })
        };
        change::run(
            context,
            &Change {
                intent: &intent,
                done: "The loader is installed; reset starts it.",
                already: "The loader is there already, and the board is as it should be. Nothing was changed.",
                next: &|board, via| next(with.is_some(), board, via),
            },
        )
    }

    /// The image of the loader: named, from a file, or the board's own.
    fn loader(&self, context: &Context, board: &Board, chip: &Chip) -> Result<NamedImage, Stop> {
        let own = board.built_in_loader();
        let Some(name) = self.loader.as_deref().or(context.folder.loader.as_deref()).or(own) else {
            let what = format!("the board file of {} names no loader", board.name);
            // Why the built-in one would not do either, where that is so whatever the board file says.
            return Err(match board::loader(SERIAL_LOADER, board, chip) {
                Err(why @ LoaderError::NoBootSection(_)) => Stop::usage(why.to_string())
                    .hint("An application needs no loader:")
                    .command(format!("farrier write APPLICATION --via {}", typed::at(context.global.via.as_deref().unwrap_or("WHERE")))),
                Err(why @ LoaderError::NotBuilt(_)) => {
                    Stop::usage(format!("{what}, and {why}")).hint("name one of your own: --loader FILE")
                }
                Err(LoaderError::NoReservation(_)) => Stop::usage(format!("{what}, and reserves no flash for one"))
                    .hint("Name a loader that you have with --loader FILE, or make a board file of your own that reserves it:")
                    .command(format!("farrier boards new NAME --via {}", context.global.via.as_deref().unwrap_or("WHERE"))),
                _ => Stop::usage(what).hint("name one: --loader NAME|FILE"),
            });
        };
        if !board::is_loader(name) || Path::new(name).exists() {
            return images::flash_only(name, self.at);
        }
        let built = board::loader(name, board, chip).map_err(|why| Stop::usage(why.to_string()))?;
        Ok(NamedImage { name: name.to_owned(), image: built.image })
    }
}
