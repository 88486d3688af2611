//! Draws SVG elements. Lengths are millimetres; y grows downwards.

use std::fmt::Write;

/// Widths of lines.
const THIN: f64 = 0.25;
const WIRE: f64 = 0.45;
/// Half the height of an arrow's head, and its length.
const HEAD: (f64, f64) = (1.0, 2.6);
const LETTERS: &str = "DejaVu Sans, Liberation Sans, Arial, sans-serif";

/// A drawing in the making.
#[derive(Default)]
pub struct Pen {
    out: String,
}

#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Weight {
    Plain,
    Bold,
}

/// Which end of a text stands at its place.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    Start,
    Middle,
    End,
}

/// A length to a hundredth of a millimetre, without zeros that say nothing.
fn mm(length: f64) -> String {
    let text = format!("{length:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

impl Pen {
    fn add(&mut self, element: &str) {
        self.out.push_str(element);
        self.out.push('\n');
    }

    pub fn text(&mut self, x: f64, y: f64, size: f64, weight: Weight, anchor: Anchor, text: &str) {
        let anchor = match anchor {
            Anchor::Start => "",
            Anchor::Middle => " text-anchor=\"middle\"",
            Anchor::End => " text-anchor=\"end\"",
        };
        let weight = if weight == Weight::Bold { " font-weight=\"bold\"" } else { "" };
        let (x, y, size, text) = (mm(x), mm(y), mm(size), escaped(text));
        self.add(&format!("<text x=\"{x}\" y=\"{y}\" font-size=\"{size}\"{anchor}{weight} xml:space=\"preserve\">{text}</text>"));
    }

    /// A wire through these points; each stretch is level or upright.
    pub fn wire(&mut self, points: &[(f64, f64)]) {
        self.line(points, WIRE, "wire");
    }

    pub fn thin(&mut self, points: &[(f64, f64)]) {
        self.line(points, THIN, "thin");
    }

    fn line(&mut self, points: &[(f64, f64)], width: f64, class: &str) {
        let mut path = String::new();
        for (n, (x, y)) in points.iter().enumerate() {
            // Writing to a text cannot fail.
            let _ = write!(path, "{}{} {} ", if n == 0 { "M" } else { "L" }, mm(*x), mm(*y));
        }
        self.add(&format!("<path class=\"{class}\" d=\"{}\" fill=\"none\" stroke=\"black\" stroke-width=\"{width}\"/>", path.trim_end()));
    }

    pub fn frame(&mut self, x: f64, y: f64, width: f64, height: f64) {
        self.shape(&format!("<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"", mm(x), mm(y), mm(width), mm(height)));
    }

    fn shape(&mut self, begun: &str) {
        self.add(&format!("{begun} fill=\"white\" stroke=\"black\" stroke-width=\"{THIN}\"/>"));
    }

    /// A pin: a ring, or a square for the first of a header. `class` and `name` are for whoever reads the drawing with a program.
    pub fn pin(&mut self, class: &str, name: &str, (x, y): (f64, f64), square: bool) {
        let radius = 1.3;
        let name = escaped(name);
        let place = format!("data-pin=\"{name}\" data-at=\"{} {}\"", mm(x), mm(y));
        match square {
            true => {
                let (left, top, side) = (mm(x - radius), mm(y - radius), mm(2.0 * radius));
                self.shape(&format!("<rect class=\"{class}\" {place} x=\"{left}\" y=\"{top}\" width=\"{side}\" height=\"{side}\""));
            }
            false => self.shape(&format!("<circle class=\"{class}\" {place} cx=\"{}\" cy=\"{}\" r=\"{radius}\"", mm(x), mm(y))),
        }
    }

    /// Where two wires join.
    pub fn dot(&mut self, (x, y): (f64, f64)) {
        self.add(&format!("<circle class=\"joint\" cx=\"{}\" cy=\"{}\" r=\"0.8\" fill=\"black\"/>", mm(x), mm(y)));
    }

    /// An arrow's head whose tip is at `x`, pointing to the right or to the left.
    pub fn arrow(&mut self, (x, y): (f64, f64), right: bool) {
        let back = if right { x - HEAD.1 } else { x + HEAD.1 };
        let (tip, back, up, down) = (mm(x), mm(back), mm(y - HEAD.0), mm(y + HEAD.0));
        self.add(&format!("<path class=\"head\" d=\"M{tip} {} L{back} {up} L{back} {down} Z\" fill=\"black\"/>", mm(y)));
    }

    /// A triangle of a buffer, `from` and `to` being where the wire goes in and out.
    pub fn triangle(&mut self, from: (f64, f64), to: (f64, f64)) {
        let half = 3.0;
        let (base, tip, y) = (mm(from.0), mm(to.0), from.1);
        self.shape(&format!("<path class=\"gate\" d=\"M{base} {} L{base} {} L{tip} {} Z\"", mm(y - half), mm(y + half), mm(y)));
    }

    /// Says, for whoever reads the drawing with a program, that a part joins two points.
    pub fn joins(&mut self, name: &str, from: (f64, f64), to: (f64, f64)) {
        let (name, ends) = (escaped(name), format!("{} {} {} {}", mm(from.0), mm(from.1), mm(to.0), mm(to.1)));
        self.add(&format!("<g class=\"part\" data-part=\"{name}\" data-ends=\"{ends}\"/>"));
    }

    /// The whole document.
    pub fn page(self, (width, height): (f64, f64), title: &str) -> String {
        let size = format!("width=\"{width}mm\" height=\"{height}mm\" viewBox=\"0 0 {width} {height}\"");
        let head = format!("<svg xmlns=\"http://www.w3.org/2000/svg\" {size} font-family=\"{LETTERS}\">");
        let paper = format!("<rect width=\"{width}\" height=\"{height}\" fill=\"white\"/>");
        let title = escaped(title);
        format!("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n{head}\n<title>{title}</title>\n{paper}\n{}</svg>\n", self.out)
    }
}
