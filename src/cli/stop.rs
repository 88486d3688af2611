//! How a command ends when it does not end well: one place makes text, JSON and exit code of every error.

use super::typed::{command_again, command_for_this_board, command_help, command_with_clock_output};
use crate::algorithm::AlgorithmError;
use crate::algorithm::avr_spi::{NoAnswer, Wiring};
use crate::board::CatalogError;
use crate::bus::{BusError, LineLevels};
use crate::finding::{Finding, Severity};
use crate::image::ImageError;
use crate::job::JobError;
use crate::plan::DesireError;
use crate::record::RecordError;
use crate::sim::{StoreError, is_path};
use serde_json::{Value, json};
use std::process::ExitCode;

/// The exit codes, 0 left out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Code {
    /// The check failed or differs.
    Differs = 1,
    /// Usage or bad input.
    Usage = 2,
    /// Refused, or a consent is missing.
    Refused = 3,
    /// No answer from bridge or chip.
    NoAnswer = 4,
    /// Interrupted; the same command goes on from there.
    Interrupted = 5,
}

/// Why a command stopped.
#[derive(Clone, Debug)]
pub struct Stop {
    code: Code,
    message: String,
    /// What to do next, in the order in which it is told.
    next: Vec<Next>,
    findings: Vec<Finding>,
    /// What supply and lines showed, for programs; the message has it in words.
    evidence: Option<Value>,
}

/// A line of what to do next.
#[derive(Clone, Debug)]
enum Next {
    /// A sentence, broken into lines where it must be.
    Hint(String),
    /// A command to type, never broken.
    Command(String),
}

impl Stop {
    pub fn new(code: Code, message: impl Into<String>) -> Stop {
        Stop { code, message: message.into(), next: Vec::new(), findings: Vec::new(), evidence: None }
    }

    /// Findings of which one, at least, nothing lifts.
    pub fn refused(findings: Vec<Finding>) -> Stop {
        let stop = Stop::new(Code::Refused, "this is refused, and nothing was changed");
        let stop = match findings.iter().find(|finding| finding.severity() == Severity::Refuse) {
            Some(refuses) => stop.hint("What that means:").command(format!("farrier explain {}", refuses.kind.name())),
            None => stop,
        };
        stop.findings(findings)
    }

    pub fn usage(message: impl Into<String>) -> Stop {
        Stop::new(Code::Usage, message)
    }

    pub fn code(&self) -> Code {
        self.code
    }

    /// What happened, without what to do next.
    pub fn message(&self) -> &str {
        &self.message
    }

    /// The findings that it is about.
    pub fn what_it_found(&self) -> &[Finding] {
        &self.findings
    }

    /// Adds what to do next.
    pub fn hint(mut self, hint: impl Into<String>) -> Stop {
        self.next.push(Next::Hint(hint.into()));
        self
    }

    /// Adds a command to type, which is never broken into lines.
    pub fn command(mut self, command: impl Into<String>) -> Stop {
        self.next.push(Next::Command(command.into()));
        self
    }

    /// Adds the findings that it is about.
    pub fn findings(mut self, findings: Vec<Finding>) -> Stop {
        self.findings = findings;
        self
    }

    /// Whether a command to type next is named in it.
    fn names_a_command(&self) -> bool {
        let quoted = |text: &str| text.contains("`farrier ");
        let named = |next: &Next| match next {
            Next::Hint(text) => quoted(text) || text.contains(": farrier "),
            Next::Command(_) => true,
        };
        quoted(&self.message) || self.next.iter().any(named)
    }

    /// It, with what to type next where nothing better is known.
    fn with_a_next_command(self) -> Stop {
        match self.code {
            _ if self.names_a_command() => self,
            Code::Usage => self.hint("What it takes, with an example:").command(command_help()),
            _ => self.hint("To try again:").command(command_again(&[])),
        }
    }

    /// Prints it, on stderr as text or on stdout as JSON, and gives the exit code.
    pub fn report(self, as_json: bool) -> ExitCode {
        self.with_a_next_command().print(as_json)
    }

    fn print(self, as_json: bool) -> ExitCode {
        if as_json {
            let hints = self.next.iter().filter_map(|next| if let Next::Hint(text) = next { Some(text) } else { None });
            let commands = self.next.iter().filter_map(|next| if let Next::Command(text) = next { Some(text) } else { None });
            super::output::json(&json!({
                "error": self.message, "hints": hints.collect::<Vec<_>>(), "next": commands.collect::<Vec<_>>(),
                "exit": self.code as u8, "findings": self.findings, "evidence": self.evidence,
            }));
        } else {
            super::output::error(&self.message);
            for finding in &self.findings {
                super::output::finding_asked(finding);
            }
            for next in &self.next {
                match next {
                    Next::Hint(text) => super::output::remark(text),
                    Next::Command(text) => anstream::eprintln!("  {text}"),
                }
            }
        }
        ExitCode::from(self.code as u8)
    }
}

/// Why the chip did not answer: `seen` and `look_at` in words, `tries`, and `wiring`.
fn evidence_json(found: &NoAnswer) -> Value {
    let tries = found.attempts.len();
    json!({ "seen": found.evidence.seen(), "look_at": found.look_at(), "tries": tries, "wiring": wiring_json(&found.wiring) })
}

/// `supply_mv`: null where it was not measured. `lines`: null where none was driven; `reset`, `sck` and `mosi` of each are the levels
/// that the bridge read with RESET driven high and low, SCK and MOSI low; `miso`: what it did while bytes were sent.
pub fn wiring_json(wiring: &Wiring) -> Value {
    let levels = |levels: LineLevels| json!({ "reset": levels.reset, "sck": levels.sck, "mosi": levels.mosi, "miso": levels.miso });
    let lines = wiring.lines.map(|lines| {
        let (high, low) = (levels(lines.with_reset_high), levels(lines.with_reset_low));
        json!({ "reset_high": high, "reset_low": low, "miso": lines.miso().words() })
    });
    json!({ "supply_mv": wiring.supply, "lines": lines })
}

impl From<CatalogError> for Stop {
    fn from(error: CatalogError) -> Stop {
        Stop::usage(error.to_string())
    }
}

impl From<ImageError> for Stop {
    fn from(error: ImageError) -> Stop {
        Stop::usage(error.to_string())
    }
}

impl From<RecordError> for Stop {
    fn from(error: RecordError) -> Stop {
        Stop::usage(error.to_string())
    }
}

impl From<StoreError> for Stop {
    fn from(error: StoreError) -> Stop {
        // As a port in use: no bridge answers, because another process holds it.
        let code = if matches!(error, StoreError::InUse { .. }) { Code::NoAnswer } else { Code::Usage };
        let stop = Stop::new(code, error.to_string());
        match error {
            StoreError::Unknown { name, .. } if !is_path(&name) => {
                stop.hint("To make it, for example:").command(format!("farrier sim new {name} --board vent"))
            }
            _ => stop,
        }
    }
}

impl From<DesireError> for Stop {
    fn from(error: DesireError) -> Stop {
        match error {
            DesireError::Refused(findings) => Stop::refused(findings),
            DesireError::NoResetField { .. } => Stop::usage(error.to_string())
                .hint("So it has no loader that could be fitted or taken off. What is on the board:")
                .command(command_for_this_board("inspect")),
            other => Stop::usage(other.to_string()),
        }
    }
}

impl From<JobError> for Stop {
    fn from(error: JobError) -> Stop {
        let code = match &error {
            JobError::Refused(finding) => return Stop::refused(vec![finding.clone()]),
            JobError::Algorithm(AlgorithmError::Bus { source: BusError::Stopped { .. }, .. }) => Code::Interrupted,
            JobError::Algorithm(_) => Code::NoAnswer,
            JobError::Differs(_) => Code::Differs,
            JobError::Interrupted | JobError::BoardMoved | JobError::Torn(_) => Code::Interrupted,
            JobError::Record(_) => Code::Usage,
        };
        let mut stop = Stop::new(code, error.to_string());
        let JobError::Algorithm(AlgorithmError::NoAnswer(no_answer)) = error else { return stop };
        stop.evidence = Some(evidence_json(&no_answer));
        let stop = match command_with_clock_output().filter(|_| no_answer.clock_output_untried()) {
            Some(command) => stop.hint("Once that wire is there:").command(command),
            None => stop,
        };
        stop.hint("All that it can be, and what tells it apart:").command(command_for_this_board("revive"))
    }
}

impl From<BusError> for Stop {
    fn from(error: BusError) -> Stop {
        Stop::new(Code::NoAnswer, error.to_string())
    }
}
