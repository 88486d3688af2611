//! Pages in words.

use crate::image::Span;
use crate::units::Count;

/// At most so many pages are told one by one.
const TOLD: usize = 4;

pub(super) fn places(pages: &[Span]) -> String {
    let first: Vec<String> = pages.iter().take(TOLD).map(Span::to_string).collect();
    match pages.len() {
        0..=TOLD => first.join(", "),
        more => format!("{} and {}", first.join(", "), Count(more - TOLD, "more page")),
    }
}

pub(super) fn are(pages: &[Span]) -> String {
    let is = if pages.len() == 1 { "page" } else { "pages" };
    format!("{is} {} {}", places(pages), if pages.len() == 1 { "is" } else { "are" })
}
