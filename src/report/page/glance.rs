//! Part 3: mics down, takes across, one mark a file; a plain text table.

use std::collections::BTreeMap;

use maud::{Markup, html};

use super::{Shown, View, mark, strokes, text};
use crate::finding::Severity;

/// Takes of one table; more make another below it.
const WIDE: usize = 24;

/// The part.
pub fn glance(view: &View<'_>) -> Markup {
    let takes: Vec<usize> = (0..view.takes.len()).collect();
    html! {
        section #glance {
            div.head { h2 { span.no { "3" } "Takes at a glance" } p { "Every file. A mark leads to its track." } }
            div.two {
                div {
                    @if view.large {
                        @for song in &view.songs {
                            @let of_song: Vec<usize> = takes.iter().copied().filter(|&i| view.takes[i].0.0 == *song).collect();
                            details.fold open[of_song.iter().any(|&i| view.takes[i].1.iter().any(asks))] {
                                summary { (song) ": " (crate::wording::counted(of_song.len(), "take")) }
                                @for part in of_song.chunks(WIDE) { (table(view, part)) }
                            }
                        }
                    } @else {
                        @for part in takes.chunks(WIDE) { (table(view, part)) }
                    }
                }
                (key(view))
            }
            // Of a large session the strokes stand on the page of the song.
            @for song in &view.songs { (strokes::of_song(view, song, !view.large)) }
        }
    }
}

/// The marks, and what stands behind an asterisk: the notes, each with its takes.
fn key(view: &View<'_>) -> Markup {
    let mut notes: BTreeMap<(&str, String), Vec<&str>> = BTreeMap::new();
    for ((song, take), tracks) in &view.takes {
        let noted = View::noted(tracks);
        if !noted.is_empty() {
            notes
                .entry((song, noted.join(", ")))
                .or_default()
                .push(take);
        }
    }
    html! {
        dl.key {
            dt { "·" } dd { "fine" }
            dt { span.problem { (mark::symbol("problem")) } } dd { "problem, see part 1" }
            dt { span.warning { (mark::symbol("warning")) } } dd { "warning, see part 1" }
            dt { (mark::symbol("silent")) } dd { "not played in this take: muted in the rough mix, or left out" }
            dt { span.problem { (mark::symbol("failed")) } } dd { "file there, no stem made" }
            dt { "" } dd { "empty: no such mic in this take" }
            @for ((song, noted), takes) in &notes {
                dt { "*" } dd { "noted in names: " (song) ", " (text::takes(takes)) ": " (noted) }
            }
        }
    }
}

fn table(view: &View<'_>, takes: &[usize]) -> Markup {
    let mut labels: Vec<&str> = Vec::new();
    for track in takes.iter().flat_map(|&i| &view.takes[i].1) {
        if !labels.contains(&&*track.subject.label) {
            labels.push(&track.subject.label);
        }
    }
    let mut songs: Vec<(&str, usize)> = Vec::new();
    for &i in takes {
        let song = view.takes[i].0.0;
        match songs.last_mut() {
            Some((last, n)) if *last == song => *n += 1,
            _ => songs.push((song, 1)),
        }
    }
    html! {
        div.scroll tabindex="0" role="region" aria-label="Takes at a glance" {
            table.glance {
                thead {
                    tr { td {} @for (song, n) in &songs { th.first scope="colgroup" colspan=(n) { (song) } } }
                    tr {
                        td {}
                        @for (n, &i) in takes.iter().enumerate() {
                            th scope="col" .first[first(view, takes, n)] {
                                span.vh { (view.takes[i].0.0) " " } (short(view.takes[i].0.1))
                                @if !View::noted(&view.takes[i].1).is_empty() { "*" }
                            }
                        }
                    }
                }
                tbody { @for label in labels { tr {
                    th scope="row" { (label) }
                    @for (n, &i) in takes.iter().enumerate() {
                        td .first[first(view, takes, n)] {
                            @if let Some(track) = view.takes[i].1.iter().find(|t| t.subject.label == label) { (cell(view, track)) }
                        }
                    }
                } } }
            }
        }
    }
}

fn first(view: &View<'_>, takes: &[usize], n: usize) -> bool {
    n == 0 || view.takes[takes[n]].0.0 != view.takes[takes[n - 1]].0.0
}

fn short(take: &str) -> String {
    text::number(take).map_or_else(|| take.to_owned(), |n| n.to_string())
}

fn asks(track: &Shown<'_>) -> bool {
    track.worst() > Some(Severity::Note)
}

fn cell(view: &View<'_>, track: &Shown<'_>) -> Markup {
    let decisions = &track.report.decisions;
    let away = decisions.left_out || decisions.muted;
    let (class, symbol, words) = match track.worst() {
        Some(Severity::Problem) => ("problem", "problem", "problem"),
        _ if track.report.output.is_none() && !view.dry && !decisions.left_out => {
            ("problem", "failed", "no stem")
        }
        Some(Severity::Warning) => ("warning", "warning", "warning"),
        _ if away => (
            "",
            "silent",
            if decisions.left_out {
                "left out"
            } else {
                "not played"
            },
        ),
        // What is fine is no stop on the way of a keyboard.
        _ => return html! { "·" },
    };
    let label = format!(
        "{}, {}: {words}",
        track.subject.label,
        text::take(track.take())
    );
    html! { a.(class) href=(view.address(track)) aria-label=(label) { (mark::symbol(symbol)) } }
}
