//! Songs × takes × mics as a table of text, with its gaps, and a mix to play in each row.

use maud::{Markup, html};

use super::{Shown, View, href, listen, number};
use crate::error::printable;
use crate::finding::Severity;
use crate::report::rounded;
use crate::wording;

/// All songs, one table each.
pub fn grid(view: &View<'_>) -> Markup {
    let mut songs: Vec<&str> = Vec::new();
    for ((song, _), _) in &view.takes {
        if !songs.contains(song) {
            songs.push(song);
        }
    }
    html! {
        section #grid {
            h2 { "Songs, takes and mics" }
            p.legend {
                "x: a stem was written, m: its stem is muted in the rough mix, o: left out on purpose, -: no stem, "
                "a point: no file; ! behind it: a problem, ?: a warning. Each leads to its track."
            }
            @for song in songs {
                (table(view, song))
                (compare(view, song))
            }
        }
    }
}

fn table(view: &View<'_>, song: &str) -> Markup {
    let takes: Vec<_> = view.takes.iter().filter(|((s, _), _)| *s == song).collect();
    let mut labels: Vec<&str> = Vec::new();
    for track in takes.iter().flat_map(|(_, tracks)| tracks) {
        if !labels.contains(&&*track.subject.label) {
            labels.push(&track.subject.label);
        }
    }
    html! {
        div.scroll tabindex="0" role="region" aria-label={ "Takes of " (song) } {
            table.grid {
                caption { (song) }
                thead { tr {
                    th scope="col" { "Take" }
                    th scope="col" { "Rough mix" }
                    @for label in &labels { th.mic scope="col" { span { (label) } } }
                } }
                tbody {
                    @for ((_, take), tracks) in &takes {
                        tr {
                            th scope="row" { (take) }
                            td { (mix(view, song, take)) }
                            @for label in &labels {
                                td.cell { @match tracks.iter().find(|t| t.subject.label == *label) {
                                    Some(track) => a href=(view.address(track)) aria-label={ (cell(track)) " " (label) ", " (take) ": " (in_words(track)) } { (cell(track)) },
                                    None => span.none aria-label={ (label) ", " (take) ": no file" } role="img" { "·" },
                                } }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Two takes of a song to be switched between.
fn compare(view: &View<'_>, song: &str) -> Markup {
    let mixes = view.session.mixes.iter().filter(|mix| mix.song == song);
    let takes: Vec<_> = mixes
        .filter_map(|m| Some((&m.take, m.excerpt.as_ref()?)))
        .collect();
    let choice = |label: &str, chosen: usize| {
        html! {
            select aria-label={ (label) " of " (song) } {
                @for (i, (take, excerpt)) in takes.iter().enumerate() {
                    option selected[i == chosen] value=(excerpt.path) data-file=(href(&excerpt.path))
                        data-from=(excerpt.from_s) data-gain=[excerpt.gains_db.first()] { (take) }
                }
            }
        }
    };
    html! {
        @if takes.len() > 1 {
            p.compare hidden {
                (choice("One take", 0)) " " (choice("Another take", 1)) " "
                button type="button" { "Compare takes" }
                " " span role="status" {}
            }
        }
    }
}

fn mix(view: &View<'_>, song: &str, take: &str) -> Markup {
    let Some(mix) = view
        .session
        .mixes
        .iter()
        .find(|m| m.song == song && m.take == take)
    else {
        return html! { "–" };
    };
    let loudness = mix
        .after
        .as_ref()
        .map(rounded)
        .and_then(|l| l.integrated_lufs);
    html! {
        @match &mix.path {
            Some(path) => {
                (listen("", path, None, "Play", &format!("rough mix of {song} {take}")))
                " " span.n { (number(loudness)) " LUFS" }
                @if !mix.omitted.is_empty() {
                    details.omitted {
                        summary { "without " (mix.omitted.len()) }
                        ul { @for track in &mix.omitted { li { (printable(&track.name)) ": " (printable(&wording::reason(&track.why))) } } }
                    }
                }
            }
            None => (printable(&wording::reason(&mix.gain_reason))),
        }
    }
}

fn worst(track: &Shown<'_>) -> Option<Severity> {
    track.report.findings.iter().map(|f| f.severity).max()
}

fn cell(track: &Shown<'_>) -> String {
    let decisions = &track.report.decisions;
    let state = match (&track.report.output, decisions.left_out, decisions.muted) {
        (_, true, _) => "o",
        (None, ..) => "-",
        (_, _, true) => "m",
        _ => "x",
    };
    let mark = match worst(track) {
        Some(Severity::Problem) => "!",
        Some(Severity::Warning) => "?",
        _ => "",
    };
    format!("{state}{mark}")
}

fn in_words(track: &Shown<'_>) -> String {
    let decisions = &track.report.decisions;
    let state = match (&track.report.output, decisions.left_out, decisions.muted) {
        (_, true, _) => "left out",
        (None, ..) => "no stem",
        (_, _, true) => "muted in the mix",
        _ => "stem written",
    };
    match worst(track) {
        Some(Severity::Problem) => format!("{state}, problem"),
        Some(Severity::Warning) => format!("{state}, warning"),
        _ => state.to_owned(),
    }
}
