//! What a run found that began no job: it was refused, a consent was not given, or only a plan was wanted. `explain --last` tells it.

use super::context::{Context, date};
use super::home::Home;
use super::typed::command_again;
use crate::file;
use crate::finding::Finding;
use crate::record::Shown;
use serde::{Deserialize, Serialize};
use std::fs;
use std::time::{Duration, SystemTime};

/// What such a run found.
#[derive(Serialize, Deserialize)]
pub struct LastRun {
    /// Milliseconds since 1970.
    when: u64,
    pub command: String,
    pub findings: Vec<Shown>,
}

impl LastRun {
    pub fn date(&self) -> SystemTime {
        SystemTime::UNIX_EPOCH + Duration::from_millis(self.when)
    }

    /// The last such run; `None` where there was none, or the file makes no sense.
    pub fn of(home: &Home) -> Option<LastRun> {
        serde_json::from_slice(&fs::read(home.last_run()).ok()?).ok()
    }
}

/// Keeps what this run found. A job that begins afterwards keeps it too, and is the newer then.
pub fn keep(context: &Context, findings: &[Finding]) {
    let when = date().duration_since(SystemTime::UNIX_EPOCH).unwrap_or_default().as_millis();
    let run = LastRun {
        when: u64::try_from(when).unwrap_or(u64::MAX),
        command: command_again(&[]),
        findings: findings.iter().map(Shown::from).collect(),
    };
    // It all stands on the screen as well, so a disk that is full is no reason to stop.
    if let Ok(text) = serde_json::to_vec(&run) {
        let _ = file::replace(&context.home.last_run(), &text);
    }
}
