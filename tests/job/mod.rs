//! Jobs on simulated boards, over the real protocol, with journal and snapshots on disk.

mod cuts;
mod stops;
mod takeover;
mod wires;
pub mod workbench;
