//! What a command wants, and the desired state that follows from it.

use crate::image::{Image, Memory, Span};
use serde::{Deserialize, Serialize};

/// An image with the name that messages call it by.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NamedImage {
    pub name: String,
    pub image: Image,
}

/// What a command wants of a board. What it does not speak of stays as in the baseline.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Intent {
    pub loader: LoaderIntent,
    pub application: ApplicationIntent,
    /// Bytes to put into the EEPROM; the rest of it stays.
    pub eeprom: Option<NamedImage>,
    /// `(field name, value name)` of the configuration to set.
    pub configuration: Vec<(String, String)>,
    /// Whole configuration bytes, by their index in the chip's order, as an ELF file carries them. `configuration` goes over them.
    pub configuration_image: Option<NamedImage>,
    /// `(lock field name, value name)` to set.
    pub lock: Vec<(String, String)>,
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum LoaderIntent {
    #[default]
    Keep,
    /// The reservation holds exactly this image, blank elsewhere; configuration and lock become what the board expects.
    Install(NamedImage),
    /// The reservation becomes blank, reset starts the application, the boot section is no longer locked.
    Remove,
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum ApplicationIntent {
    #[default]
    Keep,
    /// The application's flash holds exactly this image, blank elsewhere.
    Write(NamedImage),
}

/// Where a desired byte comes from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Origin {
    /// The image of this name.
    Image(String),
    /// The board before the first change.
    Baseline,
    /// The board file.
    BoardFile,
    /// The command line.
    Asked,
    /// Nothing wants a byte here, so it is left blank.
    Blank,
}

/// What the board should hold afterwards. An address that an image here does not hold stays as it is, whatever that is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Desired {
    pub flash: Image,
    pub eeprom: Image,
    pub configuration: Vec<u8>,
    pub lock: u8,
    /// Where each span comes from, by memory and address.
    pub origins: Vec<(Memory, Span, Origin)>,
}
