//! A write through a fitted loader as a job in the journal. Nothing was read, so it has no snapshot, and no later job inherits from it.

use super::context::{Context, MADE_BY, date};
use super::typed::command_again;
use crate::board::Board;
use crate::finding::Finding;
use crate::image::Memory;
use crate::lock;
use crate::plan::{NamedImage, Plan};
use crate::record::{Accepted, Job, JobId, Journal, NewJob, RecordError, Shown, UsedImage};
use std::time::SystemTime;

/// A job that is entered, and not yet begun.
pub struct LoaderJob {
    journal: Journal,
    pub id: JobId,
    /// When its first block was sent.
    begun: Option<SystemTime>,
}

/// What is entered.
pub struct Entered<'a> {
    pub board: &'a Board,
    pub application: &'a NamedImage,
    /// The board's serial port, as the user names it.
    pub port: String,
    pub plan: &'a Plan,
    pub findings: &'a [Finding],
    pub accepted: Vec<Accepted>,
}

impl LoaderJob {
    /// Enters it. The same command that was cut off before ends with that.
    ///
    /// # Errors
    /// The journal cannot be written.
    pub fn enter(context: &Context, mut journal: Journal, entered: Entered) -> Result<LoaderJob, RecordError> {
        let Entered { board, application, port, plan, findings, accepted } = entered;
        let command = command_again(&[]);
        let again = |job: &Job| {
            job.ended.is_none()
                && job.baseline.is_none()
                && (&job.command, &job.bridge) == (&command, &port)
                && job.tag == context.global.tag
        };
        let inherits = journal.jobs()?.into_iter().rfind(again).map(|job| job.id);
        let new = NewJob {
            date: date(),
            board: board.name.clone(),
            chip: board.chip.clone(),
            command,
            tag: context.global.tag.clone(),
            id_bytes: None,
            calibration: None,
            serial_number: None,
            bridge: port,
            holder: lock::this_process(),
            simulated: false,
            made_by: MADE_BY.to_owned(),
            baseline: None,
            before: None,
            inherits,
            images: vec![UsedImage::of((Memory::Flash, &application.name, &application.image))],
            findings: findings.iter().map(Shown::from).collect(),
            accepted,
            held: None,
            leaves: None,
            plan,
        };
        let id = journal.begin(&new)?;
        Ok(LoaderJob { journal, id, begun: None })
    }

    /// Before a block is sent: from the first one on the board is not as it was.
    ///
    /// # Errors
    /// The journal cannot be written.
    pub fn begin(&mut self) -> Result<(), RecordError> {
        if self.begun.is_none() {
            let now = date();
            self.journal.step_begun(self.id, 0, now)?;
            self.begun = Some(now);
        }
        Ok(())
    }

    /// All of it was taken.
    ///
    /// # Errors
    /// The journal cannot be written.
    pub fn finish(&mut self, proof: &str) -> Result<(), RecordError> {
        let now = date();
        let took = self.begun.and_then(|begun| now.duration_since(begun).ok()).unwrap_or_default();
        self.journal.step_finished(self.id, 0, now, took)?;
        self.journal.finish(self.id, now, proof, took)
    }

    /// The transfer ended before its end. Where no block was sent, nothing on the board has changed by it.
    ///
    /// # Errors
    /// The journal cannot be written.
    pub fn stopped(&mut self, why: &str) -> Result<(), RecordError> {
        self.journal.stopped(self.id, why)?;
        match self.journal.job(self.id)?.changed_nothing() {
            true => self.journal.end_unchanged(self.id, date()),
            false => Ok(()),
        }
    }
}
