//! The planner: desired states, plans, findings, cuts, and whose unfinished job it is.

mod findings;
mod known;
mod made_up;
mod order;
mod properties;
mod real_chips;
mod restore;
pub mod same_id;
mod takeover;
