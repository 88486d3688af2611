//! What describes a board, as text, so that it can be handed to another computer.

use super::board_file::read_board;
use super::catalog::{Catalog, CatalogError};
use super::chip::Chip;
use super::chip_file::read_chip;
use super::layout::Board;
use crate::reader::FileError;
use serde::{Deserialize, Serialize};

/// A board file, and the chip file where that is not built in.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BoardTexts {
    pub board: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chip: Option<String>,
}

impl BoardTexts {
    /// The board with its chip, whatever this computer's own folder holds.
    ///
    /// # Errors
    /// A text has mistakes, or the chip is not built in here.
    pub fn read(&self) -> Result<(Board, Chip), CatalogError> {
        let named = |file: &str, mistakes| FileError::Mistakes { file: file.into(), mistakes };
        let chip = |part: &str| match &self.chip {
            Some(text) => read_chip(text).map_err(|mistakes| named("the chip file that it carries", mistakes).to_string()),
            None => Catalog::built_in().chip(part).map_err(|why| why.to_string()),
        };
        Ok(read_board(&self.board, chip).map_err(|mistakes| named("the board file that it carries", mistakes))?)
    }
}
