//! What the program could not decide by itself.

use std::collections::BTreeMap;

use maud::{Markup, html};

use super::changed::{changes_of, take_links};
use super::{Shelf, shelf};
use crate::error::printable;
use crate::finding::Code;
use crate::report::page::detail::word;
use crate::report::page::{Shown, View, count, number};
use crate::wording::{self, Sentence};

/// Findings that ask a person, gains that could not be guessed, files left out.
pub fn undecided(view: &View<'_>) -> Markup {
    let mut groups: BTreeMap<(Code, &str, Sentence), (f64, Vec<Shown<'_>>)> = BTreeMap::new();
    let mut levels: BTreeMap<(&str, String), Vec<Shown<'_>>> = BTreeMap::new();
    for track in &view.tracks {
        let changed = changes_of(track);
        for finding in &track.report.findings {
            // A finding that led to no change is left to the person.
            let open = match shelf(finding) {
                Shelf::Undecided => true,
                Shelf::Changed => changed.is_empty(),
                _ => false,
            };
            if open {
                let said = wording::finding(finding);
                let key = (finding.code(), &*track.subject.label, said);
                let (least, tracks) = groups.entry(key).or_insert((1.0, Vec::new()));
                *least = least.min(finding.confidence);
                tracks.push(*track);
            }
        }
        let gain = track.report.decisions.reasons.get("gain_db");
        if let Some(why) = gain.filter(|why| why.is_undecided()) {
            levels
                .entry((&track.subject.label, wording::reason(why)))
                .or_default()
                .push(*track);
        }
    }
    let skipped = &view.session.skipped;
    html! {
        section #undecided {
            h2 { "Undecided" }
            @if groups.is_empty() && levels.is_empty() && skipped.is_empty() && view.session.notes.is_empty() { p { "Nothing." } }
            @if !groups.is_empty() || !levels.is_empty() {
                div.scroll.words tabindex="0" role="region" aria-label="Undecided" {
                    table {
                        thead { tr {
                            th scope="col" { "Track" } th scope="col" { "What" } th scope="col" { "In words" }
                            th scope="col" { "Confidence" } th scope="col" { "Takes" }
                        } }
                        tbody {
                            @for ((code, label, said), (least, tracks)) in &groups {
                                tr {
                                    th.whole scope="row" { (label) } td { (word(code)) } td { (printable(&said.to_string())) }
                                    td.n { (number(*least)) } td { (take_links(view, tracks)) }
                                }
                            }
                            @for ((label, why), tracks) in &levels {
                                tr {
                                    th.whole scope="row" { (label) } td { "level" } td { (printable(why)) }
                                    td.n { (number(None::<f64>)) } td { (take_links(view, tracks)) }
                                }
                            }
                        }
                    }
                }
            }
            @if !view.session.notes.is_empty() {
                h3 { "Of the session as a whole" }
                ul { @for note in &view.session.notes { li { (printable(note)) } } }
            }
            @if !skipped.is_empty() {
                h3 { (count(skipped.len(), "file")) " left out of the session" }
                ul { @for file in skipped { li { span.path { (printable(&file.path.path)) } ": " (printable(&file.reason)) } } }
            }
        }
    }
}
