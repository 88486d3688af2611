//! How a long piece of work ended.

use std::ops::ControlFlow;

/// Told how many bytes are done so far; `Break` asks the work to stop once what is in hand is finished.
pub type Progress<'p> = &'p mut dyn FnMut(u32) -> ControlFlow<()>;

/// What long work gave.
#[derive(Clone, Debug, PartialEq, Eq)]
#[must_use]
pub enum Ending<T> {
    /// All of it was done.
    Complete(T),
    /// It was asked to stop. What was begun was finished: `bytes` of it, counted from the start.
    Stopped { so_far: T, bytes: u32 },
}

impl<T> Ending<T> {
    /// What was done, stopped or not.
    pub fn so_far(self) -> T {
        match self {
            Ending::Complete(value) | Ending::Stopped { so_far: value, .. } => value,
        }
    }

    pub fn stopped(&self) -> bool {
        matches!(self, Ending::Stopped { .. })
    }
}
