//! `shootout.html` and the small files beside it: the differences as a curve and tables, and a
//! player that switches while it plays and can hide which is which.
//!
//! It works from a folder, without a network. Without its script it still shows everything and links
//! to the files.

use std::fmt::Write as _;

use maud::{Markup, html};

use super::answer::{self, Answer};
use super::compare::{Band, Comparison};
use super::report::{By, MicComparison, Report};
use crate::compared::Measure;
use crate::dsp::axis;
use crate::error::printable;
use crate::report::frame::{self, CAUTION};
use crate::units::round_to;
use crate::wording::numbers::plain;
use crate::wording::{self, counted, text};

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
}

impl<'a> Shown<'a> {
    fn new(title: String, comparison: &'a Comparison) -> Self {
        Self {
            title,
            bands: &comparison.bands,
            measures: &comparison.measures,
        }
    }
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
    let count = report.candidates.len();
    let answers = answer::answers(report);
    let names: Vec<String> = (0..count).map(|i| called(report, i)).collect();
    let body = html! {
        header {
            p.small { "Shootout, " (report.tool) }
            h1 { (names.join(" or ")) }
            @for (i, answer) in answers.iter().enumerate() { (said(report, answer, i + 1)) }
        }
        main #main tabindex="-1" {
            (listen(report, seconds, rate_hz))
            section #differences {
                (head("2", "What differs", "Medians over the matched hits, each compared with its own kind. ±: 95 % interval of that median. A word is said only of what is larger than its ± and large enough to be heard."))
                @for (i, answer) in answers.iter().enumerate() { (differences(report, answer, i + 1)) }
            }
            (mics(report, &answers))
            (candidates(report))
        }
        footer { p { "The same figures are in " a href="shootout.json" { "shootout.json" } "." } }
    };
    let mut scripts: Vec<String> = (0..count).map(|i| format!("{}.js", letter(i))).collect();
    scripts.push("page.js".to_owned());
    let scripts: Vec<&str> = scripts.iter().map(String::as_str).collect();
    frame::document(&names.join(" or "), FOLDER, &scripts, body).into_string()
}

fn head(number: &str, title: &str, about: &str) -> Markup {
    html! {
        div.head {
            h2 { span.no { (number) } (title) }
            p { (about) }
        }
    }
}

/// The sentence, and what it rests on.
fn said(report: &Report, answer: &Answer<'_>, index: usize) -> Markup {
    let by = match report.alignment.by {
        By::Click => "Aligned by click, to the sample",
        By::Hits => "Aligned by hits",
    };
    let gain_db = report.candidates.get(index).map_or(0.0, |c| c.gain_db);
    html! {
        p.answer {
            @if answer.claims.is_empty() {
                strong { "No provable difference" } " between " (called(report, index)) " and " (called(report, 0)) "."
            } @else {
                (called(report, index)) " "
                @for (i, (claim, evidence)) in answer.claims.iter().enumerate() {
                    @if i > 0 { @if i + 1 == answer.claims.len() { " and " } @else { ", " } }
                    strong { (claim) } " " span { "(" (evidence) ")" }
                }
                "."
            }
            @if let Some(rest) = answer.rest() { " " (rest) }
        }
        p.small {
            (counted(answer.hits, "pair")) " of hits"
            @if let Some(mic) = answer.mic { " in " (printable(mic)) }
            ", each against its like. " (by) "; made equally loud ("
            (letter(index).to_ascii_uppercase()) " " (text::signed(gain_db, 1)) " dB)."
        }
    }
}

/// The table and the curve that an answer rests on.
fn differences(report: &Report, answer: &Answer<'_>, index: usize) -> Markup {
    let mut title = format!("{} against {}", called(report, index), called(report, 0));
    if let Some(mic) = answer.mic {
        title = format!("{}: {title}", printable(mic));
    }
    let of_mic =
        |mic: &&MicComparison| mic.name == answer.name && Some(mic.mic.as_str()) == answer.mic;
    let bands = match answer.mic {
        Some(_) => report
            .mics
            .iter()
            .find(of_mic)
            .map(|mic| mic.comparison.bands.as_slice()),
        None => Some(report.against_first(index).0),
    };
    comparison(
        &Shown {
            title,
            bands: bands.unwrap_or_default(),
            measures: answer.measures,
        },
        index,
    )
}

/// What else was compared: all mics together where the answer is one mic's, and every other mic.
fn mics(report: &Report, answers: &[Answer<'_>]) -> Markup {
    let place = |name: &str| {
        report
            .candidates
            .iter()
            .position(|c| c.name == name)
            .unwrap_or(1)
    };
    let first = called(report, 0);
    html! {
        @if !report.mics.is_empty() {
            section #mics {
                (head("3", "Mic by mic", "Over the hits of its own drum where they are known."))
                @for (i, _) in answers.iter().enumerate().filter(|(_, answer)| answer.mic.is_some()) {
                    @let name = called(report, i + 1);
                    @let (bands, measures, words) = report.against_first(i + 1);
                    details {
                        summary { b { "All mics together" } ", " (name) ": " (in_short(words)) }
                        (comparison(&Shown { title: format!("All mics, {name} against {first}"), bands, measures }, i + 1))
                    }
                }
                @for mic in &report.mics {
                    @let name = called(report, place(&mic.name));
                    details {
                        summary { b { (printable(&mic.mic)) } ", " (name) ": " (in_short(&mic.comparison.words)) }
                        (comparison(&Shown::new(format!("{}, {name} against {first}", printable(&mic.mic)), &mic.comparison), place(&mic.name)))
                    }
                }
            }
        }
    }
}

fn in_short(words: &[&str]) -> String {
    match words.is_empty() {
        true => "no provable difference".to_owned(),
        false => words.join(", "),
    }
}

fn candidates(report: &Report) -> Markup {
    let number = if report.mics.is_empty() { "3" } else { "4" };
    html! {
        section #matched {
            (head(number, "How they were matched", ""))
            table.stack {
                thead { tr {
                    th scope="col" { "File" } th scope="col" { "Name" }
                    th.r scope="col" { "Later by, samples" } th.r scope="col" { "Drift, ppm" }
                    th.r scope="col" { "Gain, dB" } th.r scope="col" { "Hits matched" }
                } }
                tbody {
                    @for (i, c) in report.candidates.iter().enumerate() {
                        tr {
                            th scope="row" { a href=(c.output) { (letter(i)) ".wav" } }
                            td { (printable(&c.name)) }
                            td.r data-label="Later by, samples" { (plain(c.offset_samples as f64, 0)) }
                            td.r data-label="Drift, ppm" { (plain(c.drift_ppm, 1)) }
                            td.r data-label="Gain, dB" { (text::signed(c.gain_db, 2)) }
                            td.r data-label="Hits matched" { (c.matched_hits) " of " (c.hits) }
                        }
                    }
                }
            }
            @if report.alignment.confidence < wording::UNSURE {
                p { "The alignment is " (wording::percent(report.alignment.confidence)) " sure: check by ear." }
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
        section #listen {
            (head("1", "Listen", "All play in step, one is heard."))
            p.caution { strong { (CAUTION) } }
            noscript {
                p {
                    "This browser runs no script: play "
                    @for (i, c) in report.candidates.iter().enumerate() {
                        @if i > 0 { ", " }
                        a href=(c.output) { (called(report, i)) }
                    }
                    "."
                }
            }
        }
        div #voices data-rate=(rate_hz) data-count=(count) {
            div #player role="region" aria-label="Player" hidden {
                button #play type="button" aria-pressed="false" { "Play" }
                span #choices role="group" aria-label="What is heard" {
                    @for i in 0..count {
                        button.choice type="button" aria-pressed=(i == 0) { (called(report, i)) } " "
                    }
                }
                label { "Volume " input #volume type="range" min="0" max="100" value="15"; }
                output #loud for="volume" { "15 %" }
            }
            div #trial hidden {
                div #blind-setup {
                    p {
                        strong { "Blind. " }
                        "Which is which is drawn anew each round, and shown after the last. "
                        @if count > 2 {
                            label { "Of " select #one { (options(report, 0)) } } " "
                            label { "and " select #other { (options(report, 1)) } } " "
                        }
                        label { "Rounds " select #rounds {
                            option value="6" { "6" } option value="10" selected { "10" } option value="16" { "16" } option value="24" { "24" }
                        } } " "
                        button #blind-start type="button" { "Begin blind test" }
                    }
                }
                p #blind hidden {
                    strong #round aria-live="polite" {} " "
                    button #prefer-first type="button" { "Prefer First" } " "
                    button #prefer-second type="button" { "Prefer Second" } " "
                    button #blind-end type="button" { "Stop" }
                }
                p #result role="status" {}
                p.small {
                    (text::time(seconds, 1)) " over and over. With the focus here: "
                    kbd { "1" } " to " kbd { (count) } " or " kbd { "←" } " " kbd { "→" } " switch, " kbd { "P" } " plays and stops."
                }
            }
        }
    }
}

fn options(report: &Report, chosen: usize) -> Markup {
    html! {
        @for i in 0..report.candidates.len() { option value=(i) selected[i == chosen] { (called(report, i)) } }
    }
}

/// The table, what is proven first, and the curve.
fn comparison(shown: &Shown<'_>, index: usize) -> Markup {
    let (proven, other): (Vec<&Measure>, Vec<&Measure>) =
        shown.measures.iter().partition(|m| m.said);
    let (judged, plain): (Vec<&Measure>, Vec<&Measure>) =
        other.into_iter().partition(|m| m.step.is_some());
    let later = letter(index).to_ascii_uppercase();
    let groups = [
        ("Provable", proven),
        ("Not provable, or too small to matter", judged),
        ("For information", plain),
    ];
    html! {
        article {
            h3 { (shown.title) }
            table.stack.measures {
                thead { tr {
                    th scope="col" { "Measure" } th scope="col" { "What it is" }
                    th.r scope="col" { "A" } th.r scope="col" { (later) }
                    th.r scope="col" { (later) " minus A" }
                    th.zone scope="col" { span.ends { span { "less" } span { "too small" } span { "more" } } }
                    th scope="col" { "Provable?" }
                } }
                tbody {
                    @for (title, rows) in groups.iter().filter(|(_, rows)| !rows.is_empty()) {
                        tr.sub { th colspan="7" scope="rowgroup" { (title) } }
                        @for m in rows { (row(m, later)) }
                    }
                }
            }
            @if !shown.bands.is_empty() { (curve(shown)) }
            (numbers(shown))
        }
    }
}

fn row(m: &Measure, later: char) -> Markup {
    let (name, what) = wording::compared::described(m);
    let (difference, plus_minus) = wording::compared::shown(m);
    let none = || text::NONE.to_owned();
    html! {
        tr {
            th scope="row" { (name) }
            td.soft { (what) }
            td.r data-label="A" { (wording::compared::value(m, m.first).unwrap_or_else(none)) }
            td.r data-label=(later) { (wording::compared::value(m, m.later).unwrap_or_else(none)) }
            td.r data-label={ (later) " minus A" } {
                (difference)
                @if let Some(pm) = plus_minus { " ± " (pm) }
            }
            td.zone { (zone(m)) }
            td { (wording::compared::verdict(m)) }
        }
    }
}

/// Where the difference lies, in steps: the middle is too small to matter.
fn zone(m: &Measure) -> Markup {
    const STEPS: f64 = 4.0;
    let Some(step) = m.step else { return html! {} };
    let x = |value: f64| round_to(60.0 + 58.0 * (value / step / STEPS).clamp(-1.0, 1.0), 1);
    let pm = m.plus_minus.unwrap_or(f64::INFINITY);
    let (left, right) = (x(m.difference - pm), x(m.difference + pm));
    html! {
        svg.where viewBox="0 0 120 16" aria-hidden="true" focusable="false" {
            path.band d={ "M" (x(-step)) " 1H" (x(step)) "V15H" (x(-step)) "Z" } {}
            path.zero d="M60 1V15" {}
            path.spread d={ "M" (left) " 8H" (right) } {}
            path.dot d={ "M" (x(m.difference)) " 8h0" } {}
        }
    }
}

fn numbers(shown: &Shown<'_>) -> Markup {
    let or_none = |value: Option<f64>| value.map_or(text::NONE.to_owned(), |v| plain(v, 1));
    html! {
        @if !shown.bands.is_empty() {
            details {
                summary { "The bands as numbers" }
                table.bands {
                    thead { tr {
                        th.r scope="col" { "Hz" } th.r scope="col" { "Difference, dB" } th.r scope="col" { "±, dB" }
                    } }
                    tbody {
                        @for band in shown.bands {
                            tr {
                                th.r scope="row" { (band.hz) }
                                td.r {
                                    @match band.difference_db {
                                        Some(db) if band.over_noise => (text::signed(db, 1)),
                                        _ => "under the background",
                                    }
                                }
                                td.r { (or_none(band.plus_minus_db.filter(|_| band.over_noise))) }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn curve(shown: &Shown<'_>) -> Markup {
    let heard: Vec<(f64, f64, f64)> = shown
        .bands
        .iter()
        .filter(|b| b.over_noise)
        .filter_map(|b| Some((b.hz, b.difference_db?, b.plus_minus_db?)))
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
        let (Some(db), Some(spread), true) =
            (band.difference_db, band.plus_minus_db, band.over_noise)
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
    const SHARES: [&str; 5] = ["body", "low-mid", "presence", "harshness", "air"];
    let named: Vec<&Measure> = (shown.measures.iter())
        .filter(|m| SHARES.contains(&m.name))
        .collect();
    html! {
        figure {
            svg viewBox={ "-52 -12 " (wide + 72.0) " " (high + 104.0) } role="img" aria-label={ "Third-octave differences: " (shown.title) } {
                @for step in -steps..=steps {
                    @let db = f64::from(step) * 3.0;
                    path class=(if step == 0 { "zero" } else { "rule" }) d={ "M0 " (y(db)) "H" (wide) } {}
                    text x="-8" y=(y(db) + 4.0) text-anchor="end" { (text::signed(db, 0)) }
                }
                @for (hz, label) in axis::NAMED.into_iter().filter(|named| named.0 >= ENDS_HZ.0) {
                    path.rule d={ "M" (x(hz)) " 0V" (high) } {}
                    text x=(x(hz)) y=(high + 18.0) text-anchor="middle" { (label) }
                }
                text x=(wide / 2.0) y=(high + 38.0) text-anchor="middle" { "third-octave band, Hz; difference in dB" }
                path.spread d=(whiskers) {}
                path.line d=(line) {}
                @for (i, m) in named.iter().enumerate() {
                    @let (low, high_hz) = m.range_hz.unwrap_or_default();
                    @let at = high + 52.0 + 20.0 * (i % 2) as f64;
                    @let (from, to) = (x(low.max(ENDS_HZ.0)), x(high_hz.min(ENDS_HZ.1)));
                    path.range.heavy[m.said] d={ "M" (from) " " (at) "H" (to) } {}
                    text x=((from + to) / 2.0) y=(at + 15.0) text-anchor="middle" { (wording::compared::described(m).0.to_lowercase()) }
                }
            }
            figcaption { "Level taken out: the middle of the curve is 0. Bars are ±. Bands that do not stand over the background are left out. Below: what the words mean, heavy where one is said." }
        }
    }
}
