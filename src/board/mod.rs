//! Chip and board descriptions, and the catalog of them.

mod chip;
mod layout;

pub use chip::{BootSection, Chip, ClockSource, ConfigurationByte, EraseUnit, Field, FieldValue, MemoryShape, Role, Timings, Way, WayIn};
pub use layout::{Board, Caution, ClockSetting, Console, HeaderPins, Region, RegionOwner, Reservation, SettingsStore};
