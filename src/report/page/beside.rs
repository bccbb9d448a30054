//! What else lies in the output folder: stems that nothing makes any more, and tracks that other runs
//! wrote.

use maud::{Markup, html};
use serde_json::Value;

use super::{View, href, listen};
use crate::error::printable;

/// Nothing where there is nothing.
pub fn beside(view: &View<'_>) -> Markup {
    let past = &view.session.past;
    let listed = past.left_over.iter().map(|file| file.path.path.as_str());
    let listed: std::collections::BTreeSet<&str> = listed.collect();
    let text = |value: Option<&Value>| value.and_then(Value::as_str).unwrap_or_default().to_owned();
    let others: Vec<(String, String, String)> = (past.tracks.iter())
        .map(|row| {
            (
                text(row.get("name")),
                text(row.get("output")),
                text(row.get("report")),
            )
        })
        .filter(|(_, output, _)| !listed.contains(output.as_str()))
        .collect();
    html! {
        @if !past.left_over.is_empty() {
            section #left-over {
                h2 { "Left over" }
                p { "Nothing makes these files any more. They stay until " code { "prep --prune" } "." }
                ul {
                    @for file in &past.left_over {
                        li { code { (printable(&file.path.path)) } ": " (printable(&file.reason)) }
                    }
                }
            }
        }
        @if !others.is_empty() {
            section #beside {
                h2 { "Also in this folder" }
                p { "Other runs wrote these; they are as they were." }
                ul {
                    @for (name, output, report) in &others {
                        li {
                            (printable(name)) " "
                            @if !output.is_empty() { (listen("", output, None, "listen", name)) " " }
                            a href=(href(report)) { "report" }
                        }
                    }
                }
            }
        }
    }
}
