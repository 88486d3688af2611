//! A memory map drawn to scale: one character stands for the same number of bytes everywhere.

use crate::image::{ByteAddress, Span};
use crate::units::Bytes;

/// Rows that a map has at most.
const ROWS: u32 = 8;
/// Columns that stand before the first cell of a row: its address.
const MARGIN: usize = 14;
/// What stands for each label, in the order in which labels first appear; then letters.
const BLOCKS: [char; 4] = ['█', '▓', '▒', '░'];
const ASCII: [char; 4] = ['#', '=', '+', '-'];

/// A span with the name that the legend gives it. Marks with one label are drawn alike and share a line of the legend.
#[derive(Clone, Copy, Debug)]
pub struct Mark<'a> {
    pub span: Span,
    pub label: &'a str,
}

/// The characters to draw with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ink {
    Blocks,
    Ascii,
}

/// Draws `whole` with its marks in at most `width` columns: rows of cells, then a legend with the numbers. `rest` is what the legend calls
/// everything without a mark.
///
/// Every mark is seen, even if it is smaller than a cell: where several share a cell, the smallest is drawn.
pub fn draw(whole: Span, marks: &[Mark], rest: &str, width: usize, ink: Ink) -> Vec<String> {
    let labels = labels(marks);
    let (cell, cells) = scale(whole.len(), width);
    let mut lines: Vec<String> = chunks(whole, cell * cells).map(|row| draw_row(row, cell, marks, &labels, ink)).collect();
    lines.push(format!("{:MARGIN$}one character is {}", "", Bytes(u64::from(cell))));
    for (n, label) in labels.iter().enumerate() {
        let spans: Vec<Span> = marks.iter().filter(|m| m.label == *label).filter_map(|m| m.span.overlap(whole)).collect();
        let place = match spans.as_slice() {
            [one] => one.to_string(),
            many => format!("{} spans", many.len()),
        };
        lines.push(legend(character(n, ink), label, &place, covered(spans), whole));
    }
    let free = u64::from(whole.len()) - covered(marks.iter().filter_map(|m| m.span.overlap(whole)).collect());
    if free > 0 {
        lines.push(legend(empty(ink), rest, "", free, whole));
    }
    lines.iter_mut().for_each(|line| shorten(line, width));
    lines
}

/// The span in pieces of `size` bytes, the last one perhaps shorter.
fn chunks(span: Span, size: u32) -> impl Iterator<Item = Span> {
    (0..span.len()).step_by(size as usize).filter_map(move |n| {
        let start = ByteAddress(span.start().0 + n);
        Span::sized(start, size.min(span.end().0 - start.0))
    })
}

/// Bytes a cell and cells a row, both powers of two.
fn scale(total: u32, width: usize) -> (u32, u32) {
    let room = width.saturating_sub(MARGIN).clamp(8, 64) as u32;
    let cells = 1 << room.ilog2();
    (total.div_ceil(cells * ROWS).max(1).next_power_of_two(), cells)
}

fn labels<'a>(marks: &[Mark<'a>]) -> Vec<&'a str> {
    let mut labels = Vec::new();
    for mark in marks {
        if !labels.contains(&mark.label) {
            labels.push(mark.label);
        }
    }
    labels
}

fn draw_row(row: Span, cell: u32, marks: &[Mark], labels: &[&str], ink: Ink) -> String {
    let cells = chunks(row, cell).map(|here| {
        let smallest = marks.iter().filter(|m| m.span.overlap(here).is_some()).min_by_key(|m| m.span.len());
        let label = smallest.and_then(|m| labels.iter().position(|label| *label == m.label));
        label.map_or(empty(ink), |n| character(n, ink))
    });
    format!("  {:>10}  {}", row.start().to_string(), cells.collect::<String>())
}

fn character(label: usize, ink: Ink) -> char {
    let table = if ink == Ink::Blocks { BLOCKS } else { ASCII };
    let letter = || char::from(b'A' + ((label - table.len()) % 26) as u8);
    table.get(label).copied().unwrap_or_else(letter)
}

fn empty(ink: Ink) -> char {
    if ink == Ink::Blocks { '·' } else { '.' }
}

fn legend(character: char, label: &str, place: &str, count: u64, whole: Span) -> String {
    let percent = 100.0 * count as f64 / f64::from(whole.len().max(1));
    format!("{:MARGIN$}{character} {label:<14} {place:<18} {:>14}  {percent:5.1} %", "", Bytes(count).to_string())
}

/// How many addresses the spans hold together, each counted once.
fn covered(mut spans: Vec<Span>) -> u64 {
    spans.sort();
    let mut done = ByteAddress(0);
    let mut count = 0;
    for span in spans {
        count += u64::from(span.end().0.saturating_sub(span.start().max(done).0));
        done = done.max(span.end());
    }
    count
}

/// Cuts a line that a long label made too wide.
fn shorten(line: &mut String, width: usize) {
    if let Some((cut, _)) = line.char_indices().nth(width.max(MARGIN + 8)) {
        line.truncate(cut);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn span(start: u32, len: u32) -> Span {
        Span::sized(ByteAddress(start), len).unwrap()
    }

    #[test]
    fn a_cell_is_the_same_number_of_bytes_everywhere() {
        let marks = [Mark { span: span(0, 0x8000), label: "application" }, Mark { span: span(0x1F800, 0x800), label: "loader" }];
        let lines = draw(Span::first(0x20000), &marks, "nothing", 80, Ink::Ascii);
        let rows: Vec<&str> = lines[..8].iter().map(|line| &line[MARGIN..]).collect();
        // 128 KiB in 8 rows of 64 cells: 256 bytes each.
        assert_eq!(rows[0], "#".repeat(64));
        assert_eq!(rows[1], "#".repeat(64));
        assert_eq!(rows[2], ".".repeat(64));
        assert_eq!(rows[7], ".".repeat(56) + &"=".repeat(8));
        assert!(lines[1].starts_with("     0x04000  #"), "{}", lines[1]);
        assert!(lines[8].contains("one character is 256 bytes"));
        assert_eq!(lines[9], "              # application    0x00000 to 0x07FFF    32768 bytes   25.0 %");
        assert!(lines[10].contains("= loader") && lines[10].contains("2048 bytes"));
        assert!(lines[11].contains(". nothing") && lines[11].contains("96256 bytes"));
    }

    #[test]
    fn a_mark_smaller_than_a_cell_is_seen() {
        let marks = [Mark { span: span(0x4000, 2), label: "tiny" }, Mark { span: span(0, 0x20000), label: "all" }];
        let lines = draw(Span::first(0x20000), &marks, "nothing", 80, Ink::Blocks);
        assert!(lines[1].ends_with(&("█".to_string() + &"▓".repeat(63))), "{}", lines[1]);
        assert!(!lines.iter().any(|line| line.contains("nothing")));
    }

    #[test]
    fn overlapping_marks_count_once_in_what_is_left() {
        let marks = [Mark { span: span(0, 600), label: "a" }, Mark { span: span(500, 100), label: "b" }];
        let lines = draw(Span::first(1000), &marks, "nothing", 80, Ink::Ascii);
        assert!(lines.last().unwrap().contains("400 bytes"), "{lines:#?}");
    }

    #[test]
    fn no_line_is_wider_than_asked() {
        let long = "a label that somebody made much longer than anybody wants to read it in a legend, and then some more words";
        let marks = [Mark { span: span(0xFFFF_0000, 0x8000), label: long }, Mark { span: span(0, 1), label: "b" }];
        for width in [40, 80, 100] {
            for whole in [Span::first(1), Span::first(15), Span::first(0x40000), Span::first(u32::MAX)] {
                for line in draw(whole, &marks, "nothing", width, Ink::Blocks) {
                    assert!(line.chars().count() <= width, "{width}: {line}");
                }
            }
        }
    }

    #[test]
    fn an_empty_memory_draws_nothing_but_its_scale() {
        assert_eq!(draw(Span::first(0), &[], "nothing", 80, Ink::Ascii).len(), 1);
    }
}
