//! Reads what a board holds.

use super::bench::go_on;
use super::{Bench, Event, JobError};
use crate::algorithm::Ending;
use crate::image::{Image, Memory, Span};
use crate::plan::{Contents, Observed};

impl Bench<'_> {
    /// Enters and reads everything that can be read. The chip stays in programming mode. Where the ID bytes are not those of
    /// the board's chip, nothing but them is read: the rest is laid out by a chip that it is not.
    ///
    /// # Errors
    /// When the chip does not answer, or the work is interrupted.
    pub fn observe(&mut self) -> Result<Observed, JobError> {
        let access = self.enter(false)?;
        let identity = self.spi.identify()?;
        let mut observed = Observed { id: Some(identity.id), access: Some(access), ..Observed::nothing() };
        if identity.id != self.chip.id {
            return Ok(observed);
        }
        observed.calibration = Some(identity.calibration);
        observed.configuration = Some(identity.configuration);
        observed.lock = Some(identity.lock);
        let locked = self.chip.decode_lock(identity.lock).iter().any(|setting| setting.value.is_some_and(|v| v.forbids_reading));
        if locked {
            let reason = format!("the chip is locked against reading (lock byte 0x{:02X})", identity.lock);
            observed.flash.unreadable = Some(reason.clone());
            observed.eeprom.unreadable = Some(reason);
            return Ok(observed);
        }
        observed.flash = self.whole(Memory::Flash, self.chip.flash.bytes)?;
        observed.eeprom = self.whole(Memory::Eeprom, self.chip.eeprom.bytes)?;
        Ok(observed)
    }

    fn whole(&mut self, memory: Memory, size: u32) -> Result<Contents, JobError> {
        Ok(Contents { bytes: self.read(memory, Span::first(size))?, unreadable: None })
    }

    /// Reads a span to the host.
    pub(super) fn read(&mut self, memory: Memory, span: Span) -> Result<Image, JobError> {
        let (listener, stop) = (&mut self.listener, self.stop);
        let mut progress = |done: u32| {
            listener(&Event::Reading { memory, done: done.into(), of: span.len().into() });
            go_on(stop)
        };
        match self.spi.read(memory, span, &mut progress)? {
            Ending::Complete(image) => Ok(image),
            Ending::Stopped { .. } => Err(JobError::Interrupted),
        }
    }
}
