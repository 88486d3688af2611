//! How values stand in the journal's columns: dates as RFC 3339 texts, plans, images and consents as JSON.

use crate::image::Sha256;
use crate::record::{SnapshotName, date};
use rusqlite::types::{FromSql, FromSqlError, FromSqlResult, ToSql, ToSqlOutput, ValueRef};
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::time::{Duration, SystemTime};

/// A date in a column.
pub(super) struct Date(pub(super) SystemTime);

impl ToSql for Date {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(date::to_millisecond(self.0).into())
    }
}

impl FromSql for Date {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Date> {
        let text = value.as_str()?;
        date::parse(text).map(Date).ok_or_else(|| FromSqlError::Other(format!("{text:?} is not a date").into()))
    }
}

/// A value that stands in a column as JSON.
pub(super) struct Json<T>(pub(super) T);

impl<T: Serialize> ToSql for Json<T> {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        let text = serde_json::to_string(&self.0).map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.into()))?;
        Ok(text.into())
    }
}

impl<T: DeserializeOwned> FromSql for Json<T> {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Json<T>> {
        serde_json::from_str(value.as_str()?).map(Json).map_err(FromSqlError::other)
    }
}

impl ToSql for Sha256 {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(self.to_string().into())
    }
}

impl FromSql for Sha256 {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Sha256> {
        value.as_str()?.parse::<Sha256>().map_err(|why| FromSqlError::Other(why.into()))
    }
}

/// A duration in a column of microseconds.
pub(super) struct Micros(pub(super) Duration);

impl ToSql for Micros {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(i64::try_from(self.0.as_micros()).unwrap_or(i64::MAX).into())
    }
}

impl FromSql for Micros {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Micros> {
        let number = value.as_i64()?;
        u64::try_from(number).map(|micros| Micros(Duration::from_micros(micros))).map_err(|_| FromSqlError::OutOfRange(number))
    }
}

impl FromSql for SnapshotName {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<SnapshotName> {
        value.as_str()?.parse().map_err(FromSqlError::other)
    }
}

/// The name of a snapshot, or an empty text where none was taken: the columns have always forbidden null.
pub(super) struct Taken(pub(super) Option<SnapshotName>);

impl ToSql for Taken {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(self.0.as_ref().map_or("", SnapshotName::as_str).into())
    }
}

impl FromSql for Taken {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Taken> {
        match value.as_str()? {
            "" => Ok(Taken(None)),
            _ => SnapshotName::column_result(value).map(|name| Taken(Some(name))),
        }
    }
}

/// A number of steps, or of one step.
pub(super) struct Count(pub(super) usize);

impl ToSql for Count {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok((self.0 as i64).into())
    }
}

impl FromSql for Count {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Count> {
        let number = value.as_i64()?;
        usize::try_from(number).map(Count).map_err(|_| FromSqlError::OutOfRange(number))
    }
}
