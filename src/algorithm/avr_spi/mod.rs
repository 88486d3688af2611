//! Serial (SPI) programming of 8-bit AVR parts with page flash.
//!
//! Sources, by number: 8271 (ATmega48A/PA..328/P), 8272 and its successor DS40002070A (ATmega164A..1284/P), 2549
//! (ATmega640..2561), section 'Memory Programming', 'Serial Downloading'; the vendor's application note on the serial
//! interface ('interface note'). Where a comment says no more than the number, that section is meant. 'Checked' means that the
//! text of the document was read for it; 'from memory' that it was not.

mod configuration;
mod eeprom;
mod entry;
mod evidence;
mod flash;
mod instruction;
mod lists;
mod pace;
mod reading;
mod rung;
mod wiring;

pub use configuration::Identity;
pub use entry::Entered;
pub use evidence::{Attempt, Evidence, Feed, NoAnswer};
pub use reading::PageChecksum;
pub use rung::{Rung, SLOW_ENOUGH, rungs};
pub use wiring::{Lines, Miso, Wiring};

use super::{AlgorithmError, Task};
use crate::board::Chip;
use crate::bus::{Bus, BusError, Drive, Line, Operation};
use crate::units::Hertz;

/// A chip at the other end of a bus, in programming mode between an entry and a release. Dropping it releases the chip.
pub struct AvrSpi<'a> {
    bus: &'a mut dyn Bus,
    chip: &'a Chip,
    /// How the chip was entered; `None` while it is not in programming mode.
    entered: Option<Session>,
    /// What was read last of the chip in this stay; `None` once it was erased or let go.
    known: Option<Identity>,
    /// Whether the bridge drives lines of the board.
    driving: bool,
    /// What the bridge feeds to the chip's clock pin.
    clock_output: Option<Hertz>,
}

/// A stay in programming mode.
#[derive(Clone, Copy)]
struct Session {
    rung: Rung,
    /// What the bridge makes of the rung's clock.
    programming_clock: Hertz,
}

impl<'a> AvrSpi<'a> {
    /// Touches nothing yet.
    pub fn new(bus: &'a mut dyn Bus, chip: &'a Chip) -> AvrSpi<'a> {
        AvrSpi { bus, chip, entered: None, known: None, driving: false, clock_output: None }
    }

    /// What the bridge can do; for [`rungs`].
    pub fn abilities(&self) -> &crate::bus::Abilities {
        self.bus.abilities()
    }

    /// Lets the chip go: RESET first, so that power never goes off while the chip is held (8271, 2593: checked). The
    /// firmware starts.
    ///
    /// # Errors
    /// The bus's. The bridge lets the lines go by itself when it hears no more of the host.
    pub fn release(&mut self) -> Result<(), AlgorithmError> {
        if !self.driving {
            return Ok(());
        }
        let mut list = vec![Operation::Line { line: Line::Reset, drive: Drive::Release }];
        if self.clock_output.is_some() {
            list.push(Operation::ClockOutput(None));
        }
        if self.bus.abilities().switches_power {
            list.push(Operation::Line { line: Line::Power, drive: Drive::Release });
        }
        (self.entered, self.driving) = (None, false);
        (self.clock_output, self.known) = (None, None);
        self.run(Task::Releasing, &list).map(|_| ())
    }

    fn session(&self, task: Task) -> Result<Session, AlgorithmError> {
        self.entered.ok_or(AlgorithmError::NotEntered { task })
    }

    /// Wraps a bus error; the stay in programming mode cannot be relied on after one.
    fn failed(&mut self, task: Task, source: BusError) -> AlgorithmError {
        self.entered = None;
        AlgorithmError::Bus { task, source }
    }
}

impl Drop for AvrSpi<'_> {
    fn drop(&mut self) {
        // Nobody is left to tell; the error that led here has been told.
        let _ = self.release();
    }
}
