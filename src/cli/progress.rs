//! The progress line: a sentence on stderr, on a terminal only.

use super::output;
use crate::job::Event;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// Shows a job's events as one line that is rewritten.
pub struct Progress {
    line: ProgressBar,
    /// What each step does.
    titles: Vec<String>,
    /// The sentence about the step in hand.
    step: String,
}

impl Progress {
    /// A line that appears only where stderr is a terminal.
    pub fn new() -> Progress {
        let line = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr_with_hz(20));
        line.set_style(ProgressStyle::with_template("{msg}").unwrap_or_else(|_| ProgressStyle::default_spinner()));
        Progress { line, titles: Vec::new(), step: String::new() }
    }

    /// What each step of the plan does, in its order.
    pub fn name_steps(&mut self, titles: Vec<String>) {
        self.titles = titles;
    }

    /// Takes in an event.
    pub fn show(&mut self, event: &Event) {
        match event {
            Event::Reading { memory, done, of } => {
                self.line.set_message(format!("reading {}  {} of {}", memory.name(), output::bytes(*done), output::bytes(*of)));
            }
            Event::StepBegun { index, of } => {
                let does = self.titles.get(*index).map_or("", String::as_str);
                self.step = format!("step {} of {of}  {does}", index + 1);
                self.line.set_message(self.step.clone());
            }
            Event::StepProgress { done, of, left } => {
                let left = left.as_secs_f64().ceil();
                let message = format!("{}  {} of {}  about {left} s left", self.step, output::bytes(*done), output::bytes(*of));
                self.line.set_message(message);
            }
            Event::StepDone { .. } => {}
        }
    }

    /// Shows a sentence of its own.
    pub fn say(&self, sentence: String) {
        self.line.set_message(sentence);
    }

    /// Takes the line away.
    pub fn clear(&self) {
        self.line.finish_and_clear();
    }
}
