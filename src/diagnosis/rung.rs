//! A rung of the ladder: a question, what was seen, and what that rules out.

use serde::Serialize;

/// How a rung came out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// As it should be.
    Fine,
    Wrong,
    /// It could not be measured, or nothing says what it should be.
    Unknown,
}

/// One rung.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Rung {
    /// kebab-case, stable.
    pub name: &'static str,
    pub question: &'static str,
    pub verdict: Verdict,
    /// What was seen, as sentences.
    pub seen: String,
    /// What that rules out; nothing where it rules out nothing.
    pub rules_out: Option<&'static str>,
}

impl Rung {
    pub(super) fn new(name: &'static str, question: &'static str, verdict: Verdict, seen: impl Into<String>) -> Rung {
        Rung { name, question, verdict, seen: seen.into(), rules_out: None }
    }

    /// What it rules out where it came out fine.
    pub(super) fn rules_out(mut self, what: &'static str) -> Rung {
        self.rules_out = (self.verdict == Verdict::Fine).then_some(what);
        self
    }
}

/// `Fine` or `Wrong`.
pub(super) fn verdict(fine: bool) -> Verdict {
    if fine { Verdict::Fine } else { Verdict::Wrong }
}
