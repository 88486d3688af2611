//! `farrier.toml` in the working folder: the board, the bridge, the way to write and the images of a project.

use super::stop::Stop;
use super::write::WriteWay;
use crate::reader::{FileError, Table, read, read_file};
use std::path::Path;

/// Its name.
pub const NAME: &str = "farrier.toml";

/// What `way` may be in it.
const WAYS: [(&str, WriteWay); 2] = [("programming-header", WriteWay::ProgrammingHeader), ("fitted-loader", WriteWay::FittedLoader)];

/// What it says; nothing where it is not there. What the command line says goes before it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Folder {
    /// A board's name, or its file.
    pub board: Option<String>,
    /// Where the bridge is, as `--via` has it.
    pub via: Option<String>,
    /// The board's own serial port.
    pub console: Option<String>,
    /// The image that `write` and `verify` take where none is named.
    pub application: Option<String>,
    /// How `write` gets an application in where the command line does not say it.
    pub way: Option<WriteWay>,
    /// The loader that `loader install` takes where none is named: a built-in one, or an image file.
    pub loader: Option<String>,
}

impl Folder {
    /// Reads the file in the working folder.
    ///
    /// # Errors
    /// Every mistake in it.
    pub fn here() -> Result<Folder, Stop> {
        let path = Path::new(NAME);
        if !path.exists() {
            return Ok(Folder::default());
        }
        let text = read_file(path).map_err(|why| Stop::usage(why.to_string()))?;
        Folder::of(&text).map_err(|why| Stop::usage(why.to_string()))
    }

    fn of(text: &str) -> Result<Folder, FileError> {
        let build = |file: &Table| {
            let one = |key: &'static str| if file.has(key) { file.text(key).map(|text| Some(text.value)) } else { Some(None) };
            let (board, via, console) = (one("board"), one("via"), one("console"));
            let (application, loader) = (one("application"), one("loader"));
            let way = file.optional_choice("way", &WAYS).map(|way| way.value);
            Some(Folder { board: board?, via: via?, console: console?, application: application?, way, loader: loader? })
        };
        read(text, build).map_err(|mistakes| FileError::Mistakes { file: NAME.into(), mistakes })
    }

    /// The image that a command is about: the one that it names, or the application of this folder.
    ///
    /// # Errors
    /// When neither names one.
    pub fn image(&self, named: Option<&str>) -> Result<String, Stop> {
        let image = named.or(self.application.as_deref()).map(str::to_owned);
        image.ok_or_else(|| Stop::usage(format!("which image? Name a file, or give {NAME} here a line `application = \"FILE\"`")))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_it_says_and_what_it_must_not() {
        assert_eq!(Folder::of("").expect("an empty file"), Folder::default());
        let whole =
            Folder::of("board = \"kiln\"\nvia = \"sim:kiln\"\napplication = \"kiln.hex\"\nloader = \"mine.hex\"\n").expect("a file");
        assert_eq!((whole.board.as_deref(), whole.via.as_deref()), (Some("kiln"), Some("sim:kiln")));
        assert_eq!(whole.image(None).expect("the folder's"), "kiln.hex");
        assert_eq!(whole.image(Some("other.hex")).expect("the named one"), "other.hex");
        assert_eq!(Folder::of("way = \"fitted-loader\"\n").expect("a file").way, Some(WriteWay::FittedLoader));
        let wrong = Folder::of("way = \"spi\"\n").expect_err("no such way").to_string();
        assert!(wrong.contains("farrier.toml:1:7") && wrong.contains("programming-header or fitted-loader"), "{wrong}");
        let wrong = Folder::of("bord = \"kiln\"\nvia = 3\n").expect_err("two mistakes").to_string();
        assert!(wrong.contains("farrier.toml:1") && wrong.contains("farrier.toml:2"), "{wrong}");
    }
}
