//! `boards chips`: which chips there are, and which are known and refused.

use super::super::output::wrapped;
use crate::board::{Catalog, RefusedChip, generic_board, refused_chips};
use crate::units::Count;
use serde_json::{Value, json};

/// Columns of a page, and of one part number in it.
const PAGE: usize = 96;
const COLUMN: usize = 16;

/// The chips whose part numbers have a word in them.
pub(super) struct Found<'w> {
    word: &'w str,
    parts: Vec<String>,
    refused: Vec<&'static RefusedChip>,
}

impl<'w> Found<'w> {
    pub(super) fn with(catalog: &Catalog, word: &'w str) -> Found<'w> {
        let wanted = word.to_ascii_lowercase();
        let has = |part: &str| part.to_ascii_lowercase().contains(&wanted);
        let parts = catalog.chip_parts().into_iter().filter(|part| has(part)).collect();
        Found { word, parts, refused: refused_chips().iter().filter(|refused| has(&refused.part)).collect() }
    }

    /// For people: the parts in columns; the refused ones with their reasons where a word was given.
    pub(super) fn list(&self) -> String {
        let Some(example) = self.parts.first().map(|part| generic_board(part)) else { return self.none() };
        let mut lines = vec![format!("{}:", Count(self.parts.len(), "chip"))];
        let rows = self.parts.chunks(PAGE / COLUMN);
        lines.extend(
            rows.map(|row| format!("    {}", row.iter().map(|part| format!("{part:COLUMN$}")).collect::<String>()).trim_end().into()),
        );
        if !self.refused.is_empty() {
            lines.push(String::new());
            lines.extend(self.refusals());
        }
        lines.extend([String::new(), format!("Next: farrier boards show {example}")]);
        lines.join("\n")
    }

    fn none(&self) -> String {
        let mut lines = vec![format!("No chip that farrier programs has \"{}\" in its part number.", self.word)];
        lines.extend(self.refusals());
        lines.extend([String::new(), "Next: farrier boards chips".into()]);
        lines.join("\n")
    }

    fn refusals(&self) -> Vec<String> {
        match self.word.is_empty() {
            true => vec![format!("{} more are known and not programmed; `farrier boards chips PART` says why.", self.refused.len())],
            false => self
                .refused
                .iter()
                .map(|refused| wrapped("", &format!("{}: not programmed, because {}.", refused.part, refused.reason), 4))
                .collect(),
        }
    }

    /// For programs: `chips` (part numbers), `refused` (`part`, `reason`).
    pub(super) fn json(&self) -> Value {
        let refused = self.refused.iter().map(|refused| json!({ "part": refused.part, "reason": refused.reason }));
        json!({ "chips": self.parts, "refused": refused.collect::<Vec<_>>() })
    }
}
