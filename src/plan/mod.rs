//! Pure: observed state, desired state, what must be read, the plan between them, its interpreter and its estimate.
//!
//! ```text
//! baseline + intent + board + image(s)  ->  desired state     each region, configuration field and lock
//! observed + desired + chip + way in    ->  plan + findings
//! ```

mod desired;
mod observed;
mod step;

pub use desired::{ApplicationIntent, Desired, Intent, LoaderIntent, NamedImage, Origin};
pub use observed::{Access, Contents, Observed};
pub use step::{Pace, Plan, Step, StepKind};
