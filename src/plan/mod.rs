//! Pure: observed state, desired state, what must be read, the plan between them, its interpreter and its estimate.
//!
//! ```text
//! baseline + intent + board + image(s)  ->  desired state     each region, configuration field and lock
//! observed + desired + chip + way in    ->  plan + findings
//! ```

mod baseline;
mod checks;
mod desired;
mod difference;
mod estimate;
mod fields;
mod interpret;
mod known;
mod observed;
mod outline;
mod read;
mod reconcile;
mod restore;
mod running;
mod same_id;
mod sent;
mod stakes;
mod step;
mod through_loader;

pub use baseline::{Candidate, Resume, Takeover, TakeoverError, UnfinishedJob, takeover};
pub use checks::outside_memory;
pub use desired::{ApplicationIntent, DesireError, Desired, Intent, LoaderIntent, NamedImage, Origin, desire};
pub use fields::outside;
pub use interpret::{Bits, Interpreter, State};
pub use known::{Fingerprint, Known, Trail, recognise, taken_back};
pub use observed::{Access, Contents, Observed};
pub use outline::{Basis, Outline, OutlineStep, outline};
pub use read::{unreadable, what_to_read};
pub use reconcile::{Target, reconcile, regions};
pub use restore::{Part, Restore, serial_number};
pub use same_id::{part_of_same_id, parts_that_differ};
pub use sent::{Sent, application_changed};
pub use stakes::{levels_differ, overdriven, supply_out_of_range, wrong_chip};
pub use step::{Pace, Plan, Step, StepKind};
pub use through_loader::{loader_plan, through_loader};
