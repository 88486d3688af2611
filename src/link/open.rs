//! Why a wire cannot be opened, and what helps.

use std::io;

/// Why a wire cannot be opened. Lines are at most 100 columns long.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    #[error("there is no {place}.\nIs it plugged in? `farrier bridges` lists what is there.")]
    NotThere { place: String },
    #[error("this user may not open {place}.\n{remedy}")]
    NotAllowed { place: String, remedy: String },
    #[error("{place} is in use by {holder}.\nEnd that program, or wait until it is done.")]
    InUse { place: String, holder: String },
    #[error("{place} is nothing that a bridge can be reached through:\n{why}")]
    Unsuitable { place: String, why: String },
    /// A machine on the network.
    #[error("{place} cannot be reached:\n{source}.\n{next}")]
    Unreachable { place: String, source: io::Error, next: &'static str },
    #[error("{place} cannot be opened:\n{source}")]
    Io { place: String, source: io::Error },
}

/// The words for a connection that ended in the middle.
pub(super) fn gone(place: &str, error: &io::Error) -> io::Error {
    let words = format!("{place} is gone ({error}).\nIt was unplugged, or what served it has ended.");
    io::Error::new(error.kind(), words)
}

/// The words for a connection that takes nothing more.
pub(super) fn stuck(place: &str) -> io::Error {
    io::Error::new(io::ErrorKind::TimedOut, format!("{place} takes no more bytes: what is at its other end does not read them"))
}
