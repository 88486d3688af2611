//! Carries a plan out, step by step.

use super::bench::{RESTARTS_MAX, go_on};
use super::{Bench, Difference, Event, JobError, Proof};
use crate::algorithm::avr_spi::AvrSpi;
use crate::algorithm::{Ending, Progress};
use crate::image::{ByteAddress, Memory, Span};
use crate::plan::{Access, Desired, Plan, Step, StepKind};
use crate::record::{JobId, Journal};
use std::time::{Duration, SystemTime};

/// Where a job is written down.
pub struct Entry<'a> {
    pub journal: &'a mut Journal,
    pub job: JobId,
    /// Gives the date of an entry.
    pub date: &'a dyn Fn() -> SystemTime,
    /// Whether the board may hold something else than before the job, or the job goes on from another one.
    pub changed: bool,
}

/// What a job that went well can say of itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Report {
    pub proof: Proof,
    pub took: Duration,
    /// How often the bridge began anew in the middle of a step.
    pub restarts: u32,
    /// How the chip was reached last.
    pub access: Option<Access>,
}

impl Bench<'_> {
    /// Carries out a plan and writes it down: every step before it begins, and when it is finished.
    ///
    /// # Errors
    /// The first thing that goes wrong. The chip is let go then, and the journal says where it stopped; a job that stopped before its
    /// first change has ended, because nothing is left to go on from.
    pub fn execute(&mut self, plan: &Plan, entry: &mut Entry<'_>) -> Result<Report, JobError> {
        let result = self.steps(plan, entry);
        let released = self.release();
        if let Err(why) = &result {
            // What stopped the job is the error to tell, also where it cannot be written down.
            let _ = entry.journal.stopped(entry.job, &why.to_string());
            if !entry.changed {
                entry.journal.end_unchanged(entry.job, (entry.date)())?;
            }
        }
        let report = result?;
        released?;
        entry.journal.finish(entry.job, (entry.date)(), &report.proof.to_string(), report.took)?;
        Ok(report)
    }

    fn steps(&mut self, plan: &Plan, entry: &mut Entry<'_>) -> Result<Report, JobError> {
        let begun = self.clock.now();
        self.written.clear();
        let mut report = Report { proof: Proof::default(), took: Duration::ZERO, restarts: 0, access: None };
        for (index, step) in plan.steps().iter().enumerate() {
            if go_on(self.stop).is_break() {
                return Err(JobError::Interrupted);
            }
            entry.journal.step_begun(entry.job, index, (entry.date)())?;
            entry.changed |= step.kind.changes_board();
            (self.listener)(&Event::StepBegun { index, of: plan.steps().len() });
            let started = self.clock.now();
            self.step_with_restarts(step, plan.desired(), &mut report)?;
            if let StepKind::Verify { spans, .. } = &step.kind
                && spans.iter().any(|(memory, _)| *memory == Memory::Eeprom)
            {
                entry.journal.settings_verified(entry.job, &plan.desired().eeprom)?;
            }
            let took = self.clock.now().since(started);
            entry.journal.step_finished(entry.job, index, (entry.date)(), took)?;
            (self.listener)(&Event::StepDone { index, took });
        }
        report.took = self.clock.now().since(begun);
        Ok(report)
    }

    /// A bridge that restarted has let the chip go: the step begins again from a fresh entry.
    fn step_with_restarts(&mut self, step: &Step, desired: &Desired, report: &mut Report) -> Result<(), JobError> {
        let mut result = self.step(step, desired, report);
        for _ in 0..RESTARTS_MAX {
            match &result {
                Err(JobError::Algorithm(error)) if error.restarted() => {}
                _ => break,
            }
            report.restarts += 1;
            result = match self.enter(false) {
                Ok(access) => {
                    report.access = Some(access);
                    self.step(step, desired, report)
                }
                Err(error) => Err(error),
            };
        }
        result
    }

    fn step(&mut self, step: &Step, desired: &Desired, report: &mut Report) -> Result<(), JobError> {
        match &step.kind {
            StepKind::Enter { slowest_first } => report.access = Some(self.enter(*slowest_first)?),
            StepKind::Erase => self.spi.erase()?,
            StepKind::WriteFlash { pages, .. } => self.write(Memory::Flash, desired, pages, step)?,
            StepKind::WriteEeprom { pages, .. } => self.write(Memory::Eeprom, desired, pages, step)?,
            StepKind::WriteConfiguration { byte, value } => self.spi.write_configuration(*byte, *value).map(|_| ())?,
            StepKind::WriteLock { value } => self.spi.write_lock(*value).map(|_| ())?,
            StepKind::Verify { spans, configuration, lock } => {
                report.proof += self.verify(desired, spans, *configuration, *lock).map_err(|error| match error {
                    JobError::Differs(differences) if report.restarts > 0 => JobError::Torn(differences),
                    other => other,
                })?;
            }
            StepKind::Release => self.release()?,
        }
        Ok(())
    }

    fn write(&mut self, memory: Memory, desired: &Desired, pages: &[ByteAddress], step: &Step) -> Result<(), JobError> {
        let (listener, stop) = (&mut self.listener, self.stop);
        let of = u64::from(step.bytes);
        let mut progress = |done: u32| {
            let left = step.estimate.mul_f64(1.0 - (f64::from(done) / (of.max(1)) as f64).min(1.0));
            listener(&Event::StepProgress { done: done.into(), of, left });
            go_on(stop)
        };
        write_pages(&mut self.spi, memory, desired, pages, &mut progress)?;
        self.written.extend(pages.iter().map(|page| (memory, *page)));
        Ok(())
    }

    /// Compares with the desired state. The plan puts a fresh entry before every verify. Pages that this plan has written and that differ
    /// are written once more, with the same bytes, and compared again: a write may have been weak once. Others are not touched: something
    /// else has changed them.
    fn verify(&mut self, desired: &Desired, spans: &[(Memory, Span)], configuration: bool, lock: bool) -> Result<Proof, JobError> {
        let wanted = spans.iter().filter_map(|(memory, span)| Some((*memory, *span, desired.memory(*memory)?)));
        let (mut differences, proof) = self.compare_all(wanted)?;
        if !differences.is_empty() {
            differences = self.once_more(desired, differences)?;
        }
        if configuration || lock {
            let configuration = configuration.then_some(desired.configuration.as_slice());
            differences.extend(self.compare_identity(configuration, lock.then_some(desired.lock))?);
        }
        differences.iter_mut().for_each(|of| of.wanted_from = desired.origin(of.memory, of.first).cloned());
        match differences.is_empty() {
            true => Ok(proof),
            false => Err(JobError::Differs(differences)),
        }
    }

    /// Writes the pages that differ again and compares them. In flash that clears bits, and sets none.
    fn once_more(&mut self, desired: &Desired, differences: Vec<Difference>) -> Result<Vec<Difference>, JobError> {
        let written = std::mem::take(&mut self.written);
        let (again, mut left): (Vec<_>, Vec<_>) =
            differences.into_iter().partition(|of| written.iter().any(|(memory, at)| *memory == of.memory && of.span.contains(*at)));
        for memory in [Memory::Flash, Memory::Eeprom] {
            let Some(image) = desired.memory(memory) else { continue };
            let spans: Vec<Span> = again.iter().filter(|of| of.memory == memory).map(|of| of.span).collect();
            let inside = |at: &ByteAddress| spans.iter().any(|span| span.contains(*at));
            let pages: Vec<ByteAddress> = written.iter().filter(|(of, at)| *of == memory && inside(at)).map(|(_, at)| *at).collect();
            let stop = self.stop;
            write_pages(&mut self.spi, memory, desired, &pages, &mut |_| go_on(stop))?;
            let compared = self.compare_all(spans.iter().map(|span| (memory, *span, image)))?.0;
            left.extend(compared.into_iter().map(|of| Difference { written_twice: true, ..of }));
        }
        Ok(left)
    }
}

/// Writes pages of a memory as they should be.
fn write_pages(spi: &mut AvrSpi, memory: Memory, desired: &Desired, pages: &[ByteAddress], progress: Progress) -> Result<(), JobError> {
    let ending = match memory {
        Memory::Eeprom => spi.write_eeprom(&desired.eeprom, pages, progress)?,
        _ => spi.write_flash(&desired.flash, pages, progress)?,
    };
    match ending {
        Ending::Complete(()) => Ok(()),
        Ending::Stopped { .. } => Err(JobError::Interrupted),
    }
}
