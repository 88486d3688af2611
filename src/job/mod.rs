//! Jobs on one board: observe, baseline, execute, verify; progress events.
//!
//! The job adds nothing to a plan. It carries the steps out through the algorithm, writes each into the journal before
//! it begins, and proves the result by reading back.

mod baseline;
mod bench;
mod error;
mod event;
mod execute;
mod known;
mod ladder;
mod observe;
mod verify;

pub use baseline::{Baseline, BaselineError, Inherited, baseline};
pub use bench::{Bench, go_on};
pub use error::JobError;
pub use event::Event;
pub use execute::{Entry, Report};
pub use known::{kept_snapshots, known_images};
pub use verify::{Difference, Proof};
