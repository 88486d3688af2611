//! The page of connections as text and as JSON.

use super::super::map::Ink;
use super::super::output::wrapped;
use super::super::safety;
use super::{Drawn, picture, words};
use crate::board::{Between, BoardEnd, BridgeKind, FirmwareWay, LevelFit, PoweredBy, Toward, Wire};
use serde_json::{Value, json};
use std::path::Path;

/// Columns that the labels of the page take.
const LABELS: usize = 9;

/// Everything about the connections, for people, below the line that names the board. `assumed`: nobody said who feeds the board.
/// `svg`: where the drawing was written.
pub fn page(drawn: &Drawn, kinds: &[BridgeKind], assumed: bool, svg: Option<&Path>, ink: Ink) -> String {
    let Drawn { bridge, board, .. } = drawn;
    let mut page = vec![
        labelled("What", &board.summary),
        labelled("Bridge", &format!("{}: {}", bridge.kind, bridge.summary)),
        labelled("Supply", &words::supply(drawn)),
    ];
    if assumed {
        page.push(labelled("", "That was not asked here; to have it drawn the other way: --powered-by bridge"));
    }
    page.extend([labelled("Levels", &words::levels(drawn)), labelled("Speed", &bridge.speed), String::new()]);
    page.extend(table(drawn));
    page.push(String::new());
    page.extend(picture(drawn, ink));
    page.extend(parts(drawn));
    page.extend([String::new(), "Mind:".to_owned()]);
    page.extend(minded(drawn).iter().map(|text| wrapped("  ", text, 4)));
    page.extend([String::new(), wrapped("", &words::buy_first(kinds, Some(board)), 0)]);
    page.extend(svg.map(|file| wrapped("", &format!("The drawing for print is in {}.", file.display()), 0)));
    page.extend([String::new(), format!("Next: {}", next(drawn))]);
    page.join("\n")
}

fn labelled(label: &str, text: &str) -> String {
    wrapped(&format!("{label:LABELS$}"), text, LABELS)
}

/// All there is to mind: safety first, then the board's own cautions, then the notes of this pair.
pub(super) fn minded(drawn: &Drawn) -> Vec<String> {
    let own = drawn.board.cautions.iter().map(|caution| caution.text.clone());
    safety::WORDS.iter().map(|word| (*word).to_owned()).chain(own).chain(words::notes(drawn)).collect()
}

fn table(drawn: &Drawn) -> Vec<String> {
    let rows: Vec<[String; 4]> = drawn.connections.wires.iter().map(|wire| cells(drawn, wire)).collect();
    let widest = |column: usize, title: &str| rows.iter().map(|row| row[column].chars().count()).max().unwrap_or(0).max(title.len());
    let widths = [widest(0, "Wire"), widest(1, "Bridge"), widest(2, "Board")];
    let line = |wire: &str, bridge: &str, arrow: &str, board: &str, between: &str| {
        let [one, two, three] = widths;
        let label = format!("{wire:one$}  {bridge:two$}  {arrow:3}  {board:three$}  ");
        wrapped(&label, between, label.chars().count())
    };
    let mut lines = vec![line("Wire", "Bridge", "", "Board", "In between")];
    for (row, wire) in rows.iter().zip(&drawn.connections.wires) {
        lines.push(line(&row[0], &row[1], arrow(wire), &row[2], &row[3]));
    }
    lines.extend(drawn.connections.open.iter().map(|(place, why)| line("-", "", "", &header_pin(drawn, *place), why)));
    lines
}

fn cells(drawn: &Drawn, wire: &Wire) -> [String; 4] {
    [wire.purpose.name().into(), wire.bridge.to_string(), board_end(drawn, wire.board), between(&wire.between)]
}

fn arrow(wire: &Wire) -> &'static str {
    match wire.toward {
        Toward::Board => "-->",
        Toward::Bridge => "<--",
        Toward::Neither => "---",
    }
}

fn board_end(drawn: &Drawn, end: BoardEnd) -> String {
    match end {
        BoardEnd::Header(place) => header_pin(drawn, place),
        BoardEnd::ClockPin => "clock pin (XTAL1), not on the header".to_owned(),
    }
}

fn header_pin(drawn: &Drawn, place: usize) -> String {
    let header = &drawn.board.header;
    let (signal, pin) = header.pins.get(place).map_or(("", ""), |(signal, pin)| (signal, pin));
    let same = signal == pin;
    match header.shape() {
        Some(_) if signal == "-" => format!("pin {}", place + 1),
        Some(_) if same => format!("pin {} ({signal})", place + 1),
        Some(_) => format!("pin {} ({signal}, chip's {pin})", place + 1),
        None if same => format!("chip's {pin}"),
        None => format!("chip's {pin} ({signal})"),
    }
}

fn between(between: &Between) -> String {
    match between {
        Between::Nothing => "a wire".into(),
        Between::Series(one) => format!("{} in the wire, {}", one.name, one.ohms),
        Between::Divider { series, to_ground } => {
            format!("{} in the wire, {}; {} to GND, {}", series.name, series.ohms, to_ground.name, to_ground.ohms)
        }
        Between::Transistor { part, gate, pull_up: None } => format!("{part} in the wire, gate at {gate}"),
        Between::Transistor { part, gate, pull_up: Some(fitted) } => {
            format!("{part} in the wire, gate at {gate}; {} from the bridge's side to there, {}", fitted.name, fitted.ohms)
        }
        Between::Buffer { gate, to_ground: None } => format!("{gate} in the wire"),
        Between::Buffer { gate, to_ground: Some(fitted) } => format!("{gate} in the wire; {} to GND, {}", fitted.name, fitted.ohms),
    }
}

fn parts(drawn: &Drawn) -> Vec<String> {
    let rows =
        drawn.connections.parts.iter().map(|part| wrapped(&format!("  {:3} ", part.name), &format!("{}: {}", part.what, part.why), 8));
    let rows: Vec<String> = rows.collect();
    match rows.is_empty() {
        true => Vec::new(),
        false => [String::new(), "Parts:".to_owned()].into_iter().chain(rows).collect(),
    }
}

fn next(drawn: &Drawn) -> String {
    match drawn.bridge.firmware {
        FirmwareWay::None => format!("farrier inspect --board {}", drawn.board.name),
        _ => format!("farrier bridges make {}", drawn.bridge.kind),
    }
}

/// The connections, for programs.
///
/// `bridge`: `kind`, `summary`, `part`, `pin_level_mv`, `speed`; `board`: `name`, `chip`, `signal_mv`, `header` (its kind); `fit`: `near`,
/// `borne`, `too-high` or `too-low`; `powered_by`: `board` or `bridge`; `wires`: `wire` (its name), `bridge_pin`, `board_pin`
/// (counted from 1 in the order of the board file, null for the clock pin), `chip_pin`,
/// `toward` (`board`, `bridge` or `neither`), `between` (words), `parts` (names); `open`: `board_pin`, `why`; `parts`: `name`, `what`,
/// `why`; `supply`, `levels`: a text; `minded`: texts.
pub fn page_json(drawn: &Drawn) -> Value {
    let Drawn { bridge, board, connections, .. } = drawn;
    let fit = match connections.fit {
        LevelFit::Near => "near",
        LevelFit::Borne => "borne",
        LevelFit::TooHigh => "too-high",
        LevelFit::TooLow => "too-low",
    };
    let part = |part: &crate::board::Part| json!({ "name": part.name, "what": part.what, "why": part.why });
    json!({
        "bridge": {
            "kind": bridge.kind, "summary": bridge.summary, "part": bridge.part, "pin_level_mv": bridge.level, "speed": bridge.speed,
        },
        "board": { "name": board.name, "chip": board.chip, "signal_mv": board.levels, "header": board.header.kind },
        "fit": fit,
        "powered_by": if connections.powered_by == PoweredBy::Board { "board" } else { "bridge" },
        "wires": connections.wires.iter().map(|wire| wire_json(drawn, wire)).collect::<Vec<_>>(),
        "open": connections.open.iter().map(|(place, why)| json!({ "board_pin": place + 1, "why": why })).collect::<Vec<_>>(),
        "parts": connections.parts.iter().map(part).collect::<Vec<_>>(),
        "supply": words::supply(drawn),
        "levels": words::levels(drawn),
        "minded": minded(drawn),
    })
}

fn wire_json(drawn: &Drawn, wire: &Wire) -> Value {
    let toward = match wire.toward {
        Toward::Board => "board",
        Toward::Bridge => "bridge",
        Toward::Neither => "neither",
    };
    let (board_pin, chip_pin) = match wire.board {
        BoardEnd::Header(place) => (Some(place + 1), drawn.board.header.pins.get(place).map_or("", |(_, pin)| pin)),
        BoardEnd::ClockPin => (None, "XTAL1"),
    };
    json!({
        "wire": wire.purpose.name(), "bridge_pin": wire.bridge.name, "board_pin": board_pin,
        "chip_pin": chip_pin, "toward": toward, "between": between(&wire.between), "parts": wire.between.parts(),
    })
}
