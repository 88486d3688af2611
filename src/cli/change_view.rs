//! What a command that changes a board says: before it asks, and when it is over.

use super::change::{Decided, Scene};
use super::console::Watched;
use super::stop::Stop;
use super::typed::{self, command_without};
use super::{board_view, output, plan_view, safety};
use crate::job::Report;
use crate::plan::Observed;
use crate::record::JobId;
use serde_json::{Value, json};
use std::process::ExitCode;

/// What no result says it has checked, and what none says where nobody listened.
const NOT_CHECKED: &str = "whether the clock is accurate, what the outputs do";
const NOT_WATCHED: &str = "whether the clock is accurate, what the outputs do, what the firmware says on its console";

impl Scene<'_> {
    /// The board, what goes on from where, the plan and its findings, as text.
    pub fn show(&self, decided: &Decided, first_write: bool) {
        if self.context.global.json {
            return;
        }
        if decided.told.is_none() {
            self.introduce();
            if let Some(known) = decided.known.words() {
                output::say_under("Known    ", known);
            }
        }
        if let Some(inherited) = &decided.baseline.inherited {
            let what = format!("job {}, which was not finished; kept is what {} holds", inherited.job, inherited.snapshot.as_str());
            output::say_under("Goes on  ", what);
        }
        if let Some(snapshot) = &decided.back_to {
            output::say_under("Back to  ", format!("what the snapshot {snapshot} holds"));
        }
        output::gap();
        safety::print(self.board, first_write);
        plan_view::print(decided.plan.steps().iter(), self.chip);
        output::gap();
        for finding in &decided.findings {
            output::finding(finding);
        }
        if !decided.findings.is_empty() {
            output::gap();
        }
    }

    /// Which board it is, as text.
    pub fn introduce(&self) {
        board_view::introduce(self.board, self.chip, self.board_from);
        output::simulated(self.simulated);
    }

    pub fn nothing_to_do(&self, decided: &Decided, watched: Option<&Watched>) -> Result<ExitCode, Stop> {
        if self.context.global.json {
            output::json(&self.result_json(decided, "unchanged", json!({ "watched": watched.map(Watched::as_json) })));
        } else {
            if decided.told.is_none() {
                self.introduce();
            }
            output::say(self.change.already);
            if let Some(watched) = watched {
                watched.tell();
            }
            let Observed { flash, configuration, .. } = &decided.observed;
            output::say_under("Room         ", board_view::room(&flash.bytes, configuration.as_deref(), self.board, self.chip));
            output::next_of(&(self.change.next)(self.board, &typed::at(self.via)));
        }
        Ok(Watched::code(watched))
    }

    pub fn dry_run_over(&self, decided: &Decided) -> Result<ExitCode, Stop> {
        if self.context.global.json {
            output::json(&self.result_json(decided, "planned", json!({})));
        } else {
            tell_dry_run(&command_without("--dry-run"));
        }
        Ok(ExitCode::SUCCESS)
    }

    pub fn finished(&self, decided: &Decided, job: JobId, report: &Report, watched: Option<&Watched>) -> Result<ExitCode, Stop> {
        let ended = Watched::code(watched);
        let not_checked = if watched.is_some() { NOT_CHECKED } else { NOT_WATCHED };
        let desired = decided.plan.desired();
        let room = board_view::room(&desired.flash, Some(&desired.configuration), self.board, self.chip);
        let kept = decided.baseline.inherited.as_ref().map(|inherited| inherited.snapshot.clone());
        if self.context.global.json {
            let more = json!({
                "job": job, "took_us": report.took.as_micros() as u64, "checksummed": report.proof.checksummed,
                "read": report.proof.read, "not_checked": not_checked, "baseline": kept,
                "watched": watched.map(Watched::as_json),
            });
            output::json(&self.result_json(decided, "done", more));
            return Ok(ended);
        }
        output::say(format!("Done. {}", self.change.done));
        let as_read = decided.plan.changes_nothing();
        let proved =
            if as_read { "all that was read of the board is as wanted; nothing was written".to_owned() } else { report.proof.to_string() };
        output::say_under("Proved       ", proved);
        output::say_under("Not checked  ", not_checked);
        if let Some(watched) = watched {
            watched.tell();
        }
        let (took, planned) = (output::seconds(report.took), output::seconds(decided.plan.estimate()));
        let how = match &decided.baseline.inherited {
            Some(inherited) if as_read => format!("{job}, which ends job {}; nothing was left to do", inherited.job),
            _ => format!("{job}, in {took} (planned: {planned})"),
        };
        output::say_under("Job          ", how);
        output::say_under("Room         ", room);
        output::next_of(&(self.change.next)(self.board, &typed::at(self.via)));
        Ok(ended)
    }

    fn result_json(&self, decided: &Decided, result: &str, more: Value) -> Value {
        let mut document = json!({
            "result": result, "board": self.board.name, "chip": self.chip.part, "via": self.via, "simulated": self.simulated,
            "plan": plan_view::as_json(decided.plan.steps().iter(), self.chip), "findings": decided.findings,
            "rehearsed": decided.rehearsed,
        });
        if let (Value::Object(document), Value::Object(more)) = (&mut document, more) {
            document.extend(more);
            document.extend(decided.told.iter().map(|told| ("diagnosis".to_owned(), told.clone())));
        }
        document
    }
}

/// The end of a dry run, as text, and the command that carries it out.
pub fn tell_dry_run(command: &str) {
    output::say("This was a dry run: nothing was changed.");
    output::next(command);
}
