//! Part 6: what was written, how to decide otherwise, how to go on.

use maud::{Markup, html};

use super::View;
use crate::report::frame::CAUTION;

/// Folders and files of the output, each with what it is for.
const PLACES: [(&str, &str); 8] = [
    (
        "stems/SONG/TAKE/",
        "one stem a track: filtered, levelled, aligned to the sample",
    ),
    ("mixes/SONG/", "a rough mix of each take"),
    (
        "hits/SONG/",
        "every stroke of each take, as a table and as MIDI",
    ),
    ("notes/SONG.txt", "the track sheet of a song, to print"),
    (
        "reports/SONG/TAKE/",
        "figures, findings and decisions of each track, as JSON",
    ),
    (
        "session.json, session.csv",
        "all of this page for programs and spreadsheets",
    ),
    (
        "worksheet.toml",
        "every decision with its reason; edit it and run again",
    ),
    ("manifest-sha256.txt", "checksums of all files"),
];

/// The part.
pub fn delivery(view: &View<'_>) -> Markup {
    html! {
        section #delivery {
            div.head { h2 { span.no { "6" } "Delivery" } }
            @if view.dry {
                p { "Measured, nothing written but reports. To make stems and rough mixes:" }
                pre { "batterhead prep SESSION --out DIR" }
            } @else {
                div.two.even {
                    table.plain { tbody { @for (place, what) in PLACES { tr { th scope="row" { code { (place) } } td { (what) } } } } }
                    div {
                        p { "Decide otherwise: edit the line of a track in the worksheet, then run the same command again." }
                        pre { "batterhead prep SESSION --out DIR" }
                        p { "Prove that nothing was lost on the way:" }
                        pre { "batterhead verify DIR" }
                        p { "Without this program:" }
                        pre { "cd DIR && sha256sum -c manifest-sha256.txt" }
                    }
                }
            }
            p.caution { (CAUTION) }
        }
    }
}
