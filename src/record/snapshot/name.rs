//! Names of snapshots.

use super::SnapshotInfo;
use crate::record::{RecordError, date};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::path::Path;
use std::str::FromStr;

/// The longest that a board's name or a tag gets in a snapshot's name; the whole of both stands in the snapshot.
const LONGEST_PART: usize = 40;

/// Letters of the date that a name begins with: `2026-11-25-090001`.
pub(super) const DATE_IN_NAME: usize = 17;

/// The name of a snapshot and of its folder: date, board and tag, so that names sort by date.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct SnapshotName(String);

impl SnapshotName {
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// The names that a new snapshot may take, the wanted one first: `2026-11-25-090001-vent-bench-3`, then with a number.
    pub(super) fn candidates(info: &SnapshotInfo) -> impl Iterator<Item = SnapshotName> {
        let date: String = date::to_second(info.date).replace('T', "-").chars().filter(|c| !matches!(c, ':' | 'Z')).collect();
        let tag = info.tag.as_deref().unwrap_or_default();
        let parts: Vec<String> = [date, plain(&info.board), plain(tag)].into_iter().filter(|part| !part.is_empty()).collect();
        let name = parts.join("-");
        (1..).map(move |number: u32| match number {
            1 => SnapshotName(name.clone()),
            _ => SnapshotName(format!("{name}-{number}")),
        })
    }
}

/// The letters and digits of a text, in lower case, with one hyphen for whatever stands between them.
fn plain(text: &str) -> String {
    let words = text.split(|c: char| !c.is_ascii_alphanumeric()).filter(|word| !word.is_empty());
    let mut name = words.collect::<Vec<_>>().join("-").to_ascii_lowercase();
    name.truncate(LONGEST_PART);
    name
}

impl FromStr for SnapshotName {
    type Err = RecordError;

    fn from_str(text: &str) -> Result<SnapshotName, RecordError> {
        // A single plain component: never a path, never hidden. Both separators, since folders travel between systems.
        let plain = Path::new(text).file_name().is_some_and(|name| name == text) && !text.contains('\\') && !text.starts_with('.');
        match plain {
            true => Ok(SnapshotName(text.to_owned())),
            false => Err(RecordError::BadSnapshotName { text: text.to_owned() }),
        }
    }
}

impl TryFrom<String> for SnapshotName {
    type Error = RecordError;

    fn try_from(text: String) -> Result<SnapshotName, RecordError> {
        text.parse()
    }
}

impl From<SnapshotName> for String {
    fn from(name: SnapshotName) -> String {
        name.0
    }
}

impl AsRef<Path> for SnapshotName {
    fn as_ref(&self) -> &Path {
        Path::new(&self.0)
    }
}

impl fmt::Display for SnapshotName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::{Duration, UNIX_EPOCH};

    fn names(board: &str, tag: Option<&str>) -> Vec<String> {
        let info = SnapshotInfo {
            board: board.to_owned(),
            chip: "ATmega1284P".to_owned(),
            tag: tag.map(str::to_owned),
            date: UNIX_EPOCH + Duration::from_secs(86_400 + 3_661),
            made_by: "test".to_owned(),
            bridge: "sim:vent".to_owned(),
            before_change: false,
            simulated: true,
            flash_bytes: 0,
            eeprom_bytes: 0,
        };
        SnapshotName::candidates(&info).take(2).map(String::from).collect()
    }

    #[test]
    fn a_name_is_date_board_and_tag() {
        assert_eq!(names("vent", None), ["1970-01-02-010101-vent", "1970-01-02-010101-vent-2"]);
        assert_eq!(names("vent", Some("Bench 3 / left"))[0], "1970-01-02-010101-vent-bench-3-left");
    }

    #[test]
    fn a_name_is_a_plain_folder_name_whatever_the_tag() {
        for tag in ["../../etc", "\\\\", "\u{e9}t\u{e9}", "..", &"x".repeat(500), ""] {
            let name = names("my/board.toml", Some(tag)).remove(0);
            assert!(name.parse::<SnapshotName>().is_ok() && name.len() < 120, "{name}");
        }
    }

    #[test]
    fn what_is_a_path_is_no_name() {
        for text in ["", ".", "..", "a/b", "/a", "a/", ".unfinished-1-0", "a\\b"] {
            assert!(text.parse::<SnapshotName>().is_err(), "{text}");
        }
    }
}
