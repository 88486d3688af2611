//! Image files that commands are given.

use super::demo_images;
use super::output;
use super::stop::Stop;
use crate::file;
use crate::image::{self, ByteAddress, ImageFile, Memory};
use crate::plan::NamedImage;
use std::path::Path;

/// An address as people type it: `0x1F800` or `129024`.
///
/// # Errors
/// What is wrong with the text.
pub fn address(text: &str) -> Result<ByteAddress, String> {
    let digits = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X"));
    let number = digits.map_or_else(|| text.parse(), |digits| u32::from_str_radix(digits, 16));
    number.map(ByteAddress).map_err(|_| "give an address such as 0x1F800 or 129024".to_owned())
}

/// A byte as people type it: `0xFF` or `255`.
///
/// # Errors
/// What is wrong with the text.
pub fn byte(text: &str) -> Result<u8, String> {
    let byte = address(text).ok().and_then(|number| u8::try_from(number.0).ok());
    byte.ok_or_else(|| "give a byte such as 0xFF or 255".to_owned())
}

/// Writes a file that is not there yet.
///
/// # Errors
/// When it is there already, or cannot be written.
pub fn write_new(path: &Path, bytes: &[u8]) -> Result<(), Stop> {
    file::write_new(path, bytes)
        .map_err(|why| Stop::usage(format!("{} cannot be written: {why}", path.display())).hint("Nothing is overwritten: name a new file."))
}

/// Reads an image file, or makes one of the images to practise with (`demo:vent-1`).
///
/// # Errors
/// What is wrong with it, and where.
pub fn load(path: &str, at: Option<ByteAddress>) -> Result<ImageFile, Stop> {
    match path.strip_prefix(demo_images::PREFIX) {
        Some(name) => demo_images::load(name),
        None => Ok(image::load(Path::new(path), at)?),
    }
}

/// What a file holds for the flash; what it carries for other memories is named and left alone.
///
/// # Errors
/// As [`load`]; or nothing for the flash is in it.
pub fn flash_only(path: &str, at: Option<ByteAddress>) -> Result<NamedImage, Stop> {
    let file = load(path, at)?;
    name_others(path, &file);
    flash(path, &file)
}

/// Says what a file carries besides, which is left alone.
pub fn name_others(path: &str, file: &ImageFile) {
    for (memory, image) in file.others() {
        let size = output::bytes(image.len() as u64);
        output::remark(&format!("{path} also carries {size} of {}; they are left alone (see --also).", memory.name()));
    }
}

/// The flash of a file.
///
/// # Errors
/// When there is none in it.
pub fn flash(path: &str, file: &ImageFile) -> Result<NamedImage, Stop> {
    match file.flash().is_empty() {
        true => Err(Stop::usage(format!("{path} has no bytes for the {}", Memory::Flash.name()))),
        false => Ok(NamedImage { name: path.to_owned(), image: file.flash().clone() }),
    }
}
