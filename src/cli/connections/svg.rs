//! The connections as a drawing to print: SVG, black on white, one A4 page.

mod pen;
mod schematic;

use super::{Drawn, table, words};
use pen::{Anchor, Pen, Weight};

/// The page: A4 upright, in millimetres, with this much left free at each side.
const PAGE: (f64, f64) = (210.0, 297.0);
const MARGIN: f64 = 10.0;
/// Between the two columns of text.
const GAP: f64 = 6.0;
/// Sizes of the text below the drawing, the first that fits is taken, and the lines' distance as a multiple.
const TEXT_SIZES: [f64; 7] = [3.0, 2.8, 2.6, 2.4, 2.2, 2.0, 1.8];
const LINE: f64 = 1.32;
/// A character's width as a multiple of its size, on the safe side of what common sans-serif letters take.
const CHARACTER: f64 = 0.6;

/// A line of text: whether it is a heading, and what it says.
type TextLine = (bool, String);

/// Draws the connections as SVG, one page to print.
pub fn svg(drawn: &Drawn) -> String {
    let mut pen = Pen::default();
    let Drawn { bridge, board, .. } = drawn;
    let title = format!("Bridge {} to board {}", bridge.kind, board.name);
    pen.text(MARGIN, 15.0, 5.0, Weight::Bold, Anchor::Start, &title);
    let below = format!("{}: {}. {}: {}.", bridge.kind, bridge.summary, board.name, board.summary);
    for (n, line) in wrapped(&below, PAGE.0 - 2.0 * MARGIN, 2.8).iter().enumerate() {
        pen.text(MARGIN, 20.5 + 3.8 * n as f64, 2.8, Weight::Plain, Anchor::Start, line);
    }
    let bottom = schematic::draw(&mut pen, drawn, 33.0);
    columns(&mut pen, drawn, bottom + 8.0);
    pen.page(PAGE, &title)
}

/// What stands below the drawing, in two columns, as large as the page allows.
fn columns(pen: &mut Pen, drawn: &Drawn, top: f64) {
    let width = (PAGE.0 - 2.0 * MARGIN - GAP) / 2.0;
    let lines_at = |size: f64| ((PAGE.1 - MARGIN - top) / (size * LINE)).floor() as usize;
    let made = TEXT_SIZES.iter().map(|size| (*size, text(drawn, width, *size)));
    let smallest = TEXT_SIZES[TEXT_SIZES.len() - 1];
    let fitting = made.into_iter().find(|(size, lines)| lines.len() <= 2 * lines_at(*size));
    let (size, lines) = fitting.unwrap_or_else(|| (smallest, text(drawn, width, smallest)));
    let half = lines.len().div_ceil(2);
    // A heading goes with what stands below it.
    let ends_in_heading = half.checked_sub(1).and_then(|last| lines.get(last)).is_some_and(|(heading, _)| *heading);
    let first = if ends_in_heading { half - 1 } else { half };
    for (n, (heading, line)) in lines.iter().enumerate().filter(|(_, (_, line))| !line.is_empty()) {
        let (x, row) = if n < first { (MARGIN, n) } else { (MARGIN + width + GAP, n - first) };
        let y = top + row as f64 * size * LINE;
        let weight = if *heading { Weight::Bold } else { Weight::Plain };
        pen.text(x, y, size, weight, Anchor::Start, line);
    }
}

fn text(drawn: &Drawn, width: f64, size: f64) -> Vec<TextLine> {
    let mut lines = Vec::new();
    let mut section = |heading: &str, paragraphs: Vec<String>| {
        if paragraphs.is_empty() {
            return;
        }
        if !lines.is_empty() {
            lines.push((false, String::new()));
        }
        lines.push((true, heading.to_owned()));
        lines.extend(paragraphs.iter().flat_map(|paragraph| wrapped(paragraph, width, size)).map(|line| (false, line)));
    };
    section("Supply", vec![words::supply(drawn)]);
    section("Levels", vec![words::levels(drawn)]);
    let parts = drawn.connections.parts.iter();
    section("Parts", parts.map(|part| format!("{}  {}: {}", part.name, part.what, part.why)).collect());
    section("Mind", table::minded(drawn).iter().map(|caution| format!("- {caution}")).collect());
    lines
}

/// A paragraph in lines of at most this width; later lines are set in a little.
fn wrapped(paragraph: &str, width: f64, size: f64) -> Vec<String> {
    let columns = (width / (size * CHARACTER)).floor() as usize;
    let options = textwrap::Options::new(columns).subsequent_indent("  ").word_splitter(textwrap::WordSplitter::NoHyphenation);
    textwrap::wrap(paragraph, options).into_iter().map(|line| line.into_owned()).collect()
}
