//! Chip and board descriptions, and the catalog of them.
//!
//! Descriptions are TOML files under `boards/`, built into the binary, and the user's own. [`Catalog`] finds them; what they
//! say is in [`Chip`] and [`Board`], whose methods answer what a configuration means. Apart from the catalog, which reads the
//! folder that it is given, all of this is pure.

mod board_file;
mod bridge_file;
mod bridge_images;
mod bridge_kind;
pub mod catalog;
mod chip;
mod chip_file;
mod configuration;
mod connections;
mod draft;
mod generic;
mod id_bytes;
mod known_chips;
mod layout;
mod levels;
mod line_speed;
mod loader;
mod loader_parameters;
mod parts;
mod texts;

pub use board_file::{BAUD, read_board};
pub use bridge_file::read_bridge;
pub use bridge_images::bridge_image;
pub use bridge_kind::{BridgeImage, BridgeKind, BridgePin, BridgePins, BridgeSupply, Buy, FirmwareWay, Measurement, ResetHold};
pub use catalog::{
    Catalog, CatalogError, DemoApplication, Listed, Origin, bridge_kind, bridge_kinds, bridge_names, demo_application, demo_applications,
    demo_names, is_board_path,
};
pub use chip::{
    BootSection, Chip, ClockSource, ConfigurationByte, EepromWrites, EraseUnit, FROM_MEMORY, Fact, Field, FieldValue, MemoryShape, Ready,
    Role, Timings, Way, WayIn,
};
pub use chip_file::read_chip;
pub use configuration::{Forbids, Setting};
pub use connections::{Between, BoardEnd, Connections, NoSupply, PoweredBy, Purpose, Toward, Wire};
pub use draft::{Basis, Draft, DraftConsole, DraftReservation, Drafted, Stated, can_run, clock_of};
pub use generic::generic_board;
pub use id_bytes::IdBytes;
pub use known_chips::{RefusedChip, known_chips, refused_chips};
pub use layout::{
    Board, Caution, ClockSetting, Console, HeaderPins, HoldPin, LoaderLine, Region, RegionOwner, Reservation, SerialNumber, SettingsStore,
};
pub use levels::{LevelFit, near};
pub use line_speed::LineSpeed;
pub use loader::{BuiltLoader, LoaderError, SERIAL_LOADER, is_loader, loader, loader_bytes};
pub use loader_parameters::{LoaderHold, LoaderParameters};
pub use parts::{Divider, Fitted, Part};
pub use texts::BoardTexts;
