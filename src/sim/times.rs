//! How long self-timed writes take here: the longest that a part's own datasheet prints, fixed, so that times measured on the sim compare
//! with the floor computed from the same figures. Its table is 'Minimum Wait Delay Before Writing the Next Location', or that of the
//! self-timed writes.

use crate::board::{Chip, Ready, Way};
use std::time::Duration;

/// Of one part.
#[derive(Clone, Copy, Debug)]
pub(super) struct Times {
    /// A page of flash.
    pub(super) flash: Duration,
    /// A page of EEPROM, or a byte.
    pub(super) eeprom: Duration,
    /// An erase of the chip.
    pub(super) erase: Duration,
    /// A fuse byte or the lock byte.
    pub(super) fuse: Duration,
}

const fn us(microseconds: u64) -> Duration {
    Duration::from_micros(microseconds)
}

/// 8271, and later editions of 2549.
const USUAL: Times = Times { flash: us(4_500), eeprom: us(3_600), erase: us(9_000), fuse: us(4_500) };

/// Parts without RDY/BSY (2490 and 2512).
const OLD: Times = Times { eeprom: us(9_000), ..USUAL };

const OWN: &[(&[&str], Times)] = &[
    // 42073
    (
        &["ATmega64RFR2", "ATmega644RFR2", "ATmega128RFR2", "ATmega1284RFR2", "ATmega256RFR2", "ATmega2564RFR2"],
        Times { eeprom: us(13_000), erase: us(18_500), ..USUAL },
    ),
    // 7674; 2593
    (&["ATmega164P", "ATmega324P", "ATmega644P", "ATmega644"], Times { eeprom: us(9_000), ..USUAL }),
    // 42716: an erase of up to 12 ms
    (&["ATmega644A", "ATmega644PA"], Times { erase: us(12_000), ..USUAL }),
    // ATmega328PB datasheet: an erase of up to 12 ms
    (&["ATmega328PB"], Times { erase: us(12_000), ..USUAL }),
    // The maker's migration notes for the 48PB family
    (&["ATmega48PB", "ATmega88PB", "ATmega168PB"], Times { erase: us(10_500), ..USUAL }),
    // 8209; its 2.6 ms for a page of flash is shorter than what other documents call the write
    (&["ATmega16M1", "ATmega32M1", "ATmega64M1", "ATmega32C1", "ATmega64C1"], Times { erase: us(10_500), ..USUAL }),
    // 8126, 8183, 8197
    (&["ATtiny13A", "ATtiny24A", "ATtiny44A", "ATtiny84A", "ATtiny261A", "ATtiny461A", "ATtiny861A"], Times { eeprom: us(4_000), ..USUAL }),
    // 7598, 2543; the erase as in later editions of 2586, from memory
    (&["ATtiny25", "ATtiny45", "ATtiny85", "ATtiny2313"], Times { eeprom: us(4_000), ..USUAL }),
];

impl Times {
    /// Of this part; the usual ones where nothing is known of its own.
    pub(super) fn of(chip: &Chip) -> Times {
        let old = chip.way_in(Way::Spi).is_some_and(|way_in| way_in.ready == Ready::DataPolling);
        let own = OWN.iter().find(|(parts, _)| parts.contains(&chip.part.as_str())).map(|(_, times)| *times);
        own.unwrap_or(if old { OLD } else { USUAL })
    }
}
