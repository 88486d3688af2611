//! Jobs on simulated boards, over the real protocol, with journal and snapshots on disk.

mod bad_bridge;
mod bad_days;
mod cuts;
pub mod drafted;
mod every_chip;
mod interrupt;
mod killed;
mod levels;
mod locked_eeprom;
mod restore;
mod revive;
mod same_id;
mod sent_since;
mod stops;
mod takeover;
mod wires;
pub mod workbench;
