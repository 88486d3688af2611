//! `farrier snapshot compare`: what two snapshots hold differently.

use super::board_view;
use super::context::{BY_OPTION, Context};
use super::map::{self, Mark};
use super::output;
use super::parts::{self, Part};
use super::snapshot::head_json;
use super::stop::{Code, Stop};
use super::typed::quoted;
use crate::board::{Board, Chip, Setting};
use crate::image::{Comparison, Image, Memory, Span, compare};
use crate::record::Snapshot as Kept;
use serde_json::{Value, json};
use std::process::ExitCode;

/// What two snapshots hold of a part of a memory.
struct Compared {
    part: Part,
    found: Comparison,
    /// Whether neither holds all of it: then nothing shows that it is the same.
    unknown: bool,
}

/// Two settings of one field.
struct Setting2<'c> {
    a: Setting<'c>,
    b: Setting<'c>,
}

/// Compares and says what differs.
///
/// # Errors
/// Snapshots of two kinds of chip; a board that is not in the catalog.
pub fn run(context: &Context, a: &Kept, b: &Kept) -> Result<ExitCode, Stop> {
    let ((board, chip), from) = match context.named_board()? {
        Some(named) => (named, BY_OPTION),
        None => (context.catalog.board(&a.head.info.board)?, "named by the first snapshot"),
    };
    let (of_a, of_b) = (&a.head.info.chip, &b.head.info.chip);
    if of_a != of_b {
        let what = format!("{} is of a chip {of_a}, and {} of a chip {of_b}: they have nothing in common", a.name(), b.name());
        return Err(Stop::new(Code::Differs, what));
    }
    let compared: Vec<Compared> = parts::of(&board, &chip).into_iter().map(|part| Compared::of(part, a, b)).collect();
    let fields = fields(&chip, a, b);
    let identity = identity(a, b);
    let alike = compared.iter().all(Compared::alike) && fields.as_ref().is_some_and(Vec::is_empty);
    match context.global.json {
        true => output::json(&json!({
            "alike": alike, "a": head_json(&a.head), "b": head_json(&b.head),
            "calibration": [a.observed.calibration, b.observed.calibration],
            "parts": compared.iter().map(Compared::json).collect::<Vec<_>>(), "fields": fields.as_deref().map(fields_json),
        })),
        false => {
            board_view::introduce(&board, &chip, from);
            print(&Pair { a, b, board: &board, chip: &chip }, &compared, fields.as_deref(), identity, alike);
        }
    }
    Ok(if alike { ExitCode::SUCCESS } else { ExitCode::from(Code::Differs as u8) })
}

impl Compared {
    fn of(part: Part, a: &Kept, b: &Kept) -> Compared {
        let held = |kept: &Kept| kept.observed.memory(part.memory).map(|contents| part.of(&contents.bytes)).unwrap_or_default();
        let (a, b) = (held(a), held(b));
        let whole = |image: &Image| part.spans.iter().all(|span| image.covers(*span));
        let unknown = !whole(&a) && !whole(&b);
        Compared { found: compare(&a, &b), unknown, part }
    }

    fn alike(&self) -> bool {
        self.found.alike() && !self.unknown
    }

    fn words(&self) -> String {
        let count = |spans: &[Span]| spans.iter().map(|span| u64::from(span.len())).sum::<u64>();
        let mut words = Vec::new();
        match (self.found.different_bytes(), self.found.first) {
            (differ, Some((at, in_a, in_b))) => {
                let places = self.found.differing.len();
                let places = if places == 1 { "one place".to_owned() } else { format!("{places} places") };
                words.push(format!(
                    "{differ} bytes differ in {places}, at {at} first: 0x{in_a:02X} in the first, 0x{in_b:02X} in the second"
                ));
            }
            _ if self.found.same > 0 && self.alike() => words.push("the same".to_owned()),
            _ => {}
        }
        for (only, which) in [(&self.found.only_expected, "the first"), (&self.found.only_found, "the second")] {
            if !only.is_empty() {
                words.push(format!("only {which} holds {} of it", output::bytes(count(only))));
            }
        }
        if self.unknown {
            words.push("neither holds all of it".to_owned());
        }
        words.join("; ")
    }

    fn json(&self) -> Value {
        let first = self.found.first.map(|(at, a, b)| json!({ "at": at, "a": a, "b": b }));
        json!({
            "memory": self.part.memory, "name": self.part.name, "spans": self.part.spans, "bytes": self.part.bytes(), "alike": self.alike(),
            "same": self.found.same, "differing": self.found.differing, "only_a": self.found.only_expected, "only_b": self.found.only_found,
            "first": first,
        })
    }
}

/// The fields of configuration and lock that differ; `None` where one of the two does not hold them.
fn fields<'c>(chip: &'c Chip, a: &Kept, b: &Kept) -> Option<Vec<Setting2<'c>>> {
    let of = |kept: &Kept| Some((chip.decode(kept.observed.configuration.as_deref()?), chip.decode_lock(kept.observed.lock?)));
    let ((fields_a, lock_a), (fields_b, lock_b)) = (of(a)?, of(b)?);
    let all = fields_a.into_iter().chain(lock_a).zip(fields_b.into_iter().chain(lock_b));
    Some(all.filter(|(a, b)| a.bits != b.bits).map(|(a, b)| Setting2 { a, b }).collect())
}

fn fields_json(fields: &[Setting2]) -> Vec<Value> {
    let one = |setting: &Setting| json!({ "value": setting.name(), "words": setting.words() });
    fields.iter().map(|pair| json!({ "field": pair.a.field.name, "a": one(&pair.a), "b": one(&pair.b) })).collect()
}

/// What the chips themselves say, where that differs.
fn identity(a: &Kept, b: &Kept) -> Option<String> {
    match (a.observed.calibration, b.observed.calibration) {
        (Some(a), Some(b)) if a != b => Some(format!("the calibration bytes differ (0x{a:02X}, then 0x{b:02X}): these are two chips")),
        _ => None,
    }
}

struct Pair<'a> {
    a: &'a Kept,
    b: &'a Kept,
    board: &'a Board,
    chip: &'a Chip,
}

fn print(pair: &Pair, compared: &[Compared], fields: Option<&[Setting2]>, identity: Option<String>, alike: bool) {
    for (label, kept) in [("First    ", pair.a), ("Second   ", pair.b)] {
        let info = &kept.head.info;
        let tag = info.tag.as_deref().map(|tag| format!(", tag {tag}")).unwrap_or_default();
        let incomplete = if kept.head.is_complete() { "" } else { ", incomplete" };
        let when = humantime::format_rfc3339_seconds(info.date);
        output::say_under(label, format!("{}: {} ({}), taken {when}{tag}{incomplete}", kept.name(), info.board, info.chip));
    }
    if let Some(identity) = identity {
        output::say_under("Chip     ", identity);
    }
    output::gap();
    for one in compared {
        let label = format!("{:<8} {:<16} {:>10}  ", one.part.memory.name(), one.part.name, output::bytes(one.part.bytes().into()));
        output::say_under(&label, one.words());
    }
    match fields {
        None => output::say("Configuration and lock are not in both, so they cannot be compared."),
        Some([]) => output::say("Configuration and lock are the same."),
        Some(fields) => {
            output::line("Configuration and lock:");
            for Setting2 { a, b } in fields {
                output::say_under(&format!("  {:<20} first:  {:<24} ", a.field.name, a.name()), a.words());
                output::say_under(&format!("  {:<20} second: {:<24} ", "", b.name()), b.words());
            }
        }
    }
    draw(pair, compared);
    output::gap();
    output::say(if alike { "They hold the same." } else { "They differ." });
    output::next(format!("farrier snapshot show {}", quoted(&pair.b.path.display().to_string())));
}

/// The flash with the places that differ.
fn draw(pair: &Pair, compared: &[Compared]) {
    let flash = |one: &&Compared| one.part.memory == Memory::Flash;
    let differing: Vec<Span> = compared.iter().filter(flash).flat_map(|one| one.found.differing.iter().copied()).collect();
    if differing.is_empty() {
        return;
    }
    let reserved = pair.board.reservation.as_ref().map(|reservation| ("loader", reservation.span));
    let application = Some(("application", pair.board.application(pair.chip)));
    let parts = [application, reserved].into_iter().flatten().map(|(label, span)| Mark { span, label });
    let marks: Vec<Mark> = parts.chain(differing.iter().map(|span| Mark { span: *span, label: "differs" })).collect();
    output::gap();
    for line in map::draw(pair.chip.flash_span(), &marks, "nothing", output::WIDTH, output::ink()) {
        output::line(line);
    }
}
