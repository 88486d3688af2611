//! `farrier journal report`: a page about one job, to print for the owner of the board.

mod map;
mod page;

use super::told;
use crate::board::{Board, Chip, Setting};
use crate::cli::context::Context;
use crate::cli::images::write_new;
use crate::cli::output;
use crate::cli::parts;
use crate::cli::stop::Stop;
use crate::image::{Image, Memory, Span};
use crate::plan::Observed;
use crate::record::{End, JobRecord, Snapshot};
use page::{Cell, Page};
use serde_json::json;
use std::path::Path;

/// A job, and what is needed to tell of it.
struct Told<'a> {
    record: &'a JobRecord,
    board: &'a Board,
    chip: &'a Chip,
    /// The board before the first change; `None` where its snapshot is not there any more.
    before: Option<&'a Snapshot>,
}

/// Writes the page to a new file.
///
/// # Errors
/// When the file is there already or cannot be written.
pub fn write(context: &Context, record: &JobRecord, (board, chip): (&Board, &Chip), file: &Path) -> Result<(), Stop> {
    let snapshots = context.snapshots();
    let before = record.job.baseline.as_ref().map(|name| snapshots.load(snapshots.path(name))).transpose();
    let lost = before.as_ref().err().map(|why| why.to_string());
    let told = Told { record, board, chip, before: before.as_ref().ok().and_then(Option::as_ref) };
    write_new(file, told.page(lost.as_deref()).as_bytes())?;
    match context.global.json {
        true => output::json(&json!({ "file": file.display().to_string(), "job": record.job.id })),
        false => {
            output::say(format!("The report of job {} is written to {}.", record.job.id, file.display()));
            output::say("It is one file without scripts or links: open it in a browser, or print it.");
            output::next(format!("farrier journal show {}", record.job.id));
        }
    }
    Ok(())
}

impl Told<'_> {
    fn page(&self, lost: Option<&str>) -> String {
        let job = &self.record.job;
        let mut page = Page::new(&format!("Job {} on {}", job.id, self.who()));
        if job.simulated {
            page.warning("SIMULATED: this was a simulated board. No hardware was worked on, and no firmware was executed.");
        }
        self.summary(&mut page);
        page.heading("What was there");
        match (self.before, lost) {
            (Some(before), _) => self.there(&mut page, before),
            (None, Some(why)) => page.warning(&format!("The snapshot of the board before this job cannot be read: {why}")),
            (None, None) => page.paragraph("Not known: the job went through the board's loader, which reads nothing out."),
        }
        page.heading("What was done");
        self.done(&mut page);
        page.heading(if self.is_finished() { "What is there now" } else { "What should be there afterwards" });
        self.now(&mut page);
        self.memories(&mut page);
        if job.baseline.is_some() {
            self.configuration(&mut page);
        }
        page.heading("What was not checked");
        page.paragraph("Whether the clock is accurate, what the outputs do, and what the firmware says on its console.");
        page.finish(&format!("Written by {} from its journal. Dates are UTC.", crate::cli::context::MADE_BY))
    }

    fn who(&self) -> String {
        let job = &self.record.job;
        let tag = job.tag.as_ref().map(|tag| format!(", tag {tag}")).unwrap_or_default();
        format!("{} ({}){tag}", job.board, job.chip)
    }

    fn is_finished(&self) -> bool {
        matches!(self.record.job.ended, Some((_, End::Finished(_))))
    }

    fn summary(&self, page: &mut Page) {
        let job = &self.record.job;
        let mut rows = vec![("Board", format!("{}: {}", told::board(job).join(", "), self.board.summary))];
        rows.push(("Date", told::date(job.begun)));
        rows.push(("Command", job.command.clone()));
        rows.push(("Result", told::result(job)));
        rows.push(("Time", told::time(job)));
        rows.push(("Made with", format!("{}, through {}", job.made_by, job.bridge)));
        page.facts(&rows);
        if !self.is_finished() {
            page.warning("This job was not finished. What the board holds is not known from it.");
        }
    }

    fn there(&self, page: &mut Page, before: &Snapshot) {
        let held = &before.observed;
        let mut rows = vec![("Snapshot", format!("{}, taken {}", before.name(), told::date(before.head.info.date)))];
        rows.extend(self.contents(&held.flash.bytes, &held.eeprom.bytes));
        if let Some(access) = &held.access {
            let supply = access.supply.map_or("not measured".to_owned(), |supply| supply.to_string());
            rows.push(("Supply", supply));
        }
        rows.push(("Configuration", self.bytes(held.configuration.as_deref(), held.lock)));
        rows.extend(before.head.missing.iter().map(|missing| ("Not read", format!("{}: {}", missing.what, missing.reason))));
        if let (Some(_), Some(began_with)) = (self.record.job.inherits, &self.record.job.before) {
            let what = format!("This job went on from one that was cut off. When it began the board held what {} keeps.", began_with);
            page.paragraph(&what);
        }
        page.facts(&rows);
    }

    fn now(&self, page: &mut Page) {
        let desired = self.record.plan.desired();
        let mut rows = self.contents(&desired.flash, &desired.eeprom);
        // A job through the board's loader says nothing of these.
        if self.record.job.baseline.is_some() {
            rows.push(("Configuration", self.bytes(Some(&desired.configuration), Some(desired.lock))));
        }
        page.facts(&rows);
    }

    /// Flash and EEPROM, each with what can be compared with a file.
    fn contents(&self, flash: &Image, eeprom: &Image) -> Vec<(&'static str, String)> {
        let one = |image: &Image, whole: Span, blank: u8| {
            if !image.covers(whole) {
                return format!("{} of {} bytes are known", image.len(), whole.len());
            }
            let set = image.runs().flat_map(|(_, run)| run).filter(|byte| **byte != blank).count();
            format!("{set} of {} bytes are not blank; SHA-256 {}", whole.len(), image.sha256())
        };
        let (flash_span, eeprom_span) = (self.chip.flash_span(), Span::first(self.chip.eeprom.bytes));
        vec![("Flash", one(flash, flash_span, self.chip.flash.blank)), ("EEPROM", one(eeprom, eeprom_span, self.chip.eeprom.blank))]
    }

    fn bytes(&self, configuration: Option<&[u8]>, lock: Option<u8>) -> String {
        let Some(bytes) = configuration else { return "not read".to_owned() };
        let named = self.chip.configuration.iter().zip(bytes).map(|(of, byte)| format!("{} 0x{byte:02X}", of.name));
        let lock = lock.map(|lock| format!("lock 0x{lock:02X}"));
        named.chain(lock).collect::<Vec<_>>().join(", ")
    }

    fn done(&self, page: &mut Page) {
        let record = self.record;
        let images = record.images.iter().map(|image| {
            let (bytes, sum) = (output::bytes(image.bytes.into()), image.sha256.to_string());
            vec![Cell::name(&image.name), Cell::text(image.memory.name()), Cell::number(&bytes), Cell::code(&sum)]
        });
        page.table("What came from outside", &["image or snapshot", "for", "size", "SHA-256 of its bytes"], images.collect());
        let findings = told::findings(record);
        let findings = findings.iter().map(|finding| {
            let consent = if finding.accepted { "accepted" } else { "" };
            vec![Cell::text(finding.name), Cell::text(consent), Cell::text(finding.sentence)]
        });
        page.table("Findings and consents", &["finding", "consent", "what was said"], findings.collect());
        let steps = told::steps(record, self.chip);
        let steps = steps.iter().map(|step| {
            let took = step.took.map_or("-".to_owned(), output::seconds);
            vec![
                Cell::number(&step.number.to_string()),
                Cell::text(&format!("{}, {}", step.does, step.reason)),
                Cell::number(&output::seconds(step.planned)),
                Cell::number(&took),
                Cell::text(step.state),
            ]
        });
        page.table("Steps", &["", "step", "planned", "took", "state"], steps.collect());
    }

    /// Both memories, before and after, drawn to scale.
    fn memories(&self, page: &mut Page) {
        let desired = self.record.plan.desired();
        let nothing = Observed::nothing();
        let before = self.before.map_or(&nothing, |before| &before.observed);
        let parts = parts::of(self.board, self.chip);
        for (memory, title, shape) in [(Memory::Flash, "Flash", self.chip.flash), (Memory::Eeprom, "EEPROM", self.chip.eeprom)] {
            let (Some(then), Some(now)) = (before.memory(memory), desired.memory(memory)) else { continue };
            let of_memory: Vec<&parts::Part> = parts.iter().filter(|part| part.memory == memory).collect();
            let pair = map::Pair { before: &then.bytes, after: now, shape };
            let whole = output::bytes(shape.bytes.into());
            page.drawing(&format!("{title}, {whole}, drawn to scale"), &map::draw(&pair, &of_memory), &map::legend(&pair, &of_memory));
        }
    }

    fn configuration(&self, page: &mut Page) {
        let desired = self.record.plan.desired();
        let before = self.before.map(|before| &before.observed);
        let then = before.and_then(|held| held.configuration.as_deref()).map(|bytes| self.chip.decode(bytes)).unwrap_or_default();
        let then_lock = before.and_then(|held| held.lock).map(|lock| self.chip.decode_lock(lock)).unwrap_or_default();
        let mut rows = fields(&then, &self.chip.decode(&desired.configuration));
        rows.extend(fields(&then_lock, &self.chip.decode_lock(desired.lock)));
        page.table("Configuration and lock, in words", &["field", "before", "afterwards", "which means"], rows);
    }
}

/// A row a field; those that change stand out.
fn fields(before: &[Setting], after: &[Setting]) -> Vec<Vec<Cell>> {
    let row = |(n, now): (usize, &Setting)| {
        let then = before.get(n);
        let changed = then.is_some_and(|then| then.bits != now.bits);
        let value = if changed { Cell::strong(&now.name()) } else { Cell::text(&now.name()) };
        vec![Cell::text(&now.field.name), Cell::text(&then.map_or("not known".to_owned(), Setting::name)), value, Cell::text(now.words())]
    };
    after.iter().enumerate().map(row).collect()
}
