//! What a board holds, as text and as JSON: of a board on the bench, or in a snapshot.

use super::map::{self, Mark};
use super::output::{self, Offer};
use super::worth;
use crate::board::{Board, Chip, Setting};
use crate::diagnosis::Fitted;
use crate::image::{ByteAddress, Image, Span};
use crate::plan::Observed;
use crate::units::Hex;
use serde_json::{Value, json};

/// What stands in the reservation, in words.
fn loader(fitted: &Fitted, board: &Board) -> String {
    match fitted {
        Fitted::Unknown if board.reservation.is_none() => "the board file reserves no flash for one".to_owned(),
        Fitted::Unknown => "not known: the flash was not read".to_owned(),
        Fitted::Nothing => "none: its flash is blank".to_owned(),
        Fitted::BuiltIn(name) => format!("{name}, every byte as built in"),
        Fitted::Known(name) => format!("{name}, every byte of it"),
        Fitted::InPart(name, _) | Fitted::Altered(name, _) => format!("{name} in part; `farrier revive` says more"),
        Fitted::Other => match board.built_in_loader() {
            Some(_) => "something is in its flash that is not this board's built-in loader".to_owned(),
            None => "something is in its flash, and the board file names no built-in loader to hold it against".to_owned(),
        },
    }
}

/// Whether something stands in the flash that the board reserves for a loader.
pub fn has_loader(observed: &Observed, board: &Board, chip: &Chip) -> bool {
    !matches!(Fitted::of(observed, board, chip), Fitted::Unknown | Fitted::Nothing)
}

/// How much of a span is not blank, counted from its start to the last such byte.
pub fn used(held: &Image, span: Span, blank: u8) -> u32 {
    let last = held.within(span).filter_map(|(at, run)| Some(at.0 + run.iter().rposition(|byte| *byte != blank)? as u32 + 1)).last();
    last.map_or(0, |end| end - span.start().0)
}

/// The room that the application has, and how much of it is used, in words. Flash that is reserved for a loader is the application's
/// as long as nothing is there, or what is there is its own end.
pub fn room(held: &Image, configuration: Option<&[u8]>, board: &Board, chip: &Chip) -> String {
    let reserved = board.reservation.as_ref().map(|reservation| reservation.span);
    let no_loader = configuration.is_some_and(|bytes| chip.started_section(bytes).is_none());
    let runs_on = |span: Span| {
        let before = Span::new(ByteAddress(span.start().0.saturating_sub(chip.flash.page)), span.start());
        no_loader && before.is_some_and(|before| used(held, before, chip.flash.blank) > 0)
    };
    let free = reserved.filter(|span| used(held, *span, chip.flash.blank) == 0 || runs_on(*span));
    let span = if free.is_some() { chip.flash_span() } else { board.application(chip) };
    let left = output::bytes(u64::from(span.len() - used(held, span, chip.flash.blank)));
    let free = free.map_or(String::new(), |free| format!(", with {} that a loader would take", output::bytes(free.len().into())));
    format!("{left} left of {} for the application{free}", output::bytes(span.len().into()))
}

/// Says which board it is, and where that comes from.
pub fn introduce(board: &Board, chip: &Chip, from: &str) {
    output::say_under("Board    ", format!("{} ({}), {from}", board.name, chip.part));
}

/// Prints what a board holds.
pub fn print(observed: &Observed, board: &Board, chip: &Chip) {
    output::say_under("What     ", &board.summary);
    output::say_under("Chip     ", format!("{}, ID {}, {}", chip.part, id(observed), access(observed)));
    output::say_under("Supply   ", supply(observed, board));
    print_loader(observed, board, chip);
    output::say_under("Flash    ", contents(&observed.flash, chip.flash_span(), chip.flash.blank));
    if observed.flash.unreadable.is_none() {
        output::say_under("Room     ", room(&observed.flash.bytes, observed.configuration.as_deref(), board, chip));
    }
    output::say_under("Settings ", settings(observed, board, chip));
    print_map(observed, board, chip);
    print_configuration(observed, board, chip);
}

/// The loader, and what it costs and gives where it is there, or would where it is not.
fn print_loader(observed: &Observed, board: &Board, chip: &Chip) {
    let fitted = Fitted::of(observed, board, chip);
    output::say_under("Loader   ", loader(&fitted, board));
    let Some(reservation) = &board.reservation else { return };
    let begins = reservation.span.start();
    let leads_to = observed.configuration.as_deref().and_then(|bytes| chip.started_section(bytes)).map(Span::start);
    if let Some(at) = leads_to.filter(|at| *at != begins && fitted != Fitted::Nothing) {
        output::say_under("         ", format!("reset leads to {at}, and not to its beginning at {begins}: `farrier revive` says more"));
    }
    let (built_in, there) = match fitted {
        Fitted::BuiltIn(_) => (true, true),
        Fitted::Known(_) | Fitted::Other => (false, true),
        Fitted::Nothing => (reservation.loader.is_some(), false),
        Fitted::Unknown | Fitted::InPart(..) | Fitted::Altered(..) => return,
    };
    let [costs, gives] = if there { ["costs", "gives"] } else { ["would cost", "would give"] };
    output::say_under("         ", format!("{costs}: {}", worth::costs(reservation, chip)));
    output::say_under("         ", format!("{gives}: {}", worth::gives(board, built_in)));
}

/// The command that shows what a board holds now.
pub fn look(via: &str) -> Offer {
    (format!("farrier inspect --via {via}"), "what the board holds now")
}

fn id(observed: &Observed) -> String {
    observed.id.map_or("not read".into(), |id| Hex(&id).to_string())
}

fn access(observed: &Observed) -> String {
    let Some(access) = &observed.access else { return "not reached".into() };
    let tries = if access.tries == 1 { "at the first try".into() } else { format!("after {} tries", access.tries) };
    let fed = access.clock_output.map_or(String::new(), |hz| format!(" and {hz} from the bridge's clock output"));
    format!("reached with a programming clock of {}{fed} {tries}", access.programming_clock)
}

fn supply(observed: &Observed, board: &Board) -> String {
    let (least, most) = board.supply;
    match observed.access.as_ref().and_then(|access| access.supply) {
        Some(supply) if !(least..=most).contains(&supply) => format!("{supply} measured, outside the {least} to {most} of the board"),
        Some(supply) => format!("{supply} measured; the board bears {least} to {most}"),
        None => format!("not measured: measure {least} to {most} at the programming header"),
    }
}

fn contents(held: &crate::plan::Contents, whole: Span, blank: u8) -> String {
    if let Some(reason) = &held.unreadable {
        return format!("not readable: {reason}");
    }
    if !held.bytes.covers(whole) {
        return "not read".into();
    }
    let filled = held.bytes.runs().flat_map(|(_, run)| run).filter(|byte| **byte != blank).count();
    match filled {
        0 => format!("blank, all {}", output::bytes(whole.len().into())),
        _ => format!("{filled} of {} bytes are not blank; CRC-32 {:08X} over all of it", whole.len(), held.bytes.crc32()),
    }
}

fn settings(observed: &Observed, board: &Board, chip: &Chip) -> String {
    let whole = Span::first(chip.eeprom.bytes);
    let text = contents(&observed.eeprom, whole, chip.eeprom.blank);
    match &board.settings {
        Some(store) => format!("EEPROM {text}; the settings store is {}", store.span),
        None => format!("EEPROM {text}; the board file names no settings store"),
    }
}

fn print_map(observed: &Observed, board: &Board, chip: &Chip) {
    if observed.flash.unreadable.is_some() || observed.flash.bytes.is_empty() {
        return;
    }
    let filled = |span: Span| used(&observed.flash.bytes, span, chip.flash.blank);
    let part = |label: &'static str, span: Span| Span::sized(span.start(), filled(span)).filter(|s| !s.is_empty()).map(|s| (label, s));
    let parts =
        [part("application", board.application(chip)), board.reservation.as_ref().and_then(|reservation| part("loader", reservation.span))];
    let marks: Vec<Mark> = parts.into_iter().flatten().map(|(label, span)| Mark { label, span }).collect();
    output::gap();
    for line in map::draw(chip.flash_span(), &marks, "nothing", output::WIDTH, output::ink()) {
        output::line(line);
    }
}

fn print_configuration(observed: &Observed, board: &Board, chip: &Chip) {
    let Some(bytes) = &observed.configuration else { return output::say("The configuration was not read.") };
    let expected = board.expected_configuration(chip, bytes);
    output::gap();
    let list: Vec<String> = chip.configuration.iter().zip(bytes).map(|(byte, value)| format!("{} 0x{value:02X}", byte.name)).collect();
    let shipped = if *bytes == chip.factory_configuration() { " (as shipped)" } else { "" };
    output::line(format!("Configuration: {}{shipped}", list.join(", ")));
    for (setting, wanted) in chip.decode(bytes).iter().zip(chip.decode(&expected)) {
        print_setting(setting, (setting.name() != wanted.name()).then(|| wanted.name()));
    }
    let Some(lock) = observed.lock else { return };
    output::line(format!("Lock: 0x{lock:02X}"));
    for setting in chip.decode_lock(lock) {
        print_setting(&setting, None);
    }
}

fn print_setting(setting: &Setting, expected: Option<String>) {
    let expected = expected.map_or(String::new(), |name| format!(" [the board file expects {name}]"));
    let label = format!("  {:<20} {:<28} ", setting.field.name, setting.name());
    output::say_under(&label, format!("{}{expected}", setting.words()));
}

/// The same as JSON.
pub fn as_json(observed: &Observed, board: &Board, chip: &Chip) -> Value {
    let memory = |held: &crate::plan::Contents, whole: Span, blank: u8| {
        let complete = held.bytes.covers(whole);
        json!({
            "bytes": whole.len(), "read": held.bytes.len(), "unreadable": held.unreadable, "crc32": complete.then(|| held.bytes.crc32()),
            "blank": complete.then(|| held.bytes.runs().all(|(_, run)| run.iter().all(|byte| *byte == blank))),
        })
    };
    let fitted = match Fitted::of(observed, board, chip) {
        Fitted::Unknown => json!({"state": "unknown"}),
        Fitted::Nothing => json!({"state": "none"}),
        Fitted::BuiltIn(name) => json!({"state": "built-in", "name": name}),
        Fitted::InPart(name, _) | Fitted::Altered(name, _) => json!({"state": "in-part", "name": name}),
        Fitted::Known(name) => json!({"state": "known", "name": name}),
        Fitted::Other => json!({"state": "other"}),
    };
    let fields: Vec<Value> = observed.configuration.iter().flat_map(|bytes| chip.decode(bytes)).map(|s| setting_json(&s)).collect();
    let lock_fields: Vec<Value> = observed.lock.iter().flat_map(|lock| chip.decode_lock(*lock)).map(|s| setting_json(&s)).collect();
    let application = board.application(chip);
    json!({
        "board": board.name, "chip": chip.part, "id": observed.id, "calibration": observed.calibration, "access": observed.access,
        "flash": memory(&observed.flash, chip.flash_span(), chip.flash.blank),
        "eeprom": memory(&observed.eeprom, Span::first(chip.eeprom.bytes), chip.eeprom.blank),
        "loader": fitted,
        "application": {"start": application.start(), "end": application.end(),
            "used": used(&observed.flash.bytes, application, chip.flash.blank)},
        "configuration": observed.configuration, "lock": observed.lock, "fields": fields, "lock_fields": lock_fields,
    })
}

fn setting_json(setting: &Setting) -> Value {
    json!({"field": setting.field.name, "symbol": setting.field.symbol, "value": setting.name(), "words": setting.words()})
}
