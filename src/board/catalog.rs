//! Where descriptions come from: built into the binary, and the user's own folder. A look-up parses only the files that it
//! needs, because files are found by their names.

use super::board_file::read_board;
use super::bridge_file::read_bridge;
use super::bridge_kind::BridgeKind;
use super::chip::Chip;
use super::chip_file::read_chip;
use super::generic::{self, generic_board};
use super::known_chips::{known_chips, refused_chips};
use super::layout::Board;
use super::texts::BoardTexts;
use crate::image::{self, Image};
use crate::reader::{FileError, is_name, near_it, nearest, one_of, read_file};
use include_dir::{Dir, include_dir};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

static BUILT_IN: Dir = include_dir!("$CARGO_MANIFEST_DIR/boards");

/// Folders of built-in boards, in the order in which listings show them.
const BOARD_FOLDERS: [&str; 2] = ["demo", "bridge-boards"];

/// Where the kinds of bridge are described.
const BRIDGE_FOLDER: &str = "bridges";

/// The descriptions there are.
#[derive(Clone, Debug, Default)]
pub struct Catalog {
    own: Option<PathBuf>,
}

/// Where a board's description stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Origin {
    BuiltIn,
    File(PathBuf),
}

/// A board's name with what its file says, or what is wrong with that file.
#[derive(Debug)]
pub struct Listed {
    pub name: String,
    pub origin: Origin,
    pub described: Result<(Board, Chip), CatalogError>,
}

/// Why a description cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum CatalogError {
    #[error(
        "there is no board \"{name}\"; there are: {}\nFor any other board with a chip that farrier knows: {}, and so on.\n\
         `farrier boards` says more about them, `farrier boards chips` which chips those are",
        one_of(known.iter().map(String::as_str)),
        generic_board(part)
    )]
    UnknownBoard { name: String, known: Vec<String>, part: &'static str },
    #[error("there is no chip file for \"{part}\"{}; all: `farrier boards chips`", near_it(near))]
    UnknownChip { part: String, near: Vec<String> },
    #[error("farrier knows the {part} and does not program it, because {reason}")]
    RefusedChip { part: String, reason: String },
    #[error("the chip file of {part} does not say what the chip may run on (`supply`), so there is no generic board with it")]
    NoSupply { part: String },
    #[error("there is no bridge kind \"{kind}\"; there are: {}", one_of(known.iter().map(String::as_str)))]
    UnknownBridge { kind: String, known: Vec<String> },
    #[error(transparent)]
    File(#[from] FileError),
    #[error("{file} calls its board \"{found}\"; in this folder the file of a board must have the board's name")]
    OtherName { file: String, found: String },
}

/// The application that comes with the demo board of this name, as Intel HEX.
pub fn demo_application(board: &str) -> Option<&'static [u8]> {
    BUILT_IN.get_file(format!("demo-applications/{board}.hex")).map(|file| file.contents())
}

/// An application that comes with a demo board.
#[derive(Clone, Debug)]
pub struct DemoApplication {
    pub board: String,
    /// The chip that it was built for.
    pub part: String,
    pub image: Image,
}

static DEMO_APPLICATIONS: LazyLock<Vec<DemoApplication>> = LazyLock::new(|| {
    let made = |board: String| {
        let image = image::parse(demo_application(&board)?.to_vec(), None).ok()?.flash().clone();
        let (_, Chip { part, .. }) = Catalog::built_in().board(&board).ok()?;
        Some(DemoApplication { board, part, image })
    };
    demo_names().into_iter().filter_map(made).collect()
});

/// The applications that come with the demo boards; read at the first call, because every plan asks.
pub fn demo_applications() -> &'static [DemoApplication] {
    &DEMO_APPLICATIONS
}

/// The names of the demo boards.
pub fn demo_names() -> Vec<String> {
    names_in("demo")
}

/// The names of the kinds of bridge, sorted.
pub fn bridge_names() -> Vec<String> {
    names_in(BRIDGE_FOLDER)
}

/// The kind of bridge of this name.
///
/// # Errors
/// When there is none. (That the built-in descriptions are right is tested.)
pub fn bridge_kind(kind: &str) -> Result<BridgeKind, CatalogError> {
    let file = format!("{BRIDGE_FOLDER}/{kind}.toml");
    let unknown = || CatalogError::UnknownBridge { kind: kind.into(), known: bridge_names() };
    let text = Some(kind).filter(|kind| is_name(kind)).and_then(|_| built_in_text(&file)).ok_or_else(unknown)?;
    read_bridge(text).map_err(|mistakes| FileError::Mistakes { file, mistakes }.into())
}

/// Every kind of bridge, the one to buy first first.
///
/// # Errors
/// As [`bridge_kind`].
pub fn bridge_kinds() -> Result<Vec<BridgeKind>, CatalogError> {
    let mut kinds = bridge_names().iter().map(|kind| bridge_kind(kind)).collect::<Result<Vec<_>, _>>()?;
    kinds.sort_by_key(|kind| kind.buy.order);
    Ok(kinds)
}

/// Whether what stands for a board is the path of its file: anything with a path separator or ending in `.toml`.
pub fn is_board_path(name: &str) -> bool {
    name.contains(['/', '\\']) || name.ends_with(".toml")
}

impl Catalog {
    /// What is built in, and nothing else.
    pub fn built_in() -> Catalog {
        Catalog { own: None }
    }

    /// What is built in and the user's own: `folder/NAME.toml` for boards, `folder/chips/PART.toml` for chips. Where both have
    /// a name, the user's own is taken. The folder need not exist.
    pub fn with_folder(folder: impl Into<PathBuf>) -> Catalog {
        Catalog { own: Some(folder.into()) }
    }

    /// The chip with this part number; letter case does not matter.
    pub fn chip(&self, part: &str) -> Result<Chip, CatalogError> {
        let stem = part.to_ascii_lowercase();
        let unknown = || match refused_chips().iter().find(|refused| refused.part.eq_ignore_ascii_case(part)) {
            Some(refused) => CatalogError::RefusedChip { part: refused.part.clone(), reason: refused.reason.clone() },
            None => {
                let parts = self.chip_parts();
                let near = nearest(part, parts.iter().map(String::as_str)).into_iter().map(str::to_owned).collect();
                CatalogError::UnknownChip { part: part.into(), near }
            }
        };
        if !stem.bytes().all(|byte| byte.is_ascii_alphanumeric()) {
            return Err(unknown());
        }
        let (file, text) = match self.own_file(&format!("chips/{stem}.toml")) {
            Some(path) => (path.display().to_string(), read_file(&path)?),
            None => {
                let file = format!("chips/{stem}.toml");
                let text = built_in_text(&file).ok_or_else(unknown)?;
                (file, text.to_string())
            }
        };
        read_chip(&text).map_err(|mistakes| FileError::Mistakes { file, mistakes }.into())
    }

    /// The board of this name, or in the file at this path ([`is_board_path`]), with its chip.
    pub fn board(&self, name_or_path: &str) -> Result<(Board, Chip), CatalogError> {
        if is_board_path(name_or_path) {
            return self.board_in_file(Path::new(name_or_path));
        }
        // Who names a chip is told of its generic board.
        let part = || known_chips().map(|(_, part)| part).find(|part| part.eq_ignore_ascii_case(name_or_path)).unwrap_or("ATmega328P");
        let unknown = || CatalogError::UnknownBoard { name: name_or_path.into(), known: self.names(), part: part() };
        if !is_name(name_or_path) {
            return Err(unknown());
        }
        if let Some(path) = self.own_file(&format!("{name_or_path}.toml")) {
            return self.own_board(&path, name_or_path);
        }
        if let Some(part) = generic::part_of(name_or_path) {
            return self.generic(part);
        }
        let (file, text) = built_in_board(name_or_path).ok_or_else(unknown)?;
        self.read(&file, text)
    }

    /// What describes the board of this name or path, to be handed to another computer.
    ///
    /// # Errors
    /// As [`Catalog::board`].
    pub fn texts(&self, name_or_path: &str) -> Result<BoardTexts, CatalogError> {
        let (board, chip) = self.board(name_or_path)?;
        let own = match is_board_path(name_or_path) {
            true => Some(name_or_path.into()),
            false => self.own_file(&format!("{name_or_path}.toml")),
        };
        let built_in = || match generic::part_of(name_or_path) {
            Some(_) => generic::text(&chip),
            None => built_in_board(name_or_path).map(|(_, text)| text.to_owned()),
        };
        let unknown = || CatalogError::UnknownBoard { name: board.name, known: self.names(), part: "ATmega328P" };
        let board = match own {
            Some(path) => read_file(&path)?,
            None => built_in().ok_or_else(unknown)?,
        };
        let own_chip = self.own_file(&format!("chips/{}.toml", chip.part.to_ascii_lowercase()));
        Ok(BoardTexts { board, chip: own_chip.map(|path| read_file(&path)).transpose()? })
    }

    /// The board of which nothing is known but its chip.
    fn generic(&self, part: &str) -> Result<(Board, Chip), CatalogError> {
        let chip = self.chip(part)?;
        let text = generic::text(&chip).ok_or_else(|| CatalogError::NoSupply { part: chip.part.clone() })?;
        read_board(&text, |_| Ok(chip.clone())).map_err(|mistakes| FileError::Mistakes { file: generic_board(part), mistakes }.into())
    }

    /// The board that the file at this path describes, with its chip. This is what `boards check` does.
    pub fn board_in_file(&self, path: &Path) -> Result<(Board, Chip), CatalogError> {
        self.read(&path.display().to_string(), &read_file(path)?)
    }

    fn own_board(&self, path: &Path, name: &str) -> Result<(Board, Chip), CatalogError> {
        let (board, chip) = self.board_in_file(path)?;
        match board.name == name {
            true => Ok((board, chip)),
            false => Err(CatalogError::OtherName { file: path.display().to_string(), found: board.name }),
        }
    }

    fn read(&self, file: &str, text: &str) -> Result<(Board, Chip), CatalogError> {
        read_board(text, |part| self.chip(part).map_err(|error| error.to_string()))
            .map_err(|mistakes| FileError::Mistakes { file: file.into(), mistakes }.into())
    }

    /// Every board but the generic ones, the user's own first, then demo boards and bridge boards; by name in each.
    pub fn boards(&self) -> Vec<Listed> {
        let own = self.own_names();
        let listed_own = own.iter().map(|name| {
            let path = self.own.clone().unwrap_or_default().join(format!("{name}.toml"));
            Listed { name: name.clone(), described: self.own_board(&path, name), origin: Origin::File(path) }
        });
        let built_in = built_in_names().filter(|name| !own.contains(name));
        listed_own.chain(built_in.map(|name| Listed { described: self.board(&name), origin: Origin::BuiltIn, name })).collect()
    }

    /// The names of all boards but the generic ones, without reading any.
    pub fn names(&self) -> Vec<String> {
        let own = self.own_names();
        let built_in: Vec<String> = built_in_names().filter(|name| !own.contains(name)).collect();
        own.into_iter().chain(built_in).collect()
    }

    /// The names of the boards in the own folder, without reading any.
    pub fn own_names(&self) -> Vec<String> {
        let entries = self.own.as_ref().and_then(|folder| fs::read_dir(folder).ok());
        let mut names: Vec<String> = entries.into_iter().flatten().flatten().filter_map(|entry| stem(&entry.path())).collect();
        names.sort();
        names
    }

    fn own_file(&self, name: &str) -> Option<PathBuf> {
        let path = self.own.as_ref()?.join(name);
        path.is_file().then_some(path)
    }

    /// The part numbers of all chips with a chip file, sorted.
    pub fn chip_parts(&self) -> Vec<String> {
        let mut parts: Vec<String> = known_chips().map(|(_, part)| part.to_string()).collect();
        parts.extend(self.own_chips().into_iter().filter(|own| !known_chips().any(|(_, part)| part.eq_ignore_ascii_case(own))));
        parts.sort_by_key(|part| part.to_ascii_lowercase());
        parts
    }

    /// The part numbers of the chips with this ID that there are chip files for. The user's own files are read for it.
    pub fn parts_with_id(&self, id: [u8; 3]) -> Vec<String> {
        let own = self.own_chips();
        let built_in = known_chips().filter(|(known, part)| *known == id && !own.iter().any(|own| own.eq_ignore_ascii_case(part)));
        let mut parts: Vec<String> = built_in.map(|(_, part)| part.to_string()).collect();
        let read = own.iter().filter_map(|part| self.chip(part).ok());
        parts.extend(read.filter(|chip| chip.id == id).map(|chip| chip.part));
        parts
    }

    /// The other parts with this chip's ID. A chip file that cannot be read is left out.
    pub fn others_with_id(&self, chip: &Chip) -> Vec<Chip> {
        let others = self.parts_with_id(chip.id).into_iter().filter(|part| !part.eq_ignore_ascii_case(&chip.part));
        others.filter_map(|part| self.chip(&part).ok()).collect()
    }

    fn own_chips(&self) -> Vec<String> {
        let own = self.own.as_ref().and_then(|folder| fs::read_dir(folder.join("chips")).ok());
        own.into_iter().flatten().flatten().filter_map(|entry| stem(&entry.path())).collect()
    }
}

/// The file of a built-in board, and what is in it.
fn built_in_board(name: &str) -> Option<(String, &'static str)> {
    let mut files = BOARD_FOLDERS.iter().map(|folder| format!("{folder}/{name}.toml"));
    files.find_map(|file| built_in_text(&file).map(|text| (file, text)))
}

fn built_in_names() -> impl Iterator<Item = String> {
    BOARD_FOLDERS.into_iter().flat_map(names_in)
}

/// The names of the built-in boards in a folder, sorted.
fn names_in(folder: &str) -> Vec<String> {
    let files = BUILT_IN.get_dir(folder).into_iter().flat_map(|dir| dir.files());
    let mut names: Vec<String> = files.filter_map(|file| stem(file.path())).collect();
    names.sort();
    names
}

pub(super) fn built_in_text(file: &str) -> Option<&'static str> {
    BUILT_IN.get_file(file)?.contents_utf8()
}

/// The name that a description's file gives it; `None` for other files.
fn stem(path: &Path) -> Option<String> {
    let is_description = path.extension().is_some_and(|extension| extension == "toml");
    path.file_stem()?.to_str().filter(|stem| is_description && is_name(stem)).map(str::to_string)
}
