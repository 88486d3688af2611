//! The drawing itself: the bridge's pins on the left, the programming header on the right, each wire straight across.

use super::super::Drawn;
use super::pen::{Anchor, Pen, Weight};
use crate::board::{Between, BoardEnd, Fitted, LevelFit, Purpose, Toward, Wire};

/// From one wire to the next.
const STEP: f64 = 11.0;
/// The bridge's box.
const BRIDGE: (f64, f64) = (10.0, 48.0);
/// Where a wire's name begins, beside the bridge.
const NAME: f64 = 52.0;
/// Where a resistor to ground hangs: at the bridge's side of what stands in the wire, and at the board's.
const BRANCH: (f64, f64) = (79.0, 106.0);
/// What stands in the wire: first and last point.
const PART: (f64, f64) = (87.0, 97.0);
/// Where the measuring wire joins the supply's.
const JOIN: f64 = 124.0;
/// The header's two rows of pins, drawn upright.
const PINS: (f64, f64) = (154.0, 166.0);
const LABEL: f64 = 2.8;

/// Where everything stands.
struct Layout {
    /// The header's pins, in the order of the board file.
    pins: Vec<(f64, f64)>,
    /// The height of each wire, in the order of the connections.
    wires: Vec<f64>,
    two_rows: bool,
    numbered: bool,
    header_bottom: f64,
    bottom: f64,
}

/// Draws from `top` downwards; gives where the drawing ends.
pub fn draw(pen: &mut Pen, drawn: &Drawn, top: f64) -> f64 {
    let layout = layout(drawn, top + 10.0);
    let Drawn { bridge, board, .. } = drawn;
    pen.text(BRIDGE.0, top, 3.4, Weight::Bold, Anchor::Start, &format!("bridge {}", bridge.kind));
    pen.frame(BRIDGE.0, top + 2.0, BRIDGE.1 - BRIDGE.0, layout.bottom - top - 2.0);
    let kind = if layout.numbered { format!("header {}, pin 1 square", board.header.kind) } else { board.header.kind.clone() };
    pen.text(PINS.0 - 5.0, top, 3.4, Weight::Bold, Anchor::Start, &kind);
    let right = if layout.two_rows { PINS.1 } else { PINS.0 };
    pen.frame(PINS.0 - 5.0, top + 2.0, right - PINS.0 + 10.0, layout.header_bottom - top - 2.0);
    for (wire, y) in drawn.connections.wires.iter().zip(&layout.wires) {
        draw_wire(pen, drawn, &layout, wire, *y);
    }
    header_pins(pen, drawn, &layout);
    layout.bottom
}

/// One wire below the other in the order of the header, so that none crosses another.
fn layout(drawn: &Drawn, first: f64) -> Layout {
    let shape = drawn.board.header.shape();
    let two_rows = matches!(shape, Some((2, _)));
    let mut made = Layout { pins: Vec::new(), wires: Vec::new(), two_rows, numbered: shape.is_some(), header_bottom: 0.0, bottom: 0.0 };
    let mut y = first;
    let mut row = first;
    for place in 0..drawn.board.header.pins.len() {
        let right = two_rows && place % 2 == 1;
        let wires = drawn.connections.wires.iter().filter(|wire| wire.board == BoardEnd::Header(place)).count();
        if !right {
            row = y;
        }
        made.pins.push((if right { PINS.1 } else { PINS.0 }, row));
        made.wires.extend((0..wires).map(|nth| y + STEP * nth as f64));
        // A pin of the left row has its height even where no wire goes to it.
        y += STEP * if right { wires } else { wires.max(1) } as f64;
    }
    made.header_bottom = y - STEP + 7.0;
    made.bottom = made.header_bottom;
    if drawn.connections.wire(Purpose::Clock).is_some() {
        made.wires.push(made.header_bottom + 7.0);
        made.bottom = made.header_bottom + 14.0;
    }
    made
}

fn header_pins(pen: &mut Pen, drawn: &Drawn, layout: &Layout) {
    for (place, ((signal, chip_pin), at)) in drawn.board.header.pins.iter().zip(&layout.pins).enumerate() {
        let number = if layout.numbered { format!("{} ", place + 1) } else { String::new() };
        let name = match signal.as_str() {
            "-" => format!("{number}not connected"),
            same if same == chip_pin => format!("{number}{same}"),
            other => format!("{number}{other} ({chip_pin})"),
        };
        pen.pin("board-pin", &(place + 1).to_string(), *at, layout.numbered && place == 0);
        let left = layout.two_rows && place % 2 == 0;
        match left {
            true => pen.text(PINS.0 - 7.0, at.1 - 1.4, LABEL, Weight::Plain, Anchor::End, &name),
            false => pen.text(if layout.two_rows { PINS.1 } else { PINS.0 } + 7.0, at.1 + 1.0, LABEL, Weight::Plain, Anchor::Start, &name),
        }
    }
}

fn draw_wire(pen: &mut Pen, drawn: &Drawn, layout: &Layout, wire: &Wire, y: f64) {
    let from = (BRIDGE.1, y);
    let joins = wire.purpose == Purpose::Measurement && drawn.connections.wire(Purpose::Supply).is_some();
    let end = match wire.board {
        _ if joins => (JOIN, y - STEP),
        BoardEnd::Header(place) => layout.pins.get(place).copied().unwrap_or(from),
        BoardEnd::ClockPin => (PINS.0, y),
    };
    let after = in_wire(pen, drawn, wire, y);
    let mut points = vec![after];
    if wire.purpose == Purpose::Supply {
        points.push((JOIN, y));
    }
    points.extend([(end.0, y), end]);
    points.dedup();
    pen.wire(&points);
    if joins {
        pen.dot(end);
    }
    match wire.toward {
        Toward::Board if end.1 == y => pen.arrow((end.0 - 1.3, y), true),
        Toward::Board => pen.arrow((end.0 - 3.0, y), true),
        Toward::Bridge => pen.arrow((from.0 + 1.3, y), false),
        Toward::Neither => {}
    }
    pen.pin("bridge-pin", &wire.bridge.name, from, false);
    pen.text(BRIDGE.1 - 3.0, y + 1.0, LABEL, Weight::Plain, Anchor::End, &wire.bridge.to_string());
    pen.text(NAME, y - 1.4, LABEL, Weight::Bold, Anchor::Start, wire.purpose.name());
    if wire.board == BoardEnd::ClockPin {
        pen.pin("board-pin", "clock", end, false);
        pen.text(PINS.0 + 3.5, y + 1.0, LABEL, Weight::Plain, Anchor::Start, "clock pin (XTAL1)");
        pen.text(PINS.0 + 3.5, y + 4.4, LABEL, Weight::Plain, Anchor::Start, "not on the header");
    }
}

/// The wire from the bridge as far as what stands in it; gives where it goes on.
fn in_wire(pen: &mut Pen, drawn: &Drawn, wire: &Wire, y: f64) -> (f64, f64) {
    let (from, to) = ((PART.0, y), (PART.1, y));
    let to_board = wire.toward == Toward::Board;
    let branch = if to_board { BRANCH.1 } else { BRANCH.0 };
    if wire.between == Between::Nothing {
        return (BRIDGE.1, y);
    }
    pen.wire(&[(BRIDGE.1, y), from]);
    match &wire.between {
        Between::Nothing => {}
        Between::Series(one) => resistor(pen, one, y),
        Between::Divider { series, to_ground } => {
            resistor(pen, series, y);
            ground(pen, to_ground, (branch, y));
        }
        Between::Transistor { part, gate, pull_up } => {
            transistor(pen, drawn, part, gate, y);
            if let Some(fitted) = pull_up {
                let x = BRANCH.0;
                hanging(pen, (x, y));
                let supply = gate.rsplit(' ').next().unwrap_or(gate);
                pen.text(x - 2.4, y + 4.8, LABEL, Weight::Plain, Anchor::End, &format!("{} to {supply}", value(fitted)));
            }
        }
        Between::Buffer { gate, to_ground } => {
            let (input, output) = if to_board { (from, to) } else { (to, from) };
            pen.triangle(input, output);
            pen.joins(gate, from, to);
            pen.text(PART.0 - 1.0, y - 2.2, LABEL, Weight::Plain, Anchor::End, gate);
            if to_board {
                enable(pen, y);
            }
            if let Some(fitted) = to_ground {
                ground(pen, fitted, (branch, y));
            }
        }
    }
    to
}

fn value(fitted: &Fitted) -> String {
    let ohms = fitted.ohms.to_string().replace("kilohm", "k\u{3a9}").replace("ohm", "\u{3a9}");
    format!("{} {ohms}", fitted.name)
}

fn resistor(pen: &mut Pen, fitted: &Fitted, y: f64) {
    pen.frame(PART.0, y - 1.5, PART.1 - PART.0, 3.0);
    pen.joins(&fitted.name, (PART.0, y), (PART.1, y));
    pen.text((PART.0 + PART.1) / 2.0, y - 2.4, LABEL, Weight::Plain, Anchor::Middle, &value(fitted));
}

/// A resistor that hangs from the wire, with the sign for ground below it.
fn ground(pen: &mut Pen, fitted: &Fitted, (x, y): (f64, f64)) {
    hanging(pen, (x, y));
    for (down, half) in [(7.4, 1.6), (8.0, 1.0), (8.6, 0.4)] {
        pen.thin(&[(x - half, y + down), (x + half, y + down)]);
    }
    pen.text(x + 2.4, y + 4.8, LABEL, Weight::Plain, Anchor::Start, &value(fitted));
}

/// A resistor that hangs from the wire; 7.4 mm below it is its other end.
fn hanging(pen: &mut Pen, (x, y): (f64, f64)) {
    pen.dot((x, y));
    pen.thin(&[(x, y), (x, y + 1.6)]);
    pen.frame(x - 1.2, y + 1.6, 2.4, 4.4);
    pen.thin(&[(x, y + 6.0), (x, y + 7.4)]);
}

/// A transistor as a box with its pins' letters; its gate below.
fn transistor(pen: &mut Pen, drawn: &Drawn, part: &str, gate: &str, y: f64) {
    let (left, right) = if drawn.connections.fit == LevelFit::TooHigh { ("D", "S") } else { ("S", "D") };
    let middle = (PART.0 + PART.1) / 2.0;
    pen.frame(PART.0, y - 2.2, PART.1 - PART.0, 4.4);
    pen.joins(part, (PART.0, y), (PART.1, y));
    pen.text(PART.0 + 0.8, y + 0.9, 2.4, Weight::Plain, Anchor::Start, left);
    pen.text(PART.1 - 0.8, y + 0.9, 2.4, Weight::Plain, Anchor::End, right);
    pen.text(middle, y + 1.8, 2.4, Weight::Plain, Anchor::Middle, "G");
    pen.text(middle, y - 3.0, LABEL, Weight::Plain, Anchor::Middle, part);
    pen.thin(&[(middle, y + 2.2), (middle, y + 4.2), (middle + 3.0, y + 4.2)]);
    pen.text(middle + 4.0, y + 5.2, LABEL, Weight::Plain, Anchor::Start, &format!("to {gate}"));
}

/// What turns a gate of the buffer on.
fn enable(pen: &mut Pen, y: f64) {
    let middle = (PART.0 + PART.1) / 2.0;
    pen.thin(&[(middle, y + 1.5), (middle, y + 4.2), (middle - 2.0, y + 4.2)]);
    pen.text(middle - 3.0, y + 5.0, 2.4, Weight::Plain, Anchor::End, "on while RESET is low");
}
