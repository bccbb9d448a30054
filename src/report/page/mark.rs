//! Marks: a shape first, then a word, then a colour.

use maud::{Markup, html};

use crate::finding::Severity;

/// The symbols, drawn once a page. A filled diamond asks most, an open triangle less.
pub fn symbols() -> Markup {
    html! {
        svg.symbols width="0" height="0" aria-hidden="true" focusable="false" {
            defs {
                symbol #mark-problem viewBox="0 0 12 12" { path.full d="M6 0 12 6 6 12 0 6Z" {} }
                symbol #mark-warning viewBox="0 0 12 12" { path d="M6 1 11.5 11H.5Z" {} }
                symbol #mark-silent viewBox="0 0 12 12" { path d="M6 3a3 3 0 1 0 .01 0Z" {} }
                symbol #mark-failed viewBox="0 0 12 12" { path d="M2 2 10 10M10 2 2 10" {} }
                symbol #mark-play viewBox="0 0 8 10" { path.full d="M0 0 8 5 0 10Z" {} }
            }
        }
    }
}

/// One of the symbols, for the eye alone.
pub fn symbol(name: &str) -> Markup {
    html! { svg.mark aria-hidden="true" focusable="false" { use href={ "#mark-" (name) } {} } }
}

/// How grave something is, with its word.
pub fn severity(severity: Severity) -> Markup {
    let (name, word) = match severity {
        Severity::Problem => ("problem", "Problem"),
        Severity::Warning => ("warning", "Warning"),
        Severity::Note => return html! { "Note" },
    };
    html! { span.severity.(name) { (symbol(name)) " " (word) } }
}
