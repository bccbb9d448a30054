//! `shootout.html` and the small files beside it: the differences as a curve and tables, and a
//! player that switches while it plays and can hide which is which.
//!
//! It works from a folder, without a network. Without its script it still shows everything and links
//! to the files.

use std::fmt::Write as _;

use maud::{Markup, html};

use super::compare::{Band, Comparison, Measure};
use super::report::{By, Report};
use crate::dsp::axis;
use crate::error::printable;
use crate::report::frame::{self, CAUTION};
use crate::units::round_to;

/// The page itself.
pub(super) const PAGE: &str = "shootout.html";
/// The folder of its small files.
pub(super) const FOLDER: &str = "shootout-files";

/// What stands beside the excerpts there.
pub(super) fn parts() -> [(&'static str, Vec<u8>); 2] {
    [
        ("page.css", frame::style(include_str!("page.css"))),
        ("page.js", include_bytes!("page.js").to_vec()),
    ]
}

/// The curve: units a decade and a decibel.
const DECADE: f64 = 240.0;
const PER_DB: f64 = 12.0;
/// Ends of its frequency axis.
const ENDS_HZ: (f64, f64) = (40.0, 20_000.0);

/// A comparison with its title.
struct Shown<'a> {
    title: String,
    bands: &'a [Band],
    measures: &'a [Measure],
    words: &'a [&'static str],
}

/// Letter of a candidate, as the files are called.
fn letter(index: usize) -> char {
    char::from(b'a' + (index.min(25)) as u8)
}

fn called(report: &Report, index: usize) -> String {
    let name = report.candidates.get(index).map_or("", |c| c.name.as_str());
    format!(
        "{} ({})",
        letter(index).to_ascii_uppercase(),
        printable(name)
    )
}

/// The page. `seconds`: length of the excerpts; `rate_hz`: theirs.
pub(super) fn page(report: &Report, seconds: f64, rate_hz: u32) -> String {
    let against = |title: String, c: &Comparison| -> Markup {
        comparison(&Shown {
            title,
            bands: &c.bands,
            measures: &c.measures,
            words: &c.words,
        })
    };
    let first = called(report, 0);
    let count = report.candidates.len();
    let body = html! {
        header { h1 { (titles(report)) } }
        main #main tabindex="-1" {
            (candidates(report))
            (listen(report, seconds, rate_hz))
            section #differences aria-labelledby="differences-title" {
                h2 #differences-title { "What differs" }
                p.about {
                    "Over the matched hits, each compared with its own kind; positive where the later one has more. "
                    "The curve is the shape only: its middle is 0, whatever the level. A word is said only where "
                    "the difference is large enough to be useful and larger than the hits differ among themselves."
                }
                (comparison(&Shown {
                    title: format!("{} against {first}", called(report, 1)),
                    bands: &report.bands,
                    measures: &report.measures,
                    words: &report.words,
                }))
                @for (i, other) in report.more.iter().enumerate() {
                    (against(format!("{} against {first}", called(report, i + 2)), &other.comparison))
                }
            }
            @if !report.mics.is_empty() {
                section #mics aria-labelledby="mics-title" {
                    h2 #mics-title { "Mic by mic" }
                    @for mic in &report.mics {
                        details {
                            summary {
                                (printable(&mic.mic)) ", " (printable(&mic.name)) ": "
                                (said(&mic.comparison.words))
                            }
                            (against(format!("{}, {} against {first}", mic.mic, mic.name), &mic.comparison))
                        }
                    }
                }
            }
        }
        footer { p { (report.tool) ". The same figures are in " a href="shootout.json" { "shootout.json" } "." } }
    };
    let mut scripts: Vec<String> = (0..count).map(|i| format!("{}.js", letter(i))).collect();
    scripts.push("page.js".to_owned());
    let scripts: Vec<&str> = scripts.iter().map(String::as_str).collect();
    frame::document(&format!("Shootout of {count}"), FOLDER, &scripts, body).into_string()
}

fn titles(report: &Report) -> String {
    let names: Vec<String> = (0..report.candidates.len())
        .map(|i| called(report, i))
        .collect();
    names.join(" and ")
}

fn said(words: &[&str]) -> String {
    match words.is_empty() {
        true => "no difference that could be proven".to_owned(),
        false => words.join(", "),
    }
}

fn candidates(report: &Report) -> Markup {
    let by = match report.alignment.by {
        By::Click => "their click",
        By::Hits => "their hits",
    };
    html! {
        section aria-labelledby="candidates-title" {
            h2 #candidates-title { "How they were matched" }
            p { "Aligned by " (by) ", confidence " (report.alignment.confidence) " of 1; made equally loud over the matched hits." }
            div.scroll tabindex="0" role="region" aria-label="Candidates" {
                table {
                    thead { tr {
                        th scope="col" { "File" } th scope="col" { "Name" }
                        th.n scope="col" { "Later by, samples" } th.n scope="col" { "Drift, ppm" }
                        th.n scope="col" { "Gain, dB" } th.n scope="col" { "Hits matched" }
                    } }
                    tbody {
                        @for (i, c) in report.candidates.iter().enumerate() {
                            tr {
                                th scope="row" { a href=(c.output) { (letter(i).to_ascii_uppercase()) } }
                                td { (printable(&c.name)) }
                                td.n { (c.offset_samples) }
                                td.n { (c.drift_ppm) }
                                td.n { (signed(c.gain_db, 2)) }
                                td.n { (c.matched_hits) " of " (c.hits) }
                            }
                        }
                    }
                }
            }
            @if !report.notes.is_empty() {
                ul { @for note in &report.notes { li { (printable(note)) } } }
            }
        }
    }
}

fn listen(report: &Report, seconds: f64, rate_hz: u32) -> Markup {
    let count = report.candidates.len();
    html! {
        section #listen aria-labelledby="listen-title" data-rate=(rate_hz) data-count=(count) {
            h2 #listen-title { "Listen" }
            p.caution { strong { (CAUTION) } }
            noscript { p { "This browser runs no script: play the files of the table above." } }
            div #player hidden {
                p {
                    button #play type="button" aria-pressed="false" { "Play" } " "
                    label { "Volume " input #volume type="range" min="0" max="100" value="15"; } " "
                    output #loud for="volume" { "15 %" }
                }
                div #choices role="group" aria-label="What is heard" {
                    @for i in 0..count {
                        button.choice type="button" aria-pressed=(i == 0) { (called(report, i)) } " "
                    }
                }
                p.about {
                    "All play together from one start, " (round_to(seconds, 1)) " seconds over and over; only one is heard. "
                    "While something in this section has the focus: " kbd { "1" } " to " kbd { (count) }
                    " or the arrow keys switch, " kbd { "P" } " plays and stops."
                }
                div #blind-setup {
                    h3 { "Without knowing which is which" }
                    p {
                        @if count > 2 {
                            label { "Of " select #one { (options(report, 0)) } } " "
                            label { "and " select #other { (options(report, 1)) } } " "
                        }
                        label { "rounds " select #rounds {
                            option value="6" { "6" } option value="10" selected { "10" } option value="16" { "16" } option value="24" { "24" }
                        } } " "
                        button #blind-start type="button" { "Begin" }
                    }
                    p.about {
                        "In every round two are drawn as First and Second by chance. Listen to both, then say which you "
                        "prefer. Nothing is told before the last round. The number of rounds is fixed beforehand, since "
                        "stopping when one leads would make chance look like preference."
                    }
                }
                div #blind hidden {
                    h3 #round aria-live="polite" {}
                    p {
                        button #prefer-first type="button" { "I prefer the First" } " "
                        button #prefer-second type="button" { "I prefer the Second" } " "
                        button #blind-end type="button" { "Give up" }
                    }
                }
                div #result role="status" {}
            }
        }
    }
}

fn options(report: &Report, chosen: usize) -> Markup {
    html! {
        @for i in 0..report.candidates.len() { option value=(i) selected[i == chosen] { (called(report, i)) } }
    }
}

fn comparison(shown: &Shown<'_>) -> Markup {
    html! {
        article {
            h3 { (printable(&shown.title)) }
            p.verdict { (said(shown.words)) }
            @if !shown.bands.is_empty() { (curve(shown)) }
            div.scroll tabindex="0" role="region" aria-label="Measures" {
                table {
                    thead { tr {
                        th scope="col" { "Measure" } th.n scope="col" { "Difference" } th.n scope="col" { "Spread" }
                        th scope="col" { "Unit" } th.n scope="col" { "Hits" } th scope="col" { "Said" }
                    } }
                    tbody {
                        @for m in shown.measures {
                            tr {
                                th scope="row" { (m.name) }
                                td.n { (signed(m.difference, 2)) }
                                td.n { (m.spread) }
                                td { (m.unit) }
                                td.n { (m.hits) }
                                td { (m.word.unwrap_or("")) }
                            }
                        }
                    }
                }
            }
            details {
                summary { "The bands as numbers" }
                table {
                    thead { tr {
                        th.n scope="col" { "Hz" } th.n scope="col" { "Difference, dB" } th.n scope="col" { "Spread, dB" } th scope="col" { "" }
                    } }
                    tbody {
                        @for band in shown.bands {
                            tr {
                                th.n scope="row" { (band.hz) }
                                td.n { (band.difference_db.map_or("none".to_owned(), |d| signed(d, 2))) }
                                td.n { (band.spread_db.map_or("none".to_owned(), |d| d.to_string())) }
                                td { @if !band.over_noise { "not over the background" } }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// A number with its sign, as people write differences.
fn signed(value: f64, digits: u32) -> String {
    let value = round_to(value, digits);
    if value == 0.0 {
        "0".to_owned()
    } else {
        format!("{value:+}").replace('-', "\u{2212}")
    }
}

fn curve(shown: &Shown<'_>) -> Markup {
    let heard: Vec<(f64, f64, f64)> = shown
        .bands
        .iter()
        .filter(|b| b.over_noise)
        .filter_map(|b| Some((b.hz, b.difference_db?, b.spread_db?)))
        .collect();
    let largest = heard
        .iter()
        .map(|(_, d, s)| d.abs() + s)
        .fold(0.0, f64::max);
    // whole steps of 3 dB, at least two either way, at most eight
    let range = ((largest / 3.0).ceil() * 3.0).clamp(6.0, 24.0);
    let x = |hz: f64| round_to((hz / ENDS_HZ.0).log10() * DECADE, 1);
    let y = |db: f64| round_to((range - db.clamp(-range, range)) * PER_DB, 1);
    let (wide, high) = (x(ENDS_HZ.1), y(-range));
    let mut line = String::new();
    let mut whiskers = String::new();
    let mut last = None;
    for (i, band) in shown.bands.iter().enumerate() {
        let (Some(db), Some(spread), true) = (band.difference_db, band.spread_db, band.over_noise)
        else {
            continue;
        };
        let next_to = last == Some(i.wrapping_sub(1));
        let _ = write!(
            line,
            "{}{} {}",
            if next_to { "L" } else { "M" },
            x(band.hz),
            y(db)
        );
        let _ = write!(
            whiskers,
            "M{0} {1}V{2}",
            x(band.hz),
            y(db - spread),
            y(db + spread)
        );
        last = Some(i);
    }
    let steps = (range / 3.0) as i32;
    html! {
        figure {
            svg viewBox={ "-52 -12 " (wide + 72.0) " " (high + 58.0) } role="img" aria-label={ "Third-octave differences: " (printable(&shown.title)) } {
                @for step in -steps..=steps {
                    @let db = f64::from(step) * 3.0;
                    path class=(if step == 0 { "zero" } else { "rule" }) d={ "M0 " (y(db)) "H" (wide) } {}
                    text x="-8" y=(y(db) + 4.0) text-anchor="end" { (signed(db, 0)) }
                }
                @for (hz, label) in axis::NAMED.into_iter().filter(|named| named.0 >= ENDS_HZ.0) {
                    path.rule d={ "M" (x(hz)) " 0V" (high) } {}
                    text x=(x(hz)) y=(high + 18.0) text-anchor="middle" { (label) }
                }
                text x=(wide / 2.0) y=(high + 38.0) text-anchor="middle" { "third-octave band, Hz; difference in dB" }
                path.spread d=(whiskers) {}
                path.line d=(line) {}
            }
            figcaption { "Line: median of the hits. Bars: median deviation. Bands that do not stand over the background are left out." }
        }
    }
}
