//! A plan as text and as JSON.

use super::output;
use crate::board::Chip;
use crate::image::{Memory, Span};
use crate::plan::{Step, StepKind};
use serde_json::{Value, json};
use std::time::Duration;

/// What a step does, in a few words.
pub fn title(step: &Step, chip: &Chip) -> String {
    let name = |byte: usize| chip.configuration.get(byte).map_or("?", |byte| byte.name.as_str());
    match &step.kind {
        StepKind::Enter { slowest_first: false } => "enter programming mode".into(),
        StepKind::Enter { slowest_first: true } => "leave and enter again, slowly first".into(),
        StepKind::Erase => "erase the chip".into(),
        StepKind::WriteFlash { region, .. } => format!("write {region}"),
        StepKind::WriteEeprom { .. } => "write EEPROM".into(),
        StepKind::WriteConfiguration { byte, value } => format!("set configuration {} to 0x{value:02X}", name(*byte)),
        StepKind::WriteLock { value } => format!("set lock to 0x{value:02X}"),
        StepKind::Verify { .. } => "verify".into(),
        StepKind::Release => "let the chip go".into(),
    }
}

/// Prints the steps as a table, a reason under each.
pub fn print<'s>(steps: impl Iterator<Item = &'s Step> + Clone, chip: &Chip) {
    if steps.clone().next().is_none() {
        return output::say("Plan: nothing is left to do, because the board holds all that is wanted of it.");
    }
    let total: Duration = steps.clone().map(|step| step.estimate).sum();
    output::line(format!("Plan: {} steps, about {}", steps.clone().count(), output::seconds(total)));
    for (n, step) in steps.enumerate() {
        let size = if step.bytes > 0 { output::bytes(step.bytes.into()) } else { String::new() };
        let (does, place, time) = (title(step, chip), place(step), output::seconds(step.estimate));
        output::line(format!("{:>4}  {does:<36} {place:<34} {size:>9} {time:>8}", n + 1));
        output::say_under("      ", &step.reason);
    }
}

/// The steps as JSON: `step`, `does`, `reason`, `bytes`, `estimate_us`, `spans`.
pub fn as_json<'s>(steps: impl Iterator<Item = &'s Step>, chip: &Chip) -> Value {
    let row = |(n, step): (usize, &Step)| {
        json!({
            "step": n + 1, "does": title(step, chip), "reason": step.reason, "bytes": step.bytes,
            "estimate_us": step.estimate.as_micros() as u64, "spans": spans(step),
        })
    };
    steps.enumerate().map(row).collect()
}

/// Where a step works: a span, or the parts that it compares.
fn place(step: &Step) -> String {
    match &step.kind {
        StepKind::WriteFlash { span, .. } | StepKind::WriteEeprom { span, .. } => span.to_string(),
        StepKind::Verify { spans, configuration, lock } => {
            let mut parts: Vec<&str> = spans.iter().map(|(memory, _)| memory.name()).collect();
            parts.dedup();
            parts.extend(configuration.then_some("configuration"));
            parts.extend(lock.then_some("lock"));
            parts.join(", ")
        }
        _ => String::new(),
    }
}

fn spans(step: &Step) -> Vec<Value> {
    let one = |memory: Memory, span: Span| json!({"memory": memory, "start": span.start(), "end": span.end()});
    match &step.kind {
        StepKind::WriteFlash { span, .. } => vec![one(Memory::Flash, *span)],
        StepKind::WriteEeprom { span, .. } => vec![one(Memory::Eeprom, *span)],
        StepKind::Verify { spans, .. } => spans.iter().map(|(memory, span)| one(*memory, *span)).collect(),
        _ => Vec::new(),
    }
}
