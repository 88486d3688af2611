//! What must be read before anything is planned.

use crate::board::{Chip, WayIn};
use crate::image::{Memory, Span};

/// All that any step, finished or torn, could lose: on a chip that can only erase all of itself, everything that the way in
/// reads. An EEPROM that an erase would spare is read too, because a snapshot keeps the whole board. Configuration and lock
/// first: they say what can be read of the rest.
pub fn what_to_read(chip: &Chip, way_in: &WayIn) -> Vec<(Memory, Span)> {
    let sizes = [
        (Memory::Configuration, chip.configuration.len() as u32),
        (Memory::Lock, 1),
        (Memory::Flash, chip.flash.bytes),
        (Memory::Eeprom, chip.eeprom.bytes),
    ];
    let read = sizes.into_iter().filter(|(memory, bytes)| way_in.reads.contains(memory) && *bytes > 0);
    read.map(|(memory, bytes)| (memory, Span::first(bytes))).collect()
}

/// Why flash and EEPROM cannot be read under this lock byte; `None` where they can. A locked chip does not fail to be read:
/// it gives stand-in values, which must never be taken for contents.
pub fn unreadable(chip: &Chip, lock: u8) -> Option<String> {
    chip.forbids(lock).reading.then(|| format!("the lock byte 0x{:02X} forbids reading", lock | !chip.lock.used))
}
