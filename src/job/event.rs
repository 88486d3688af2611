//! What a job tells while it runs.

use crate::image::Memory;
use std::time::Duration;

/// Something that happened. The job knows no progress bar; whoever listens may show one.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// A memory is being read to the host.
    Reading { memory: Memory, done: u64, of: u64 },
    /// A step of the plan began.
    StepBegun { index: usize, of: usize },
    /// Bytes of the step in hand that are done, and how much longer it should take.
    StepProgress { done: u64, of: u64, left: Duration },
    /// A step is finished; how long it took.
    StepDone { index: usize, took: Duration },
}
