//! A memory before and after a job, drawn to scale as bars, with what changed under them.

use super::page::{Cell, table};
use crate::board::MemoryShape;
use crate::cli::output;
use crate::cli::parts::Part;
use crate::image::{ByteAddress, Image, Span};

/// Lengths in the drawing's own unit, a millimetre on A4.
const WIDTH: f64 = 180.0;
const LEFT: f64 = 22.0;
const BAR: f64 = 7.0;
const STEP: f64 = 9.0;
/// What is smaller than a hair would not be seen in print.
const HAIR: f64 = 0.25;

/// Shades of parts, in their order; they differ in lightness too, for paper without colours.
const SHADES: [&str; 5] = ["#7a3b12", "#2f6f4f", "#3f6ea5", "#8a6bb0", "#b08a2f"];
const SHADE_CHANGED: &str = "#111";

/// What a memory held and holds.
pub struct Pair<'a> {
    pub before: &'a Image,
    pub after: &'a Image,
    pub shape: MemoryShape,
}

impl Pair<'_> {
    fn scale(&self, address: u32) -> f64 {
        LEFT + (WIDTH - LEFT) * f64::from(address) / f64::from(self.shape.bytes.max(1))
    }

    fn blank(&self, image: &Image, page: Span) -> bool {
        image.within(page).all(|(_, run)| run.iter().all(|byte| *byte == self.shape.blank))
    }

    /// A byte that is known in both and differs.
    fn changed(&self, page: Span) -> bool {
        self.changed_bytes(page) > 0
    }

    fn changed_bytes(&self, span: Span) -> usize {
        let differs = |at: &u32| {
            let both = self.before.byte(ByteAddress(*at)).zip(self.after.byte(ByteAddress(*at)));
            both.is_some_and(|(before, after)| before != after)
        };
        (span.start().0..span.end().0).filter(differs).count()
    }

    /// Pages for which this is so, those that touch as one.
    fn pages(&self, of: Span, is: impl Fn(Span) -> bool) -> Vec<Span> {
        let mut found: Vec<Span> = Vec::new();
        for page in of.pages(self.shape.page.max(1)).filter(|page| is(*page)) {
            match found.last_mut() {
                Some(last) if last.end() == page.start() => *last = Span::new(last.start(), page.end()).unwrap_or(*last),
                _ => found.push(page),
            }
        }
        found
    }

    fn rect(&self, span: Span, y: f64, fill: &str) -> String {
        let (x, end) = (self.scale(span.start().0), self.scale(span.end().0));
        format!("<rect x=\"{x:.2}\" y=\"{y:.2}\" width=\"{:.2}\" height=\"{BAR}\" fill=\"{fill}\"/>\n", (end - x).max(HAIR))
    }
}

/// The bars.
pub fn draw(pair: &Pair, parts: &[&Part]) -> String {
    let whole = Span::first(pair.shape.bytes);
    let mut svg = bar("parts", 0.0);
    for (part, shade) in parts.iter().zip(SHADES.iter().cycle()) {
        part.spans.iter().for_each(|span| svg += &pair.rect(*span, 0.0, shade));
    }
    for (row, (label, image)) in [("before", pair.before), ("afterwards", pair.after)].into_iter().enumerate() {
        let y = STEP * (row + 1) as f64;
        svg += &bar(label, y);
        for (part, shade) in parts.iter().zip(SHADES.iter().cycle()) {
            let filled = part.spans.iter().flat_map(|span| pair.pages(*span, |page| !pair.blank(image, page)));
            filled.for_each(|span| svg += &pair.rect(span, y, shade));
        }
        image.gaps(whole).into_iter().for_each(|span| svg += &pair.rect(span, y, "url(#unknown)"));
    }
    let y = 3.0 * STEP;
    svg += &bar("changed", y);
    pair.pages(whole, |page| pair.changed(page)).into_iter().for_each(|span| svg += &pair.rect(span, y, SHADE_CHANGED));
    svg += &axis(pair, 3.0 * STEP + BAR);
    let hatch = "<defs><pattern id=\"unknown\" width=\"2\" height=\"2\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\">\
                 <rect width=\"2\" height=\"2\" fill=\"#fff\"/><rect width=\"0.6\" height=\"2\" fill=\"#777\"/></pattern></defs>";
    let height = 3.0 * STEP + BAR + 6.0;
    format!("<svg viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" aria-label=\"map before and afterwards\">\n{hatch}\n{svg}</svg>")
}

fn bar(label: &str, y: f64) -> String {
    let width = WIDTH - LEFT;
    let text = format!("<text x=\"0\" y=\"{:.2}\" font-size=\"3.2\">{label}</text>\n", y + BAR * 0.66);
    text + &format!(
        "<rect x=\"{LEFT}\" y=\"{y:.2}\" width=\"{width}\" height=\"{BAR}\" fill=\"#eee\" stroke=\"#999\" stroke-width=\"0.15\"/>\n"
    )
}

/// Addresses at each quarter.
fn axis(pair: &Pair, y: f64) -> String {
    let mut svg = String::new();
    for quarter in 0..=4u32 {
        let address = (u64::from(pair.shape.bytes) * u64::from(quarter) / 4) as u32;
        let x = pair.scale(address);
        let anchor = match quarter {
            0 => "start",
            4 => "end",
            _ => "middle",
        };
        let label = if quarter == 4 { ByteAddress(address.saturating_sub(1)) } else { ByteAddress(address) };
        svg += &format!("<path d=\"M{x:.2} {y:.2} v1.2\" stroke=\"#111\" stroke-width=\"0.2\"/>\n");
        svg += &format!("<text x=\"{x:.2}\" y=\"{:.2}\" font-size=\"2.8\" text-anchor=\"{anchor}\">{label}</text>\n", y + 4.4);
    }
    svg
}

/// The parts with their shades and numbers.
pub fn legend(pair: &Pair, parts: &[&Part]) -> String {
    let set = |image: &Image, part: &Part| {
        let held = part.of(image);
        let unknown = (held.len() as u32) < part.bytes();
        let count = held.runs().flat_map(|(_, run)| run).filter(|byte| **byte != pair.shape.blank).count();
        if unknown { "not known".to_owned() } else { count.to_string() }
    };
    let row = |(part, shade): (&&Part, &&str)| {
        let swatch =
            format!("<svg viewBox=\"0 0 4 4\" style=\"width:4mm;display:inline\"><rect width=\"4\" height=\"4\" fill=\"{shade}\"/></svg>");
        let changed: usize = part.spans.iter().map(|span| pair.changed_bytes(*span)).sum();
        vec![
            Cell::html(swatch),
            Cell::text(&part.name),
            Cell::text(&part.place()),
            Cell::number(&output::bytes(part.bytes().into())),
            Cell::number(&set(pair.before, part)),
            Cell::number(&set(pair.after, part)),
            Cell::number(&changed.to_string()),
        ]
    };
    let rows = parts.iter().zip(SHADES.iter().cycle()).map(row).collect();
    table(&["", "part", "where", "size", "set before", "set afterwards", "bytes changed"], rows)
}
