//! What every command starts from: options, folders, catalog.

use super::args::Global;
use super::folder::Folder;
use super::home::Home;
use super::place::Place;
use super::stop::Stop;
use crate::board::{Board, Catalog, Chip, Way, WayIn};
use crate::record::{Journal, Snapshots};
use std::time::SystemTime;

/// Name and version of this program, as records keep it.
pub const MADE_BY: &str = concat!("farrier ", env!("CARGO_PKG_VERSION"));

/// Options, folders and the catalog.
#[derive(Clone)]
pub struct Context {
    pub global: Global,
    /// What the working folder says of board, bridge and images.
    pub folder: Folder,
    pub home: Home,
    pub catalog: Catalog,
    /// The board of the snapshot that a command is about: it is meant where nobody names another.
    pub board_of_snapshot: Option<String>,
}

impl Context {
    /// Finds the folders; opens nothing.
    ///
    /// # Errors
    /// As [`Home::find`] and [`Folder::here`].
    pub fn new(global: Global) -> Result<Context, Stop> {
        let home = Home::find()?;
        let catalog = Catalog::with_folder(home.boards());
        Ok(Context { global, folder: Folder::here()?, home, catalog, board_of_snapshot: None })
    }

    /// What stands behind a command that may come next, where no bridge is in use yet: nothing where the folder names one.
    pub fn somewhere(&self) -> &'static str {
        match (&self.folder.via, &self.folder.board) {
            (Some(_), _) => "",
            (None, Some(_)) => " --via WHERE",
            (None, None) => " --via sim:vent",
        }
    }

    /// What `--board`, or else the working folder, calls the board.
    pub fn board_name(&self) -> Option<&str> {
        self.global.board.as_deref().or(self.folder.board.as_deref())
    }

    /// The board that `--board` names.
    ///
    /// # Errors
    /// When it is not in the catalog, or its file has mistakes.
    pub fn named_board(&self) -> Result<Option<(Board, Chip)>, Stop> {
        self.global.board.as_deref().map(|name| self.catalog.board(name).map_err(Stop::from)).transpose()
    }

    /// The board that `--board`, the working folder or the snapshot in hand names, and which of them it was.
    ///
    /// # Errors
    /// As [`Context::named_board`].
    pub fn given_board(&self) -> Result<Option<Given>, Stop> {
        if let Some(named) = self.named_board()? {
            return Ok(Some((named, BY_OPTION)));
        }
        let of_folder = self.folder.board.as_deref().map(|name| self.catalog.board(name)).transpose()?;
        if let Some(named) = of_folder {
            return Ok(Some((named, BY_FOLDER)));
        }
        // One whose file is not known here any more is no answer.
        let of_snapshot = self.board_of_snapshot.as_deref().and_then(|name| self.catalog.board(name).ok());
        Ok(of_snapshot.map(|named| (named, BY_SNAPSHOT)))
    }

    /// The board's own serial port where a fitted loader is the way: what `--via` names.
    ///
    /// # Errors
    /// Nothing names one, or what does makes no sense.
    pub fn own_port(&self) -> Result<Place, Stop> {
        port(self.global.via.as_deref().or(self.folder.console.as_deref()), "--via")
    }

    /// The board's own serial port beside a bridge: what `--console` names.
    ///
    /// # Errors
    /// As [`Context::own_port`].
    pub fn console(&self) -> Result<Place, Stop> {
        port(self.global.console.as_deref().or(self.folder.console.as_deref()), "--console")
    }

    pub fn snapshots(&self) -> Snapshots {
        Snapshots::open(self.home.snapshots())
    }

    /// The journal, made where there is none.
    ///
    /// # Errors
    /// When it cannot be opened.
    pub fn journal(&self) -> Result<Journal, Stop> {
        Ok(Journal::open(self.home.journal())?)
    }
}

fn port(named: Option<&str>, option: &str) -> Result<Place, Stop> {
    let which = || {
        Stop::usage("which serial port is the board's?")
            .hint(format!("Give {option} PORT, or farrier.toml here a line `console = \"PORT\"`; `farrier bridges` lists ports."))
    };
    named.ok_or_else(which)?.parse().map_err(Stop::usage)
}

/// A board with its chip, and where that comes from.
pub type Given = ((Board, Chip), &'static str);

/// Who says which board it is.
pub const BY_OPTION: &str = "named by --board";
const BY_FOLDER: &str = "named by farrier.toml in this folder";
pub const BY_SNAPSHOT: &str = "named by the snapshot";
pub const CHOSEN: &str = "chosen";

/// The way in that this version uses.
///
/// # Errors
/// When the chip does not have it.
pub fn way_in(chip: &Chip) -> Result<&WayIn, Stop> {
    chip.way_in(Way::Spi).ok_or_else(|| Stop::usage(format!("{} has no way in", chip.part)))
}

/// The system's time.
pub fn date() -> SystemTime {
    SystemTime::now()
}
