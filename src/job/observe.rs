//! Reads what a board holds.

use super::bench::go_on;
use super::{Bench, Event, JobError};
use crate::algorithm::Ending;
use crate::board::Way;
use crate::image::{Image, Memory, Span};
use crate::plan::{Contents, Observed, unreadable, what_to_read};

impl Bench<'_> {
    /// Enters and reads everything that can be read. The chip stays in programming mode. Where the ID bytes are not those of
    /// the board's chip, nothing but them is read: the rest is laid out by a chip that it is not.
    ///
    /// # Errors
    /// When the chip does not answer, or the work is interrupted.
    pub fn observe(&mut self) -> Result<Observed, JobError> {
        self.look(Bench::observe_once)
    }

    fn observe_once(&mut self) -> Result<Observed, JobError> {
        let access = self.enter(false)?;
        let identity = self.spi.identify()?;
        let mut observed = Observed { id: Some(identity.id), access: Some(access), ..Observed::nothing() };
        if identity.id != self.chip.id {
            return Ok(observed);
        }
        observed.calibration = Some(identity.calibration);
        observed.configuration = Some(identity.configuration);
        observed.lock = Some(identity.lock);
        let reason = unreadable(self.chip, identity.lock);
        let to_read = self.chip.way_in(Way::Spi).map(|way_in| what_to_read(self.chip, way_in)).unwrap_or_default();
        for (memory, span) in to_read {
            let contents = match memory {
                Memory::Flash => &mut observed.flash,
                Memory::Eeprom => &mut observed.eeprom,
                // Read with the ID bytes.
                Memory::Configuration | Memory::Lock => continue,
            };
            *contents = match &reason {
                Some(_) => Contents { bytes: Image::default(), unreadable: reason.clone() },
                None => Contents { bytes: self.read(memory, span)?, unreadable: None },
            };
        }
        Ok(observed)
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
