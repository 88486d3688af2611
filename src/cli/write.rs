//! `farrier write`.

use super::change::{self, Change};
use super::context::Context;
use super::stop::Stop;
use super::typed::quoted;
use super::{fitted_loader, images};
use crate::board::{Board, Chip};
use crate::image::{ByteAddress, Memory};
use crate::plan::{ApplicationIntent, Intent, NamedImage};
use clap::{Args, ValueEnum};
use std::process::ExitCode;

/// Write an application to a board, with or without a loader on it.
///
/// The application's flash holds exactly the image afterwards. Loader, settings, configuration and lock stay as they are.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier write vent.hex --via sim:vent")]
pub struct Write {
    /// Intel HEX, ELF, or raw binary with --at. Without it: the application that farrier.toml in this folder names.
    pub image: Option<String>,
    /// Where a raw binary image goes.
    #[arg(long, value_name = "ADDRESS", value_parser = images::address)]
    pub at: Option<ByteAddress>,
    /// What else of an ELF file to write; it is named and left alone otherwise.
    #[arg(long, value_name = "MEMORY", value_delimiter = ',')]
    pub also: Vec<Also>,
    /// How it gets there: through the programming header, or to the loader that the board has, over its serial port (named by --via).
    /// Without it: the way that farrier.toml in this folder names, where --via is not given either; or else the programming header.
    #[arg(long, value_name = "WAY")]
    pub way: Option<WriteWay>,
    /// Take only this part of a combined image.
    #[arg(long, value_name = "PART")]
    pub only: Option<Only>,
}

#[derive(ValueEnum, Clone, Copy, Debug, PartialEq, Eq)]
pub enum Also {
    Eeprom,
    Configuration,
}

#[derive(ValueEnum, Clone, Copy, Debug, PartialEq, Eq)]
pub enum WriteWay {
    ProgrammingHeader,
    /// XMODEM with CRC, as nearly every loader has it. What the board holds is not read and not recorded.
    FittedLoader,
}

#[derive(ValueEnum, Clone, Copy, Debug, PartialEq, Eq)]
pub enum Only {
    /// What lies outside the loader's reservation.
    Application,
}

impl Write {
    pub fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        let image = context.folder.image(self.image.as_deref())?;
        // The folder's way belongs to the folder's ports.
        let of_folder = context.folder.way.filter(|_| context.global.via.is_none());
        if self.way.or(of_folder) == Some(WriteWay::FittedLoader) {
            return self.to_loader(context, &image);
        }
        let intent = |board: &Board, chip: &Chip| self.intent(&image, board, chip);
        let at = self.at.map(|at| format!(" --at {at}")).unwrap_or_default();
        let file = quoted(&image);
        change::run(
            context,
            &Change {
                intent: &intent,
                done: "The application is written.",
                already: "The board holds this application already. Nothing was changed.",
                next: &|_, via| vec![(format!("farrier verify {file}{at} --via {via}"), "compare the board with it again")],
            },
        )
    }

    fn to_loader(&self, context: &Context, path: &str) -> Result<ExitCode, Stop> {
        if !self.also.is_empty() || self.only.is_some() {
            return Err(Stop::usage("a loader takes the application and nothing else: leave --also and --only out"));
        }
        let application = images::flash_only(path, self.at)?;
        fitted_loader::write(context, &application)
    }

    fn intent(&self, path: &str, board: &Board, chip: &Chip) -> Result<Intent, Stop> {
        let file = images::load(path, self.at)?;
        if self.also.is_empty() {
            images::name_others(path, &file);
        }
        let flash = images::flash(path, &file)?;
        let image = match self.only {
            Some(Only::Application) => flash.image.crop(board.application(chip)),
            None => flash.image,
        };
        let carried = |also: Also, memory: Memory| {
            let image = file.memories.get(&memory).filter(|_| self.also.contains(&also))?;
            Some(NamedImage { name: path.to_owned(), image: image.clone() })
        };
        Ok(Intent {
            application: ApplicationIntent::Write(NamedImage { name: flash.name, image }),
            eeprom: carried(Also::Eeprom, Memory::Eeprom),
            configuration_image: carried(Also::Configuration, Memory::Configuration),
            ..Intent::default()
        })
    }
}
