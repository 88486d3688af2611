//! Chip and board descriptions, and the catalog of them.
//!
//! Descriptions are TOML files under `boards/`, built into the binary, and the user's own. [`Catalog`] finds them; what they
//! say is in [`Chip`] and [`Board`], whose methods answer what a configuration means. Apart from the catalog, which reads the
//! folder that it is given, all of this is pure.

mod board_file;
pub mod catalog;
mod chip;
mod chip_file;
mod configuration;
mod layout;

pub use board_file::read_board;
pub use catalog::{Catalog, CatalogError, Listed, Origin, demo_names, loader};
pub use chip::{BootSection, Chip, ClockSource, ConfigurationByte, EraseUnit, Field, FieldValue, MemoryShape, Role, Timings, Way, WayIn};
pub use chip_file::read_chip;
pub use configuration::{Forbids, Setting};
pub use layout::{Board, Caution, ClockSetting, Console, HeaderPins, Region, RegionOwner, Reservation, SettingsStore};
