//! A page of HTML with everything in it: no script, nothing fetched, made for A4 paper as well.

const STYLE: &str = "
@page { size: A4; margin: 16mm 15mm; }
* { box-sizing: border-box; }
body { font: 10pt/1.4 'DejaVu Sans', 'Liberation Sans', Arial, sans-serif; color: #111; background: #fff; }
body { max-width: 180mm; margin: 8mm auto; }
h1 { font-size: 17pt; line-height: 1.2; margin: 0 0 4mm; }
h2 { font-size: 12.5pt; margin: 8mm 0 2mm; padding-bottom: 1mm; border-bottom: 0.3mm solid #111; break-after: avoid; }
h3 { font-size: 10pt; margin: 5mm 0 1mm; break-after: avoid; }
p { margin: 0 0 2mm; }
table { border-collapse: collapse; width: 100%; margin: 0 0 2mm; }
th, td { text-align: left; vertical-align: top; padding: 0.8mm 2.5mm 0.8mm 0; overflow-wrap: break-word; }
thead th { border-bottom: 0.2mm solid #111; font-weight: 600; font-size: 8.5pt; }
tbody tr { border-bottom: 0.1mm solid #bbb; break-inside: avoid; }
table.facts { table-layout: fixed; }
table.facts th { width: 32mm; font-weight: 600; }
.number { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
.code { font-family: 'DejaVu Sans Mono', 'Liberation Mono', monospace; font-size: 7.5pt; overflow-wrap: anywhere; min-width: 55mm; }
.name { overflow-wrap: anywhere; min-width: 35mm; }
.warning { border: 0.5mm solid #111; padding: 2mm 3mm; margin: 3mm 0; font-weight: 600; break-inside: avoid; }
figure { margin: 3mm 0; break-inside: avoid; }
svg { display: block; width: 100%; height: auto; }
footer { margin-top: 8mm; padding-top: 1mm; border-top: 0.1mm solid #111; font-size: 8pt; }
@media print { body { margin: 0; max-width: none; } * { print-color-adjust: exact; } }
";

/// A page in the making.
pub struct Page {
    title: String,
    body: String,
}

/// What stands in a cell of a table.
pub struct Cell {
    class: &'static str,
    html: String,
}

impl Cell {
    pub fn text(text: &str) -> Cell {
        Cell { class: "", html: escaped(text) }
    }

    pub fn number(text: &str) -> Cell {
        Cell { class: " class=\"number\"", html: escaped(text) }
    }

    pub fn code(text: &str) -> Cell {
        Cell { class: " class=\"code\"", html: escaped(text) }
    }

    /// A path or another text without spaces, which may be broken anywhere.
    pub fn name(text: &str) -> Cell {
        Cell { class: " class=\"name\"", html: escaped(text) }
    }

    pub fn strong(text: &str) -> Cell {
        Cell { class: "", html: format!("<strong>{}</strong> (changed)", escaped(text)) }
    }

    /// What is HTML already.
    pub fn html(html: String) -> Cell {
        Cell { class: "", html }
    }
}

/// A text that may hold anything, as HTML.
pub fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

impl Page {
    pub fn new(title: &str) -> Page {
        Page { title: escaped(title), body: String::new() }
    }

    fn add(&mut self, html: &str) {
        self.body.push_str(html);
        self.body.push('\n');
    }

    pub fn heading(&mut self, text: &str) {
        self.add(&format!("<h2>{}</h2>", escaped(text)));
    }

    pub fn paragraph(&mut self, text: &str) {
        self.add(&format!("<p>{}</p>", escaped(text)));
    }

    /// What nobody must overlook.
    pub fn warning(&mut self, text: &str) {
        self.add(&format!("<p class=\"warning\">{}</p>", escaped(text)));
    }

    /// A row a fact: its name and its value.
    pub fn facts(&mut self, rows: &[(&str, String)]) {
        let row = |(name, value): &(&str, String)| format!("<tr><th scope=\"row\">{}</th><td>{}</td></tr>", escaped(name), escaped(value));
        self.add(&format!("<table class=\"facts\"><tbody>\n{}\n</tbody></table>", rows.iter().map(row).collect::<Vec<_>>().join("\n")));
    }

    /// A table under a small heading; nothing where it has no rows.
    pub fn table(&mut self, title: &str, columns: &[&str], rows: Vec<Vec<Cell>>) {
        if rows.is_empty() {
            return;
        }
        self.add(&format!("<h3>{}</h3>", escaped(title)));
        self.add(&table(columns, rows));
    }

    /// A drawing and the table that explains it.
    pub fn drawing(&mut self, title: &str, svg: &str, legend: &str) {
        self.add(&format!("<figure><h3>{}</h3>\n{svg}\n{legend}</figure>", escaped(title)));
    }

    pub fn finish(self, footer: &str) -> String {
        let Page { title, body } = self;
        format!(
            "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>{title}</title>\n<style>{STYLE}</style>\n\
             </head>\n<body>\n<h1>{title}</h1>\n{body}<footer>{}</footer>\n</body>\n</html>\n",
            escaped(footer)
        )
    }
}

/// A table with a head.
pub fn table(columns: &[&str], rows: Vec<Vec<Cell>>) -> String {
    // A column of numbers has its head on the right, as its numbers are.
    let class =
        |n: usize| rows.first().and_then(|row| row.get(n)).filter(|cell| cell.class.contains("number")).map_or("", |cell| cell.class);
    let head: String =
        columns.iter().enumerate().map(|(n, name)| format!("<th scope=\"col\"{}>{}</th>", class(n), escaped(name))).collect();
    let cell = |cell: &Cell| format!("<td{}>{}</td>", cell.class, cell.html);
    let row = |row: &Vec<Cell>| format!("<tr>{}</tr>", row.iter().map(cell).collect::<String>());
    let body: Vec<String> = rows.iter().map(row).collect();
    format!("<table><thead><tr>{head}</tr></thead><tbody>\n{}\n</tbody></table>", body.join("\n"))
}
