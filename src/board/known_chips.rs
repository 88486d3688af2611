//! Which chips are built in, by name and by ID, and which are known and refused: two small files, so that no chip file is read to find one.

use super::chip_file::read_refused;
use std::sync::LazyLock;

/// A line for each chip file: the ID in hexadecimal, a space, the part number. Sorted.
const IDS: &str = include_str!("../../boards/chip-ids.txt");
const REFUSED: &str = include_str!("../../boards/refused-chips.toml");

/// A part that is known and not programmed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RefusedChip {
    /// Part number, as its maker writes it.
    pub part: String,
    /// The three signature bytes; `None` where they cannot be read through any way in that there is.
    pub id: Option<[u8; 3]>,
    /// Why, in words that go on from 'because'.
    pub reason: String,
}

/// The built-in chips: ID and part number, by ID.
pub fn known_chips() -> impl Iterator<Item = ([u8; 3], &'static str)> {
    IDS.lines().filter_map(|line| {
        let (id, part) = line.split_once(' ')?;
        let [_, a, b, c] = u32::from_str_radix(id, 16).ok()?.to_be_bytes();
        Some(([a, b, c], part))
    })
}

/// The parts that are known and not programmed. (That the file is right is tested.)
pub fn refused_chips() -> &'static [RefusedChip] {
    static CHIPS: LazyLock<Vec<RefusedChip>> = LazyLock::new(|| read_refused(REFUSED).unwrap_or_default());
    &CHIPS
}
