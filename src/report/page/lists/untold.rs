//! What the program could not tell by itself.

use std::collections::BTreeMap;

use maud::{Markup, html};

use super::changed::{changes_of, is_guessless, take_links};
use super::{Shelf, shelf};
use crate::error::printable;
use crate::finding::Code;
use crate::report::page::detail::word;
use crate::report::page::{Shown, View, count, number};

/// Findings that ask a person, gains that could not be guessed, files left out.
pub fn untold(view: &View<'_>) -> Markup {
    let mut groups: BTreeMap<(Code, &str, &str), Vec<Shown<'_>>> = BTreeMap::new();
    let mut levels: BTreeMap<(&str, &str), Vec<Shown<'_>>> = BTreeMap::new();
    for track in &view.tracks {
        let changed = changes_of(track);
        for finding in &track.report.findings {
            // A finding that led to no change is left to the person.
            let open = match shelf(finding) {
                Shelf::Untold => true,
                Shelf::Changed => changed.is_empty(),
                _ => false,
            };
            if open {
                let key = (finding.code, &*track.subject.label, &*finding.message);
                groups.entry(key).or_default().push(*track);
            }
        }
        if let Some(why) = track
            .report
            .decisions
            .reasons
            .get("gain_db")
            .filter(|why| is_guessless(why))
        {
            levels
                .entry((&track.subject.label, why))
                .or_default()
                .push(*track);
        }
    }
    let skipped = &view.session.skipped;
    html! {
        section #untold {
            h2 { "What could not be told" }
            @if groups.is_empty() && levels.is_empty() && skipped.is_empty() && view.session.notes.is_empty() { p { "Nothing." } }
            @if !groups.is_empty() || !levels.is_empty() {
                div.scroll.words tabindex="0" role="region" aria-label="What could not be told" {
                    table {
                        thead { tr {
                            th scope="col" { "Track" } th scope="col" { "What" } th scope="col" { "In words" }
                            th scope="col" { "Confidence" } th scope="col" { "Takes" }
                        } }
                        tbody {
                            @for ((code, label, message), tracks) in &groups {
                                @let sure = tracks.iter().flat_map(|t| &t.report.findings)
                                    .filter(|f| f.code == *code && f.message == *message)
                                    .map(|f| f.confidence).min_by(f64::total_cmp);
                                tr {
                                    th.whole scope="row" { (label) } td { (word(code)) } td { (printable(message)) }
                                    td.n { (number(sure)) } td { (take_links(view, tracks)) }
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
