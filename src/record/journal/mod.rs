//! The journal: what was done to which board, in one SQLite file that any number of processes share.
//!
//! A job is *running* while its process holds the bridge, *ended* when its last verify passed, the user closed it or another job took
//! it over, and *unfinished* otherwise. Each call is one transaction, on the disk when it returns.

mod column;
mod job;
mod row;
mod schema;

pub use job::{Accepted, End, Held, Job, JobId, JobRecord, NewJob, Shown, StepRecord, UsedImage};

use super::{RecordError, SnapshotName};
use crate::image::Image;
use column::{Count, Date, Json, Micros, Taken};
use row::Which;
use rusqlite::{Connection, OptionalExtension, Transaction, TransactionBehavior};
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

/// How long a call waits for another process's transaction. Those take milliseconds.
const BUSY: Duration = Duration::from_secs(10);

/// The journal.
#[derive(Debug)]
pub struct Journal {
    path: PathBuf,
    connection: Connection,
}

impl Journal {
    /// Opens the journal, and begins one where there is none.
    ///
    /// # Errors
    /// The file cannot be opened or made, is no journal, or is of a newer format.
    pub fn open(path: impl Into<PathBuf>) -> Result<Journal, RecordError> {
        let path = path.into();
        let connection = schema::open_or_create(&path)?;
        Ok(Journal { path, connection })
    }

    /// Opens the journal to look into it; `None` where there is none, and none is made.
    ///
    /// # Errors
    /// As [`Journal::open`].
    pub fn open_existing(path: impl Into<PathBuf>) -> Result<Option<Journal>, RecordError> {
        let path = path.into();
        let connection = schema::open_existing(&path)?;
        Ok(connection.map(|connection| Journal { path, connection }))
    }

    /// The journal's file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Enters a job, before its first step. The job that it inherits from is ended in the same transaction.
    ///
    /// # Errors
    /// The journal cannot be written; the inherited job has ended already, or has another baseline.
    pub fn begin(&mut self, new: &NewJob) -> Result<JobId, RecordError> {
        self.write(|transaction| {
            if let Some(inherited) = new.inherits {
                let expected = Progress::of(transaction, inherited)?.baseline;
                if expected != new.baseline {
                    let words = |name: Option<SnapshotName>| name.map_or("none".to_owned(), |name| name.to_string());
                    let (expected, found) = (words(expected), words(new.baseline.clone()));
                    return Err(RecordError::OtherBaseline { inherited, expected, found }.into());
                }
            }
            let job = row::insert(transaction, new)?;
            if let Some(inherited) = new.inherits {
                row::end(transaction, inherited, new.date, &End::TakenOver(job))?;
            }
            Ok(job)
        })
    }

    /// Records that a step begins, before it does. A step that was begun and not finished may begin again; so may a finished one, and
    /// the steps after it then count as not done.
    ///
    /// # Errors
    /// The journal cannot be written; the job has ended; an earlier step is not finished; the plan has no such step.
    pub fn step_begun(&mut self, job: JobId, step: usize, date: SystemTime) -> Result<(), RecordError> {
        self.write(|transaction| {
            let progress = Progress::of(transaction, job)?;
            if step > progress.finished || step >= progress.steps {
                return Err(progress.out_of_order(job, step, "begin").into());
            }
            transaction.execute("delete from steps where job = ?1 and step >= ?2", (job.0, Count(step)))?;
            transaction.execute("insert into steps (job, step, begun) values (?1, ?2, ?3)", (job.0, Count(step), Date(date)))?;
            Ok(())
        })
    }

    /// Records that the step in hand is done, and how long it took.
    ///
    /// # Errors
    /// The journal cannot be written; the job has ended; this is not the step in hand.
    pub fn step_finished(&mut self, job: JobId, step: usize, date: SystemTime, took: Duration) -> Result<(), RecordError> {
        self.write(|transaction| {
            let progress = Progress::of(transaction, job)?;
            let sql = "update steps set finished = ?3, took_us = ?4 where job = ?1 and step = ?2 and finished is null";
            match transaction.execute(sql, (job.0, Count(step), Date(date), Micros(took)))? {
                0 => Err(progress.out_of_order(job, step, "finish").into()),
                _ => Ok(()),
            }
        })
    }

    /// Records what the settings store held when the job had verified it.
    ///
    /// # Errors
    /// The journal cannot be written; the job has ended.
    pub fn settings_verified(&mut self, job: JobId, store: &Image) -> Result<(), RecordError> {
        self.write(|transaction| {
            Progress::of(transaction, job)?;
            transaction.execute("update jobs set settings = ?2 where id = ?1", (job.0, Json(store)))?;
            Ok(())
        })
    }

    /// Records why the job's run stopped before its end; the job stays unfinished.
    ///
    /// # Errors
    /// The journal cannot be written; the job has ended.
    pub fn stopped(&mut self, job: JobId, why: &str) -> Result<(), RecordError> {
        self.write(|transaction| {
            Progress::of(transaction, job)?;
            transaction.execute("update jobs set stopped = ?2 where id = ?1", (job.0, why))?;
            Ok(())
        })
    }

    /// Ends a job whose last verify has passed; `proof` says how, `took` how long its steps took.
    ///
    /// # Errors
    /// The journal cannot be written; the job has ended already.
    pub fn finish(&mut self, job: JobId, date: SystemTime, proof: &str, took: Duration) -> Result<(), RecordError> {
        self.write(|transaction| {
            Progress::of(transaction, job)?;
            transaction.execute("update jobs set took_us = ?2 where id = ?1", (job.0, Micros(took)))?;
            Ok(row::end(transaction, job, date, &End::Finished(proof.to_owned()))?)
        })
    }

    /// Ends a job because the user says so.
    ///
    /// # Errors
    /// The journal cannot be written; the job has ended already.
    pub fn close(&mut self, job: JobId, date: SystemTime) -> Result<(), RecordError> {
        self.end(job, date, &End::Closed)
    }

    /// Ends a job that has changed nothing on its board and whose process has stopped or is gone, which the caller knows.
    ///
    /// # Errors
    /// The journal cannot be written; the job has ended already; or it may have changed something: that needs a verify, or the user's word.
    pub fn end_unchanged(&mut self, job: JobId, date: SystemTime) -> Result<(), RecordError> {
        let record = self.job(job)?;
        self.write(|transaction| {
            Progress::of(transaction, job)?;
            let sql = "select count(*) from steps where job = ?1";
            let Count(begun) = transaction.query_row(sql, [job.0], |row| row.get(0))?;
            match record.changed_nothing() && begun == record.job.steps.len() {
                true => Ok(row::end(transaction, job, date, &End::Unchanged)?),
                false => Err(RecordError::MayHaveChanged { job }.into()),
            }
        })
    }

    fn end(&mut self, job: JobId, date: SystemTime, how: &End) -> Result<(), RecordError> {
        self.write(|transaction| {
            Progress::of(transaction, job)?;
            Ok(row::end(transaction, job, date, how)?)
        })
    }

    /// The jobs that have neither ended nor are running, oldest first. `held` are the bridges that OTHER processes hold now: what the
    /// caller's own process began and gave up is unfinished although it still has the bridge.
    ///
    /// # Errors
    /// The journal cannot be read, or holds something that makes no sense.
    pub fn unfinished(&self, held: &[Held]) -> Result<Vec<JobRecord>, RecordError> {
        let running: Vec<JobId> = held.iter().filter_map(|held| self.last_job_of(held).transpose()).collect::<Result<_, _>>()?;
        let open = row::records(&self.connection, Which::Open).map_err(|error| self.cannot_read(error))?;
        Ok(open.into_iter().filter(|record| !running.contains(&record.job.id)).collect())
    }

    /// A process has one job at a time on a bridge, so of those that it began there only the last can be running.
    fn last_job_of(&self, held: &Held) -> Result<Option<JobId>, RecordError> {
        let sql = "select max(id) from jobs where bridge = ?1 and holder = ?2";
        let last = self.connection.query_row(sql, (&held.bridge, &held.holder), |row| row.get::<_, Option<i64>>(0));
        last.map(|id| id.map(JobId)).map_err(|error| self.cannot_read(error))
    }

    /// Every job, oldest first.
    ///
    /// # Errors
    /// The journal cannot be read, or holds something that makes no sense.
    pub fn jobs(&self) -> Result<Vec<Job>, RecordError> {
        row::jobs(&self.connection, Which::All).map_err(|error| self.cannot_read(error))
    }

    /// Whether no job was ever entered that took a snapshot.
    ///
    /// # Errors
    /// The journal cannot be read.
    pub fn knows_no_snapshot(&self) -> Result<bool, RecordError> {
        let any = self.connection.query_row("select exists (select 1 from jobs where baseline <> '')", [], |row| row.get::<_, bool>(0));
        any.map(|any| !any).map_err(|error| self.cannot_read(error))
    }

    /// One job with all that was kept of it.
    ///
    /// # Errors
    /// There is no such job; the journal cannot be read, or holds something that makes no sense.
    pub fn job(&self, job: JobId) -> Result<JobRecord, RecordError> {
        let found = row::records(&self.connection, Which::One(job)).map_err(|error| self.cannot_read(error))?;
        found.into_iter().next().ok_or(RecordError::NoSuchJob { job })
    }

    /// One transaction. It takes the right to write at its start, where SQLite waits for other processes; a transaction that asks
    /// for it halfway is refused at once when another one writes.
    fn write<T>(&mut self, body: impl FnOnce(&Transaction) -> Result<T, Fault>) -> Result<T, RecordError> {
        let whole = || {
            let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let value = body(&transaction)?;
            transaction.commit()?;
            Ok(value)
        };
        whole().map_err(|fault: Fault| match fault {
            Fault::Record(error) => error,
            Fault::Sql(error) => schema::fault(&self.path, "write", error),
        })
    }

    fn cannot_read(&self, error: rusqlite::Error) -> RecordError {
        schema::fault(&self.path, "read", error)
    }
}

/// What goes wrong inside a transaction; [`Journal::write`] adds the file.
enum Fault {
    Sql(rusqlite::Error),
    Record(RecordError),
}

impl From<rusqlite::Error> for Fault {
    fn from(error: rusqlite::Error) -> Fault {
        Fault::Sql(error)
    }
}

impl From<RecordError> for Fault {
    fn from(error: RecordError) -> Fault {
        Fault::Record(error)
    }
}

/// How far a job that has not ended is.
struct Progress {
    baseline: Option<SnapshotName>,
    /// Steps of its plan, and how many of them are finished.
    steps: usize,
    finished: usize,
}

impl Progress {
    /// # Errors
    /// There is no such job, or it has ended.
    fn of(transaction: &Transaction, job: JobId) -> Result<Progress, Fault> {
        let sql = "select baseline, plan_steps, how_ended, \
                   (select count(*) from steps where job = jobs.id and finished is not null) from jobs where id = ?1";
        let read = |row: &rusqlite::Row| {
            let ended: Option<String> = row.get(2)?;
            Ok((
                Progress { baseline: row.get::<_, Taken>(0)?.0, steps: row.get::<_, Count>(1)?.0, finished: row.get::<_, Count>(3)?.0 },
                ended,
            ))
        };
        match transaction.query_row(sql, [job.0], read).optional()? {
            None => Err(RecordError::NoSuchJob { job }.into()),
            Some((_, Some(how))) => Err(RecordError::JobEnded { job, how }.into()),
            Some((progress, None)) => Ok(progress),
        }
    }

    fn out_of_order(&self, job: JobId, step: usize, what: &'static str) -> RecordError {
        RecordError::StepOutOfOrder { job, step, what, finished: self.finished, of: self.steps }
    }
}
