//! The journal's file: how it is opened, and its tables.

use super::BUSY;
use crate::record::{RecordError, folder};
use rusqlite::{Connection, ErrorCode, OpenFlags, TransactionBehavior};
use std::path::Path;

/// The tables' version, kept in SQLite's `user_version`. Every earlier one must stay readable.
const VERSION: i64 = 2;

/// Marks the file as ours, in SQLite's `application_id`: 'FARR'.
const APPLICATION: i64 = 0x4641_5252;

/// What made each version out of the one before it; a new file goes through all of them. None is ever changed.
const VERSIONS: [&str; VERSION as usize] = [TABLES, MORE_OF_A_JOB];

/// Dates are RFC 3339 texts in UTC, plans and images JSON. `autoincrement`, so that a number is never given twice.
const TABLES: &str = "
create table jobs (
    id          integer primary key autoincrement,
    begun       text not null,
    ended       text,                                   -- null: running or cut off
    how_ended   text check (how_ended in ('finished', 'closed', 'taken over')),
    proof       text,                                   -- how a finished job was proved
    taken_by    integer references jobs (id),
    board       text not null,
    chip        text not null,
    command     text not null,
    tag         text,
    id_bytes    blob,
    calibration integer,
    bridge      text not null,
    holder      text not null,
    simulated   integer not null,
    made_by     text not null,
    baseline    text not null,                          -- names of snapshots
    before      text not null,
    inherits    integer references jobs (id),
    accepted    text not null,
    plan        text not null,
    plan_steps  integer not null,
    settings    text,                                   -- the settings store as verified
    check ((ended is null) = (how_ended is null))
) strict;
create index open_jobs on jobs (id) where ended is null;
create table steps (
    job      integer not null references jobs (id),
    step     integer not null,
    begun    text not null,
    finished text,
    primary key (job, step)
) strict, without rowid;
";

/// What a report tells, and what a board is known again by: SHA-256s of what it held and of what the job leaves. Durations are by the
/// clock that the board was worked on with.
const MORE_OF_A_JOB: &str = "
alter table jobs add column serial_number blob;
alter table jobs add column images text not null default '[]';
alter table jobs add column findings text not null default '[]';
alter table jobs add column held_firmware text;
alter table jobs add column held_settings text;
alter table jobs add column leaves_firmware text;
alter table jobs add column leaves_settings text;
alter table jobs add column stopped text;               -- why its last run stopped
alter table jobs add column estimate_us integer;
alter table jobs add column took_us integer;
alter table steps add column took_us integer;
";

/// Opens the file, and makes it where it is missing.
pub(super) fn open_or_create(path: &Path) -> Result<Connection, RecordError> {
    if let Some(above) = path.parent() {
        folder::create(above)?;
    }
    let mut connection = connect(path, OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE)?;
    bring_up_to_date(path, &mut connection)?;
    Ok(connection)
}

/// Opens the file; `None` where there is none.
pub(super) fn open_existing(path: &Path) -> Result<Option<Connection>, RecordError> {
    if !path.exists() {
        return Ok(None);
    }
    let mut connection = connect(path, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
    // Begun by a process that was killed before it could make the tables.
    if is_empty(path, &connection)? {
        return Ok(None);
    }
    bring_up_to_date(path, &mut connection)?;
    Ok(Some(connection))
}

/// A rollback journal and not a write-ahead log: it works on every file system, network shares too, leaves a single file behind
/// that can be copied, and a job writes only a few dozen times. EXTRA is FULL, and also syncs the folder once the rollback
/// journal is gone; without that a power cut could bring it back and undo a step that has been acknowledged.
fn connect(path: &Path, flags: OpenFlags) -> Result<Connection, RecordError> {
    let open = || {
        let connection = Connection::open_with_flags(path, flags | OpenFlags::SQLITE_OPEN_NO_MUTEX)?;
        connection.busy_timeout(BUSY)?;
        connection.pragma_update(None, "synchronous", "extra")?;
        connection.pragma_update(None, "foreign_keys", true)?;
        connection.pragma_update_and_check(None, "journal_mode", "delete", |_| Ok(()))?;
        Ok(connection)
    };
    open().map_err(|error| fault(path, "open", error))
}

fn is_empty(path: &Path, connection: &Connection) -> Result<bool, RecordError> {
    let tables = connection.query_row("select count(*) from sqlite_schema", [], |row| row.get::<_, i64>(0));
    tables.map(|count| count == 0).map_err(|error| fault(path, "read", error))
}

/// Makes the tables of this version, out of nothing or of those of an earlier one, in one transaction. Another process may be doing the
/// same, so it is looked at again once this one alone may write.
fn bring_up_to_date(path: &Path, connection: &mut Connection) -> Result<(), RecordError> {
    if version(path, connection)? == VERSION {
        return Ok(());
    }
    let failed = |error| fault(path, "bring up to date", error);
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(failed)?;
    let found = version(path, &transaction)?;
    for made in VERSIONS.iter().skip(found as usize) {
        transaction.execute_batch(made).map_err(failed)?;
    }
    transaction.pragma_update(None, "user_version", VERSION).map_err(failed)?;
    transaction.pragma_update(None, "application_id", APPLICATION).map_err(failed)?;
    transaction.commit().map_err(failed)
}

/// The version of the file's tables: 0 for an empty file.
fn version(path: &Path, connection: &Connection) -> Result<i64, RecordError> {
    if is_empty(path, connection)? {
        return Ok(0);
    }
    let read = |name| connection.pragma_query_value(None, name, |row| row.get::<_, i64>(0)).map_err(|error| fault(path, "read", error));
    match (read("application_id")?, read("user_version")?) {
        (application, _) if application != APPLICATION => Err(RecordError::NotAJournal { path: path.to_owned() }),
        (_, found @ 1..=VERSION) => Ok(found),
        (_, found @ ..=0) => {
            Err(RecordError::Malformed { path: path.to_owned(), what: format!("format {found}, and the first there ever was is 1") })
        }
        (_, found) => Err(RecordError::TooNew { path: path.to_owned(), newest: VERSION, found }),
    }
}

/// An error of SQLite in the words of this module.
pub(super) fn fault(path: &Path, doing: &'static str, source: rusqlite::Error) -> RecordError {
    let path = path.to_owned();
    match source.sqlite_error_code() {
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => RecordError::JournalBusy { path, waited_s: BUSY.as_secs() },
        Some(ErrorCode::NotADatabase) => RecordError::NotAJournal { path },
        _ => RecordError::Journal { doing, path, source },
    }
}
