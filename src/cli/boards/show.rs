//! One board, as text and as JSON.

use super::super::map::{Ink, Mark, draw};
use super::super::output::{Offer, WIDTH, next_lines, wrapped};
use super::super::worth;
use super::ways_in;
use crate::board::{Board, BuiltLoader, Chip, ClockSource, Fact, Field, RegionOwner, Reservation, loader};
use crate::image::Span;
use crate::units::{Bytes, Hertz, Hex};
use serde_json::{Value, json};

/// Columns that the labels of a page take.
const LABELS: usize = 11;

/// Everything about one board, for people. `called` is what they typed for it.
pub fn show(called: &str, board: &Board, chip: &Chip, ink: Ink) -> String {
    let mut page = vec![wrapped("", &format!("{}: {}", board.name, board.summary), LABELS), String::new()];
    page.extend(facts(board, chip));
    page.push(String::new());
    page.extend(pins(board));
    page.push(String::new());
    page.push(labelled("Flash", &format!("{} in pages of {}", Bytes(chip.flash.bytes.into()), Bytes(chip.flash.page.into()))));
    page.extend(draw(chip.flash_span(), &marks(board, chip), "nothing", WIDTH, ink));
    page.extend(cost(board, chip));
    page.push(String::new());
    page.extend(configuration(board, chip));
    page.push(String::new());
    page.extend(lock(board, chip));
    page.push(String::new());
    page.extend(firmware(board));
    page.extend(cautions(board));
    page.push(String::new());
    page.extend(next_lines(&next(called, board)));
    page.join("\n")
}

fn labelled(label: &str, text: &str) -> String {
    wrapped(&format!("{label:LABELS$}"), text, LABELS)
}

fn facts(board: &Board, chip: &Chip) -> Vec<String> {
    let (least, most) = board.supply;
    let bears = if board.bears_5v { "inputs bear 5 V" } else { "inputs do not bear more than that" };
    let at = if board.level_follows_supply { "the same level".into() } else { board.levels.to_string() };
    let wired = if board.clock_pin_wired { "; the bridge's clock output is wired to its clock pin" } else { "" };
    let of_chip = if board.generic { chip.mark(Fact::Supply) } else { "" };
    let eeprom = Bytes(chip.eeprom.bytes.into());
    vec![
        labelled("Chip", &format!("{}, EEPROM {eeprom}, ID {}", chip.part, Hex(&chip.id))),
        labelled("Clock", &format!("{}{wired}", clock(board, chip))),
        labelled("Supply", &format!("{least} to {most}{of_chip}; signals at {at}, {bears}")),
        labelled("Ways in", &format!("{}; programming clock below {}", ways_in(chip).join(", "), programming_clocks(board, chip))),
    ]
}

fn clock(board: &Board, chip: &Chip) -> String {
    let (hz, mark) = (board.clock.hz, chip.mark(Fact::Clock));
    match board.clock.source {
        ClockSource::Internal { hz: own } if own == hz => format!("{hz}, the chip's own oscillator{mark}"),
        ClockSource::Internal { hz: own } => format!("{hz}, the chip's own oscillator of {own} divided{mark}"),
        ClockSource::Crystal { to_hz: fitted, .. } if fitted == hz => format!("{hz}, a crystal"),
        ClockSource::Crystal { to_hz: fitted, .. } => format!("{hz}, a crystal of {fitted} divided"),
        ClockSource::External => format!("{hz}, a clock signal"),
    }
}

/// The limits at the clock of a chip as shipped and of the finished board.
fn programming_clocks(board: &Board, chip: &Chip) -> String {
    let factory = chip.system_clock(board, &chip.factory_configuration());
    let limit = |hz| Hertz(chip.programming_clock_limit(hz).0 + 1);
    match factory {
        Some(hz) if hz != board.clock.hz => format!("{} as shipped, {} at {}", limit(hz), limit(board.clock.hz), board.clock.hz),
        _ => limit(board.clock.hz).to_string(),
    }
}

fn pins(board: &Board) -> Vec<String> {
    let mut lines = vec![labelled("Header", &board.header.kind), "    Pin  Signal  Chip pin".into()];
    let rows = board.header.pins.iter().zip(1..);
    lines.extend(rows.map(|((signal, pin), number)| format!("    {number:>3}  {signal:6}  {pin}")));
    lines
}

/// What the flash is for.
fn marks<'a>(board: &'a Board, chip: &Chip) -> Vec<Mark<'a>> {
    let mut marks = vec![Mark { span: board.application(chip), label: "application" }];
    marks.extend(board.reservation.iter().map(|reservation| Mark { span: reservation.span, label: "loader" }));
    marks.extend(board.regions.iter().map(|region| Mark { span: region.span, label: &region.name }));
    marks
}

/// What the loader costs, and what is left.
fn cost(board: &Board, chip: &Chip) -> Vec<String> {
    let left = board.application(chip);
    let loader = match &board.reservation {
        None => "none: the whole flash is the application's, and reset starts it at once".to_string(),
        Some(reservation) => {
            let name = reservation.loader.as_deref().map_or("one of your own".into(), |name| format!("`{name}`"));
            format!("{name}: costs {}", worth::costs(reservation, chip))
        }
    };
    let mut lines = vec![labelled("Loader", &loader)];
    let built_in = board.reservation.as_ref().map(|reservation| reservation.loader.is_some());
    lines.extend(built_in.map(|built_in| labelled("", &format!("gives: {}", worth::gives(board, built_in)))));
    lines.extend(built(board, chip).map(|built| labelled("", &listens(&built, board))));
    lines.push(labelled("Room left", &format!("{} for the application, {left}", Bytes(left.len().into()))));
    lines
}

/// The loader of ours that the board file names.
fn built(board: &Board, chip: &Chip) -> Option<BuiltLoader> {
    loader(board.reservation.as_ref()?.loader.as_deref()?, board, chip).ok()
}

/// Where the loader listens, and what holds it.
fn listens(built: &BuiltLoader, board: &Board) -> String {
    let hold = board.reservation.as_ref().and_then(|reservation| reservation.line.hold.as_ref());
    let refused = if built.speed.fits() { "" } else { ", which is too much: the plan refuses it" };
    let hold = hold.map_or(String::new(), |hold| format!("; {} {} holds it", hold.pin, if hold.low { "low" } else { "high" }));
    format!("{built}{refused}{hold}")
}

fn percent(span: Span, chip: &Chip) -> f64 {
    100.0 * f64::from(span.len()) / f64::from(chip.flash.bytes.max(1))
}

fn configuration(board: &Board, chip: &Chip) -> Vec<String> {
    let factory = chip.factory_configuration();
    let expected = board.expected_configuration(chip, &factory);
    let in_hex = |configuration: &[u8]| {
        let named = chip.configuration.iter().zip(configuration);
        named.map(|(byte, value)| format!("{} 0x{value:02X}", byte.name)).collect::<Vec<_>>().join(", ")
    };
    let title = match board.expected_configuration.is_empty() {
        true => format!("Configuration: nothing is expected; as shipped {}", in_hex(&factory)),
        false => format!("Configuration {}, from the chip as shipped: {}", wanted_for(board), in_hex(&expected)),
    };
    let mut lines = vec![title];
    lines.extend(fields(&chip.fields, &board.expected_configuration, &factory));
    lines
}

/// When what is expected holds.
fn wanted_for(board: &Board) -> &'static str {
    if board.reservation.is_some() { "with the loader fitted" } else { "as it should be" }
}

fn lock(board: &Board, chip: &Chip) -> Vec<String> {
    let title = match board.expected_lock.is_empty() {
        true => "Lock: nothing is expected".to_string(),
        false => format!("Lock {}: 0x{:02X}", wanted_for(board), board.expected_lock(chip, chip.lock.factory)),
    };
    let mut lines = vec![title];
    lines.extend(fields(&chip.lock_fields, &board.expected_lock, &[chip.lock.factory]));
    lines
}

/// A row for each field: name, datasheet symbol, the value expected and what it means. Where nothing is expected, what stands there
/// in a chip as shipped.
fn fields(fields: &[Field], expected: &[(String, String)], factory: &[u8]) -> Vec<String> {
    let value_of = |field: &Field| expected.iter().find(|(name, _)| *name == field.name).map_or("-", |(_, value)| value.as_str());
    let widest = |text: &dyn Fn(&Field) -> usize| fields.iter().map(text).max().unwrap_or(0);
    let name_width = widest(&|field| field.name.len());
    let symbol_width = widest(&|field| field.symbol.len());
    let value_width = widest(&|field| value_of(field).len());
    let row = |field: &Field| {
        let value = value_of(field);
        let words = match (field.value(value), field.read(factory)) {
            (Some(value), _) => value.words.clone(),
            (None, Some(shipped)) => format!("left as it is; as shipped {}: {}", shipped.name(), shipped.words()),
            (None, None) => "left as it is".into(),
        };
        let label = format!("    {:name_width$}  {:symbol_width$}  {value:value_width$}  ", field.name, field.symbol);
        wrapped(&label, &words, label.chars().count())
    };
    fields.iter().map(row).collect()
}

fn firmware(board: &Board) -> Vec<String> {
    let console = board.console.as_ref().map_or("none described".into(), |console| {
        format!("{} baud; the firmware is alive when it says \"{}\"", console.baud, console.alive)
    });
    let settings = board
        .settings
        .as_ref()
        .map_or("none described".into(), |store| format!("{} of the EEPROM, {}", Bytes(store.span.len().into()), store.span));
    let mut lines = vec![labelled("Console", &console), labelled("Settings", &settings)];
    if let Some(number) = &board.serial_number {
        lines.push(labelled(
            "Serial",
            &format!("its number: {} of the {}, {}", Bytes(number.span.len().into()), number.memory.name(), number.span),
        ));
    }
    lines
}

fn cautions(board: &Board) -> Vec<String> {
    let texts = board.cautions.iter().zip(1..);
    texts.map(|(caution, number)| labelled(if number == 1 { "Cautions" } else { "" }, &caution.text)).collect()
}

fn next(called: &str, board: &Board) -> Vec<Offer> {
    let mut offers = vec![(format!("farrier connections --board {called}"), "how to connect it to a bridge")];
    if matches!(&board.reservation, Some(Reservation { loader: Some(_), .. })) {
        let planned = format!("farrier loader install --board {called} --on factory --dry-run");
        offers.push((planned, "what fitting the loader would do"));
    }
    offers.push((format!("farrier sim new NAME --board {called}"), "a simulated one, to try it all on"));
    offers.push((format!("farrier inspect --board {called} --via WHERE"), "what is on a real one"));
    offers
}

/// Everything about one board, for programs.
///
/// `name`, `summary`, `chip`, `generic`; `id` (three numbers); `flash` and `eeprom`: `bytes`, `page`; `supply_mv`: `least`,
/// `most`; `signal_mv`, `follow_supply`, `inputs_bear_5v`; `clock`: `source`, its own frequencies, and `system_hz`;
/// `clock_pin_wired` (the bridge's clock output is wired to the chip); `ways_in` (names); `header`:
/// `kind`, `pins` (each `signal`, `pin`, in the order of the pin numbers); `reservation` (null where there is none): `span`,
/// `loader`, `start_delay_ms`, `percent`, `line` (null where the loader is none of ours; else `usart`, `baud`, `percent_off`, `fits`
/// and `hold`: null or `pin` and `low`); `application` (a span); `regions`: `name`, `owner`, `span`; `configuration` and `lock`:
/// for each field `name`, `symbol`, `expected` (null where nothing is), `words`; `expected_bytes` (numbers, from the chip as
/// shipped), `expected_lock` (a number); `console` (or null): `baud`, `alive`; `settings` (or null): a span of the EEPROM;
/// `serial_number` (or null): `memory`, `span`; `cautions` (texts). A span is `start`, `end`: numbers, end exclusive.
pub fn show_json(board: &Board, chip: &Chip) -> Value {
    let mut clock = json!(board.clock.source);
    clock["system_hz"] = json!(board.clock.hz);
    let reservation = board.reservation.as_ref().map(|found| {
        let Reservation { span, loader, start_delay_ms, line } = found;
        let hold = line.hold.as_ref().map(|hold| json!({ "pin": hold.pin, "low": hold.low }));
        let line = built(board, chip).map(|built| {
            let speed = built.speed;
            json!({ "usart": built.usart, "baud": speed.baud, "percent_off": speed.percent_off(), "fits": speed.fits(), "hold": hold })
        });
        json!({ "span": span, "loader": loader, "start_delay_ms": start_delay_ms, "percent": percent(*span, chip), "line": line })
    });
    let pins = board.header.pins.iter().map(|(signal, pin)| json!({ "signal": signal, "pin": pin }));
    json!({
        "name": board.name,
        "summary": board.summary,
        "chip": chip.part,
        "generic": board.generic,
        "id": chip.id,
        "flash": { "bytes": chip.flash.bytes, "page": chip.flash.page },
        "eeprom": { "bytes": chip.eeprom.bytes, "page": chip.eeprom.page },
        "supply_mv": { "least": board.supply.0, "most": board.supply.1 },
        "signal_mv": board.levels,
        "follow_supply": board.level_follows_supply,
        "inputs_bear_5v": board.bears_5v,
        "clock": clock,
        "clock_pin_wired": board.clock_pin_wired,
        "ways_in": ways_in(chip),
        "header": { "kind": board.header.kind, "pins": pins.collect::<Vec<_>>() },
        "reservation": reservation,
        "application": board.application(chip),
        "regions": board.regions.iter().map(region_json).collect::<Vec<_>>(),
        "configuration": fields_json(&chip.fields, &board.expected_configuration),
        "expected_bytes": board.expected_configuration(chip, &chip.factory_configuration()),
        "lock": fields_json(&chip.lock_fields, &board.expected_lock),
        "expected_lock": board.expected_lock(chip, chip.lock.factory),
        "console": board.console.as_ref().map(|console| json!({ "baud": console.baud, "alive": console.alive })),
        "settings": board.settings.as_ref().map(|store| store.span),
        "serial_number": board.serial_number.as_ref().map(|number| json!({ "memory": number.memory, "span": number.span })),
        "cautions": board.cautions.iter().map(|caution| &caution.text).collect::<Vec<_>>(),
    })
}

fn region_json(region: &crate::board::Region) -> Value {
    let owner = match region.owner {
        RegionOwner::Loader => "loader",
        RegionOwner::Application => "application",
    };
    json!({ "name": region.name, "owner": owner, "span": region.span })
}

fn fields_json(fields: &[Field], expected: &[(String, String)]) -> Vec<Value> {
    let one = |field: &Field| {
        let value = expected.iter().find(|(name, _)| *name == field.name).and_then(|(_, value)| field.value(value));
        let words = value.map_or(&field.words, |value| &value.words);
        json!({ "name": field.name, "symbol": field.symbol, "expected": value.map(|value| &value.name), "words": words })
    };
    fields.iter().map(one).collect()
}
