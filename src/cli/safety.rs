//! The safety words.

use super::output;
use crate::board::Board;
use crate::record::{Journal, RecordError};

/// In full, as the first plan that writes to a board shows them.
pub const WORDS: &[&str] = &[
    "Disconnect mains and loads (heaters, motors, pumps) before you connect a bridge.",
    "Never feed a board from two supplies.",
    "Match 3.3 V and 5 V levels.",
    "Outputs can switch while the chip is in reset, and when it starts.",
    "A wrong configuration byte can shut the programming header for good.",
    "Follow local codes, and leave mains wiring to licensed people.",
];

/// Whether no job has written to such a board yet.
///
/// # Errors
/// When the journal cannot be read.
pub fn is_first_write(journal: &Journal, board: &Board) -> Result<bool, RecordError> {
    Ok(!journal.jobs()?.iter().any(|job| job.board == board.name))
}

/// Prints the board's own cautions, and all safety words before them where this is the first write to it.
pub fn print(board: &Board, first_write: bool) {
    let all = if first_write { WORDS } else { &[] };
    let own = board.cautions.iter().map(|caution| caution.text.as_str());
    let cautions: Vec<&str> = all.iter().copied().chain(own).collect();
    if cautions.is_empty() {
        return;
    }
    output::line("Mind:");
    for caution in cautions {
        output::say_under("  ", caution);
    }
    output::gap();
}
