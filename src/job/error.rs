//! Why a job stopped.

use super::Difference;
use crate::algorithm::AlgorithmError;
use crate::finding::Finding;
use crate::record::RecordError;

/// Why a job stopped. The chip has been let go.
#[derive(Debug, thiserror::Error)]
pub enum JobError {
    #[error(transparent)]
    Algorithm(#[from] AlgorithmError),
    #[error("{0}\nThe job stopped there; nothing was begun that is not written down.")]
    Record(#[from] RecordError),
    /// Nothing lifts it.
    #[error("{}", .0.sentence)]
    Refused(Finding),
    /// What was read back is not what is desired.
    #[error("{}", said(.0))]
    Differs(Vec<Difference>),
    /// The same, after the bridge had begun anew in the middle of the job.
    #[error(
        "{}\n\
         The bridge began anew in the middle of the job, which leaves what it had in hand half done.\n\
         The same command again goes on from there, and erases first what cannot be written twice.",
        said(.0)
    )]
    Torn(Vec<Difference>),
    /// Asked to stop; what was in hand is finished and the chip let go.
    #[error("stopped as asked; what was in hand is finished and the chip is let go")]
    Interrupted,
    /// The board changed between looking and acting.
    #[error(
        "the board is not as it was when the plan was made: its firmware ran in between and wrote settings,\n\
         or this is another board. Nothing was changed. Run the same command again."
    )]
    BoardMoved,
}

/// At most this many differences are told one by one.
const TOLD: usize = 6;

fn said(differences: &[Difference]) -> String {
    let mut text = String::from("what was read back is not what it should be:");
    for difference in differences.iter().take(TOLD) {
        text += &format!("\n{difference}");
    }
    if differences.len() > TOLD {
        text += &format!("\nand {} more places", differences.len() - TOLD);
    }
    text
}
