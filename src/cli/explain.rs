//! `farrier explain`: what a finding, a cause of `revive` or a word means.

use super::context::Context;
use super::stop::Stop;
use super::words::{WORDS, Word};
use super::{explain_last, output};
use crate::diagnosis::CauseKind;
use crate::finding::{Kind, Severity};
use crate::reader::{near_it, nearest};
use clap::Args;
use serde_json::{Value, json};
use std::process::ExitCode;

/// Say what a finding, a cause that revive names, or a word means.
///
/// Without a name: all of them. With --last: each finding of the last run, with its numbers, whether a job began or not.
#[derive(Args, Debug)]
#[command(after_help = "Example: farrier explain settings-lost\nExample: farrier explain way in\nExample: farrier explain --last")]
pub struct Explain {
    /// A finding's or a cause's name, or a word.
    pub name: Vec<String>,
    /// Tell what the last run found that made a plan or was refused.
    #[arg(long, conflicts_with = "name")]
    pub last: bool,
}

impl Explain {
    /// Prints it.
    ///
    /// # Errors
    /// A name that nothing has.
    pub fn run(self, context: &Context) -> Result<ExitCode, Stop> {
        if self.last {
            return explain_last::run(context);
        }
        if self.name.is_empty() {
            list(context);
            return Ok(ExitCode::SUCCESS);
        }
        let entry =
            find(&self.name.join(" ")).map_err(|unknown| Stop::usage(unknown.to_string()).hint("All names:").command("farrier explain"))?;
        if context.global.json {
            output::json(&entry.json());
            return Ok(ExitCode::SUCCESS);
        }
        output::line(format!("{} ({})", entry.name(), entry.kind()));
        output::say(entry.meaning());
        if let Some(what) = entry.what_to_do() {
            output::say(what);
        }
        output::next("farrier explain");
        Ok(ExitCode::SUCCESS)
    }
}

fn list(context: &Context) {
    if context.global.json {
        return output::json(&json!({ "entries": all().map(Entry::json).collect::<Vec<_>>() }));
    }
    let mut kind = "";
    for entry in all() {
        if entry.kind() != kind {
            kind = entry.kind();
            output::line(format!("{kind}:"));
        }
        output::say_under(&format!("  {:<34}", entry.name()), entry.in_short());
    }
    output::next("farrier explain settings-lost");
}

/// A name that nothing has.
#[derive(Debug, PartialEq, Eq, thiserror::Error)]
#[error("no finding and no word is called {asked:?}{}", near_it(near))]
pub struct Unknown {
    pub asked: String,
    /// The names most like it, the best first; perhaps none.
    pub near: Vec<&'static str>,
}

/// Something that can be explained.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Entry {
    Finding(Kind),
    Cause(CauseKind),
    Word(&'static Word),
}

/// Everything that can be explained: findings and causes in the order of their tables, then words.
pub fn all() -> impl Iterator<Item = Entry> {
    let causes = CauseKind::ALL.iter().copied().map(Entry::Cause);
    Kind::ALL.iter().copied().map(Entry::Finding).chain(causes).chain(WORDS.iter().map(Entry::Word))
}

/// The entry of a name. Capitals, and whether its parts are joined by hyphens, do not matter.
///
/// # Errors
/// The names most like it.
pub fn find(asked: &str) -> Result<Entry, Unknown> {
    let wanted = plain(asked);
    all()
        .find(|entry| plain(entry.name()) == wanted)
        .ok_or_else(|| Unknown { asked: asked.to_owned(), near: nearest(asked.trim(), all().map(Entry::name)) })
}

fn plain(name: &str) -> String {
    let parts: Vec<&str> = name.split(|c: char| c.is_whitespace() || c == '-' || c == '_').filter(|part| !part.is_empty()).collect();
    parts.join(" ").to_lowercase()
}

impl Entry {
    pub fn name(self) -> &'static str {
        match self {
            Entry::Finding(kind) => kind.name(),
            Entry::Cause(kind) => kind.name(),
            Entry::Word(word) => word.word,
        }
    }

    /// What it is: `word`, `cause that revive names`, or the finding's severity.
    pub fn kind(self) -> &'static str {
        match self {
            Entry::Finding(kind) => match kind.severity() {
                Severity::Refuse => "finding that refuses",
                Severity::Consent => "finding that asks for consent",
                Severity::Note => "note",
            },
            Entry::Cause(_) => "cause that revive names",
            Entry::Word(_) => "word",
        }
    }

    /// What it means.
    pub fn meaning(self) -> &'static str {
        match self {
            Entry::Finding(kind) => kind.explanation(),
            Entry::Cause(kind) => kind.explanation(),
            Entry::Word(word) => word.meaning,
        }
    }

    /// The first sentence of its meaning.
    pub fn in_short(self) -> &'static str {
        let meaning = self.meaning();
        meaning.find(". ").map_or(meaning, |end| &meaning[..=end])
    }

    /// What to do about it; causes and words ask for nothing.
    pub fn what_to_do(self) -> Option<String> {
        let Entry::Finding(kind) = self else { return None };
        let name = kind.name();
        Some(match kind.severity() {
            Severity::Refuse => "Nothing lifts it, and no step is taken. Put right what it names, then give the command again.".to_owned(),
            Severity::Consent => format!(
                "To go on all the same, type {name} at the question, or add --accept {name} to the command. The consent holds only for the \
                 stakes that were shown: if more is at stake the next time, it is asked again."
            ),
            Severity::Note => "Nothing is asked of you; the job goes on.".to_owned(),
        })
    }

    /// `name`, `kind` (`finding`, `cause` or `word`), `meaning`; for a finding also `severity` (`refuse`, `consent` or `note`) and
    /// `what_to_do`.
    pub fn json(self) -> Value {
        match self {
            Entry::Finding(kind) => json!({
                "name": self.name(), "kind": "finding", "severity": kind.severity(), "meaning": self.meaning(),
                "what_to_do": self.what_to_do(),
            }),
            Entry::Cause(_) => json!({ "name": self.name(), "kind": "cause", "meaning": self.meaning() }),
            Entry::Word(_) => json!({ "name": self.name(), "kind": "word", "meaning": self.meaning() }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn every_name_finds_its_own_entry() {
        for entry in all() {
            assert_eq!(find(entry.name()), Ok(entry));
            assert!(!entry.meaning().is_empty(), "{}", entry.name());
        }
        let names: BTreeSet<String> = all().map(|entry| plain(entry.name())).collect();
        assert_eq!(names.len(), Kind::ALL.len() + CauseKind::ALL.len() + WORDS.len(), "two entries with one name");
    }

    #[test]
    fn how_a_name_is_written_does_not_matter() {
        for asked in ["way in", "Way-In", " way_in "] {
            assert_eq!(find(asked).map(Entry::name), Ok("way in"));
        }
        assert_eq!(find("Settings Lost"), Ok(Entry::Finding(Kind::SettingsLost)));
    }

    #[test]
    fn a_mistyped_name_gives_the_nearest() {
        let near = |asked: &str| find(asked).expect_err("no entry has this name").near;
        assert_eq!(near("setings-lost")[0], "settings-lost");
        assert_eq!(near("wrong-chop")[0], "wrong-chip");
        assert_eq!(near("snapshto")[0], "snapshot");
        assert!(near("overlaps").contains(&"image-overlaps-loader"));
        assert!(near("locked").contains(&"readout-locked"));
        assert_eq!(near("zzzz"), Vec::<&str>::new());
        assert_eq!(near(""), Vec::<&str>::new());
        assert!(near("settings").len() <= crate::reader::OFFERED);
        let error = find("wrong-chop").expect_err("no entry has this name").to_string();
        assert!(error.starts_with("no finding and no word is called \"wrong-chop\"; near it: wrong-chip"), "{error}");
    }

    #[test]
    fn what_to_do_follows_the_severity() {
        let what = |kind: Kind| Entry::Finding(kind).what_to_do().unwrap_or_default();
        assert!(what(Kind::WrongChip).contains("Nothing lifts it"));
        assert!(what(Kind::SettingsLost).contains("--accept settings-lost"));
        assert!(what(Kind::LittleRoomLeft).contains("Nothing is asked"));
        assert_eq!(find("tag").map(Entry::what_to_do), Ok(None));
    }

    #[test]
    fn json_has_the_described_fields_and_no_other() {
        let fields =
            |entry: Entry| entry.json().as_object().map(|object| object.keys().cloned().collect::<BTreeSet<_>>()).unwrap_or_default();
        for entry in all() {
            let expected: &[&str] = match entry {
                Entry::Finding(_) => &["name", "kind", "severity", "meaning", "what_to_do"],
                Entry::Cause(_) | Entry::Word(_) => &["name", "kind", "meaning"],
            };
            assert_eq!(fields(entry), expected.iter().map(|field| field.to_string()).collect());
        }
        assert_eq!(Entry::Finding(Kind::WrongChip).json()["severity"], "refuse");
    }

    #[test]
    fn in_short_is_the_first_sentence() {
        for entry in all() {
            assert!(entry.meaning().starts_with(entry.in_short()) && entry.in_short().ends_with('.'), "{}", entry.name());
        }
        assert_eq!(find("little-room-left").map(Entry::in_short), Ok("Less than a tenth of the application's flash is free."));
    }
}
