//! Reads an image file of any format: the one place of this module that opens a file.

use super::elf::{self, ElfError};
use super::hex::{self, HexError};
use super::{ByteAddress, Image, Memory, Span};
use serde::{Serialize, Serializer};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

/// The largest file that is read: 64 MiB. 8 MiB of flash, more than any chip in view has, are 23 MiB of Intel HEX.
pub const LARGEST_FILE: u64 = 64 << 20;

/// How an image file is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    IntelHex,
    Elf,
    Binary,
}

impl Format {
    /// The stable name in JSON.
    pub fn name(self) -> &'static str {
        match self {
            Format::IntelHex => "intel-hex",
            Format::Elf => "elf",
            Format::Binary => "binary",
        }
    }

    /// The name for people.
    pub fn words(self) -> &'static str {
        match self {
            Format::IntelHex => "Intel HEX",
            Format::Elf => "ELF for AVR",
            Format::Binary => "raw binary",
        }
    }
}

impl Serialize for Format {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.name())
    }
}

/// What an image file holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ImageFile {
    pub format: Format,
    /// What it has for each memory; an entry is never empty, except the flash of a HEX file without data.
    pub memories: BTreeMap<Memory, Image>,
    /// Where execution starts, if the file says so. 8-bit chips start where their configuration says, not here.
    pub start: Option<ByteAddress>,
    /// What the file has besides and was left out, as sentences.
    pub left_out: Vec<String>,
}

impl ImageFile {
    /// The bytes for the flash; empty if there are none.
    pub fn flash(&self) -> &Image {
        static EMPTY: Image = Image::EMPTY;
        self.memories.get(&Memory::Flash).unwrap_or(&EMPTY)
    }

    /// The memories other than the flash that the file has bytes for.
    pub fn others(&self) -> impl Iterator<Item = (Memory, &Image)> {
        self.memories.iter().filter(|(memory, _)| **memory != Memory::Flash).map(|(memory, image)| (*memory, image))
    }
}

/// An image file that cannot be used, and why. The message's first line names the file.
#[derive(Debug, thiserror::Error)]
#[error("{}: {problem}", path.display())]
pub struct ImageError {
    pub path: PathBuf,
    pub problem: Problem,
}

/// What is wrong with an image file.
#[derive(Debug, thiserror::Error)]
pub enum Problem {
    #[error("cannot be read: {0}")]
    Io(#[from] io::Error),
    #[error("found a folder, expected an image file\nGive the Intel HEX or ELF file inside it.")]
    Folder,
    #[error("found {found}, expected an ordinary file")]
    NotAFile { found: &'static str },
    #[error("an empty file: found 0 bytes, expected an image\nBuild it again, and look whether the disk is full.")]
    Empty,
    #[error("too large to be an image: found {found} bytes, expected at most {limit}")]
    TooLarge { found: u64, limit: u64 },
    #[error("another kind of file: found {found},\nexpected Intel HEX, ELF, or raw binary with --at ADDRESS")]
    OtherKind { found: &'static str },
    #[error("--at was given, but the file is {} and carries its own addresses\nLeave --at out.", found.words())]
    HasAddresses { found: Format },
    #[error("does not fit at {at}: its {bytes} bytes would pass 0xFFFFFFFE, the last address")]
    OutOfRange { at: ByteAddress, bytes: usize },
    #[error(transparent)]
    Hex(#[from] HexError),
    #[error(transparent)]
    Elf(#[from] ElfError),
}

/// Reads the image file at `path`. With `at`, a file of no known format is raw binary that begins at this address.
///
/// # Errors
/// What is wrong, with the file's name, the line or offset, what was found and what was expected.
pub fn load(path: &Path, at: Option<ByteAddress>) -> Result<ImageFile, ImageError> {
    contents(path).and_then(|bytes| parse(bytes, at)).map_err(|problem| ImageError { path: path.to_path_buf(), problem })
}

/// The file's bytes, if it is a file of a sensible size.
fn contents(path: &Path) -> Result<Vec<u8>, Problem> {
    // Asked before it is opened: opening a named pipe waits for whoever writes to it.
    let kind = std::fs::metadata(path)?;
    if kind.is_dir() {
        return Err(Problem::Folder);
    }
    if !kind.is_file() {
        return Err(Problem::NotAFile { found: "a device or pipe" });
    }
    if kind.len() > LARGEST_FILE {
        return Err(Problem::TooLarge { found: kind.len(), limit: LARGEST_FILE });
    }
    let mut bytes = Vec::with_capacity(kind.len() as usize);
    // The file may grow while it is read.
    File::open(path)?.take(LARGEST_FILE).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// Reads an image from the bytes of its file.
///
/// # Errors
/// As [`load`].
pub fn parse(bytes: Vec<u8>, at: Option<ByteAddress>) -> Result<ImageFile, Problem> {
    if bytes.is_empty() {
        return Err(Problem::Empty);
    }
    let format = format_of(&bytes, at)?;
    if at.is_some() && format != Format::Binary {
        return Err(Problem::HasAddresses { found: format });
    }
    match format {
        Format::IntelHex => {
            let file = hex::read(&bytes)?;
            Ok(ImageFile { format, memories: BTreeMap::from([(Memory::Flash, file.image)]), start: file.start, left_out: Vec::new() })
        }
        Format::Elf => {
            let file = elf::read(&bytes, LARGEST_FILE)?;
            Ok(ImageFile { format, memories: file.memories, start: file.start, left_out: file.left_out })
        }
        Format::Binary => {
            let at = at.unwrap_or_default();
            let span = Span::sized(at, bytes.len() as u32).ok_or(Problem::OutOfRange { at, bytes: bytes.len() })?;
            let image = Image::of(span.start(), &bytes);
            Ok(ImageFile { format, memories: BTreeMap::from([(Memory::Flash, image)]), start: None, left_out: Vec::new() })
        }
    }
}

/// The format that the bytes show. Nothing but `at` makes a file raw binary, since any file at all could be one.
fn format_of(bytes: &[u8], at: Option<ByteAddress>) -> Result<Format, Problem> {
    if bytes.starts_with(b"\x7fELF") {
        return Ok(Format::Elf);
    }
    if looks_like_hex(bytes) {
        return Ok(Format::IntelHex);
    }
    match at {
        Some(_) => Ok(Format::Binary),
        None => Err(Problem::OtherKind { found: kind_of(bytes) }),
    }
}

/// Whether one of the first lines is a record's beginning, so that a file with a damaged first line is still Intel HEX.
fn looks_like_hex(bytes: &[u8]) -> bool {
    let beginning = &bytes[..bytes.len().min(2048)];
    beginning
        .split(|byte| *byte == b'\n')
        .take(4)
        .map(<[u8]>::trim_ascii)
        .any(|line| line.first() == Some(&b':') && line.len() > 1 && line.iter().skip(1).take(8).all(u8::is_ascii_hexdigit))
}

/// What a file is that is no image, where its first bytes tell.
fn kind_of(bytes: &[u8]) -> &'static str {
    const MAGIC: [(&[u8], &str); 22] = [
        (b"PK\x03\x04", "a ZIP archive (unpack it first)"),
        (b"\x1f\x8b", "gzip-compressed data (unpack it first)"),
        (b"\xfd7zXZ\x00", "xz-compressed data (unpack it first)"),
        (b"BZh", "bzip2-compressed data (unpack it first)"),
        (b"\x28\xb5\x2f\xfd", "zstd-compressed data (unpack it first)"),
        (b"7z\xbc\xaf\x27\x1c", "a 7z archive (unpack it first)"),
        (b"!<arch>\n", "a library of object files"),
        (b"MZ", "a program for Windows"),
        (b"\xcf\xfa\xed\xfe", "a program for macOS"),
        (b"\xca\xfe\xba\xbe", "a program for macOS or Java"),
        (b"\x89PNG", "a PNG picture"),
        (b"\xff\xd8\xff", "a JPEG picture"),
        (b"GIF8", "a GIF picture"),
        (b"%PDF", "a PDF document"),
        (b"SQLite format 3", "an SQLite database"),
        (b"S0", "Motorola S-records"),
        (b"S1", "Motorola S-records"),
        (b"#!", "a script"),
        (b"\xff\xfe", "UTF-16 text (save it as plain ASCII)"),
        (b"\xfe\xff", "UTF-16 text (save it as plain ASCII)"),
        (b"<", "a web page or XML"),
        (b"{", "JSON or source text"),
    ];
    let start = bytes.trim_ascii_start();
    if let Some((_, kind)) = MAGIC.iter().find(|(magic, _)| start.starts_with(magic)) {
        return kind;
    }
    let beginning = &bytes[..bytes.len().min(2048)];
    match beginning {
        _ if bytes.get(257..262) == Some(b"ustar") => "a tar archive (unpack it first)",
        same if same.iter().all(|byte| *byte == same[0]) => "one byte over and over",
        text if text.iter().all(|byte| byte.is_ascii_graphic() || byte.is_ascii_whitespace()) => "plain text",
        _ => "binary data of no known kind",
    }
}
