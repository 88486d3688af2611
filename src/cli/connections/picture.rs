//! The connections drawn in characters: the bridge on the left, the board's programming header on the right, in the order of its pins.

use super::super::map::Ink;
use super::Drawn;
use crate::board::{Between, BoardEnd, Fitted, Purpose, Toward, Wire};

/// Columns of the bridge's and of the header's box: first and last.
const BRIDGE: (usize, usize) = (2, 19);
const HEADER: (usize, usize) = (72, 97);
/// Where what stands in a wire begins.
const FIRST_PART: usize = 25;
/// Where a resistor to ground branches off, at either side of what stands in the wire.
const BRANCH: (usize, usize) = (23, 38);
/// Where a wire's name begins.
const NAME: usize = 54;
/// Where the measuring wire joins the supply's.
const JOIN: usize = 51;

/// Lines that are drawn on piece by piece.
#[derive(Default)]
struct Sheet {
    lines: Vec<Vec<char>>,
}

impl Sheet {
    fn put(&mut self, line: usize, column: usize, text: &str) {
        if self.lines.len() <= line {
            self.lines.resize(line + 1, Vec::new());
        }
        let Some(cells) = self.lines.get_mut(line) else { return };
        let end = column + text.chars().count();
        if cells.len() < end {
            cells.resize(end, ' ');
        }
        cells.splice(column..end, text.chars());
    }

    fn across(&mut self, line: usize, from: usize, to: usize) {
        self.put(line, from, &"─".repeat((to + 1).saturating_sub(from)));
    }

    fn finished(self, ink: Ink) -> Vec<String> {
        let character = |c: char| match (ink, c) {
            (Ink::Blocks, c) => c,
            (_, '─') => '-',
            (_, '│') => '|',
            (_, '►') => '>',
            (_, '◄') => '<',
            (_, '●') => 'o',
            (_, c) if "┌┐└┘├┤┬┴".contains(c) => '+',
            (_, c) => c,
        };
        self.lines.into_iter().map(|line| line.into_iter().map(character).collect::<String>().trim_end().to_owned()).collect()
    }
}

/// Draws the connections in at most 100 columns.
pub fn picture(drawn: &Drawn, ink: Ink) -> Vec<String> {
    let Drawn { bridge, board, connections, .. } = drawn;
    let mut sheet = Sheet::default();
    let numbered = board.header.shape().is_some();
    sheet.put(0, BRIDGE.0, &format!("bridge {}", bridge.kind));
    sheet.put(0, HEADER.0, &if numbered { format!("header {}", board.header.kind) } else { board.header.kind.clone() });
    let top = 1;
    let mut line = top + 1;
    for (place, (signal, pin)) in board.header.pins.iter().enumerate() {
        let number = if numbered { format!("{:>2}", place + 1) } else { "  ".to_owned() };
        let pin = if pin == signal { "" } else { pin.as_str() };
        sheet.put(line, HEADER.0 + 1, &format!(" {number} {signal:8} {pin}"));
        let wires: Vec<&Wire> = connections.wires.iter().filter(|wire| wire.board == BoardEnd::Header(place)).collect();
        for (nth, wire) in wires.iter().enumerate() {
            line = draw_wire(&mut sheet, line, wire, nth > 0) + 1;
        }
        line += usize::from(wires.is_empty());
    }
    let bottom = line;
    frame(&mut sheet, HEADER, top, bottom);
    let last = match connections.wire(Purpose::Clock) {
        None => bottom,
        Some(wire) => {
            sheet.put(bottom + 1, HEADER.0 + 1, "clock pin (XTAL1)");
            draw_wire(&mut sheet, bottom + 1, wire, false) + 1
        }
    };
    frame(&mut sheet, BRIDGE, top, last);
    let mut lines = sheet.finished(ink);
    lines.extend(from_above(drawn, ink));
    lines
}

/// The sides of a box, where no wire's end stands already.
fn frame(sheet: &mut Sheet, (left, right): (usize, usize), top: usize, bottom: usize) {
    for (line, ends) in [(top, ("┌", "┐")), (bottom, ("└", "┘"))] {
        sheet.across(line, left, right);
        sheet.put(line, left, ends.0);
        sheet.put(line, right, ends.1);
    }
    for line in top + 1..bottom {
        for side in [left, right] {
            if !sheet.lines.get(line).and_then(|cells| cells.get(side)).is_some_and(|c| "├┤".contains(*c)) {
                sheet.put(line, side, "│");
            }
        }
    }
}

/// Draws a wire and what stands in it; gives the last line that it took. `joins`: it ends at the wire above instead of at the header.
fn draw_wire(sheet: &mut Sheet, line: usize, wire: &Wire, joins: bool) -> usize {
    sheet.put(line, BRIDGE.1 - 1 - wire.bridge.to_string().chars().count(), &wire.bridge.to_string());
    sheet.put(line, BRIDGE.1, "├");
    let end = if joins { JOIN } else { HEADER.0 - 1 };
    sheet.across(line, BRIDGE.1 + 1, end);
    match (joins, wire.board) {
        (true, _) => {
            sheet.put(line, JOIN, "┘");
            sheet.put(line - 1, JOIN, "┬");
            sheet.put(line, NAME, wire.purpose.name());
        }
        (false, end) => {
            sheet.put(line, NAME, &format!(" {} ", wire.purpose.name()));
            if let BoardEnd::Header(_) = end {
                sheet.put(line, HEADER.0, "┤");
            }
        }
    }
    match wire.toward {
        Toward::Board => sheet.put(line, HEADER.0 - 1, "►"),
        Toward::Bridge => sheet.put(line, BRIDGE.1 + 1, "◄"),
        Toward::Neither => {}
    }
    draw_between(sheet, line, wire)
}

fn draw_between(sheet: &mut Sheet, line: usize, wire: &Wire) -> usize {
    let toward_board = wire.toward == Toward::Board;
    let branch = if toward_board { BRANCH.1 } else { BRANCH.0 };
    match &wire.between {
        Between::Nothing => return line,
        Between::Series(one) => {
            sheet.put(line, FIRST_PART, &resistor(one));
            return line;
        }
        Between::Divider { series, to_ground } => {
            sheet.put(line, FIRST_PART + usize::from(!toward_board), &resistor(series));
            to_the_ground(sheet, line, branch, to_ground);
        }
        Between::Transistor { part, gate, pull_up } => {
            sheet.put(line, FIRST_PART, &format!("[ {part} ]"));
            sheet.put(line + 1, FIRST_PART, &format!("  └── gate to {gate}"));
            if let Some(fitted) = pull_up {
                sheet.put(line, BRANCH.0, "┬");
                sheet.put(line + 1, BRANCH.0, "│");
                sheet.put(line + 2, BRANCH.0, &format!("└─{}── {gate}", resistor(fitted)));
                return line + 2;
            }
        }
        Between::Buffer { gate, to_ground } => {
            sheet.put(line, FIRST_PART, &format!("[ {gate} ]"));
            match to_ground {
                Some(fitted) => to_the_ground(sheet, line, branch, fitted),
                None => return line,
            }
        }
    }
    line + 1
}

fn resistor(fitted: &Fitted) -> String {
    format!("[ {} {} ]", fitted.name, short(fitted))
}

/// `1.8k`.
fn short(fitted: &Fitted) -> String {
    fitted.ohms.to_string().replace(" kilohm", "k")
}

fn to_the_ground(sheet: &mut Sheet, line: usize, column: usize, fitted: &Fitted) {
    sheet.put(line, column, "┬");
    sheet.put(line + 1, column, &format!("└─{}── GND", resistor(fitted)));
}

/// A header with two rows as one sees it from above.
fn from_above(drawn: &Drawn, ink: Ink) -> Vec<String> {
    let header = &drawn.board.header;
    let Some((2, _)) = header.shape() else { return Vec::new() };
    let dot = if ink == Ink::Blocks { "● ●" } else { "o o" };
    let rows = header.pins.chunks(2).enumerate().map(|(row, pins)| {
        let signal = |n: usize| pins.get(n).map_or("", |(signal, _)| signal.as_str());
        format!("    {:>6} {:>2} {dot} {:<2} {}", signal(0), 2 * row + 1, 2 * row + 2, signal(1))
    });
    let title = "  The header from above; pin 1 is the one that the board marks:".to_owned();
    [String::new(), title].into_iter().chain(rows).collect()
}
