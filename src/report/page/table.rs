//! All tracks in one table, which the script makes sortable and filterable.

use std::io::{self, Write};

use maud::{Markup, PreEscaped, html};
use serde_json::Value;

use super::{HERE, Shown, View, around, figure, listen};
use crate::finding::Severity;
use crate::report::columns::COLUMNS;

/// The columns of the CSV that are shown, with a heading for people.
const SHOWN: [(&str, &str); 12] = [
    ("song", "Song"),
    ("take", "Take"),
    ("mic", "Mic"),
    ("gain_db", "Gain, dB"),
    ("before_true_peak_dbtp", "True peak before, dBTP"),
    ("before_integrated_lufs", "Loudness before, LUFS"),
    ("after_true_peak_dbtp", "True peak after, dBTP"),
    ("after_integrated_lufs", "Loudness after, LUFS"),
    ("hits", "Hits"),
    ("hit_level_dbfs", "Hit level, dBFS"),
    ("fundamental_hz", "Fundamental, Hz"),
    ("findings", "Findings"),
];

/// Those that sort as text.
const TEXTS: [&str; 4] = ["song", "take", "mic", "findings"];

/// One row a track.
pub fn table(view: &View<'_>, sink: &mut dyn Write) -> io::Result<()> {
    let frame = html! {
        section #table {
            h2 { "All tracks" }
            div #filter hidden {
                label for="words" { "Show rows with " }
                input #words type="search" autocomplete="off" spellcheck="false";
                " "
                label { input #open type="checkbox"; " only with problems or warnings" }
                " "
                span #shown role="status" {}
            }
            div.scroll tabindex="0" role="region" aria-label="All tracks" {
                table #all {
                    caption { "All figures of every track are in " a href="session.csv" { "session.csv" } " and " a href="session.json" { "session.json" } "." }
                    thead { tr {
                        th scope="col" data-sort="text" { "Track" }
                        @for (key, title) in SHOWN {
                            th scope="col" data-sort=(if TEXTS.contains(&key) { "text" } else { "number" }) { (title) }
                        }
                        th scope="col" { "Listen" }
                    } }
                    tbody { (PreEscaped(HERE)) }
                }
            }
        }
    };
    around(frame, sink, |sink| {
        let mut tracks = view.tracks.iter();
        tracks.try_for_each(|track| sink.write_all(row(view, track).0.as_bytes()))
    })
}

fn row(view: &View<'_>, track: &Shown<'_>) -> Markup {
    let open = track
        .report
        .findings
        .iter()
        .any(|f| f.severity > Severity::Note);
    let cell = |key: &str| {
        COLUMNS
            .iter()
            .find(|c| c.key == key)
            .map_or(Value::Null, |c| (c.cell)(track.report))
    };
    html! {
        tr data-open[open] {
            th scope="row" { a href=(view.address(track)) { (track.report.name) } }
            @for (key, _) in SHOWN {
                @let value = cell(key);
                td.n[!TEXTS.contains(&key)] data-key=(key) { (figure(&value)) }
            }
            td {
                @match &track.report.output {
                    Some(output) => (listen("", &output.path, None, "Play", &track.report.name)),
                    None => "–",
                }
            }
        }
    }
}
