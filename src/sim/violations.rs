//! What was done to the chip although its datasheet forbids it.

use crate::time::Moment;
use serde::{Deserialize, Serialize};

/// One thing that a datasheet forbids.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Violation {
    /// When, by the sim's clock.
    pub at: Moment,
    /// What, in words.
    pub text: String,
}

/// How many are kept with their text; beyond, they are only counted.
const LISTED: usize = 100;

/// All that has happened to one board.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Violations {
    /// How many there were.
    pub count: u64,
    /// The first hundred of them.
    pub list: Vec<Violation>,
}

impl Violations {
    pub(super) fn add(&mut self, at: Moment, text: String) {
        self.count += 1;
        if self.list.len() < LISTED {
            self.list.push(Violation { at, text });
        }
    }
}
