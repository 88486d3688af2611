//! Looks at a board that does not answer or does not start: harmless rungs first, entry at the slowest clock first. Nothing is changed.

use super::{Bench, JobError};
use crate::algorithm::AlgorithmError;
use crate::diagnosis::{Answer, Seen};
use crate::finding::Kind;
use crate::plan::Observed;

impl Bench<'_> {
    /// Looks and reads what can be read. Where the chip answers, it stays in programming mode.
    ///
    /// # Errors
    /// The bridge's, or an interruption; a chip that does not answer is a result and no error.
    pub fn look_closely(&mut self) -> Result<Seen, JobError> {
        let read = self.measure().and_then(|_| self.look(Bench::read_slowly));
        let answer = match read {
            Ok(observed) => Answer::Read(Box::new(observed)),
            Err(JobError::Algorithm(AlgorithmError::NoAnswer(no_answer))) => Answer::Silent(no_answer),
            Err(JobError::Algorithm(error @ (AlgorithmError::Unsteady { .. } | AlgorithmError::NoClockInRange { .. }))) => {
                self.release()?;
                Answer::Unsteady(error.to_string())
            }
            Err(JobError::Refused(finding)) if finding.kind == Kind::LevelsDiffer => {
                Answer::NotDriven { supply: self.spi.supply()?, finding }
            }
            Err(error) => return Err(error),
        };
        let abilities = self.spi.abilities();
        Ok(Seen { bridge: abilities.name.clone(), pin_level: abilities.pin_level, answer })
    }

    /// Enters slowly first, then reads at the pace that held.
    fn read_slowly(&mut self) -> Result<Observed, JobError> {
        let access = self.enter(true)?;
        let observed = self.observe()?;
        // How hard it was to get in is told by the first entry.
        Ok(Observed { access: Some(access), ..observed })
    }
}
