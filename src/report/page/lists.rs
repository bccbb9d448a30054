//! What a person has to look at, most urgent first.

use std::collections::BTreeMap;

use maud::{Markup, html};

use super::detail::word;
use super::{Shown, View, count, listen, number};
use crate::error::printable;
use crate::finding::{Code, Finding, Severity};
use crate::report::session::FailedReport;
use crate::units::round_to;
use crate::wording;

mod changed;
mod undecided;

pub use changed::changed;
pub use undecided::undecided;

/// Places of a finding that are written out.
const PLACES: usize = 4;

/// Where on the page a finding belongs.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Shelf {
    /// Play it again before the kit is struck.
    Again,
    /// Evidence of something that was changed, shown with the change.
    Changed,
    /// A person has to say what it is.
    Undecided,
    /// With the track only.
    Track,
}

fn shelf(finding: &Finding) -> Shelf {
    match (finding.code(), finding.severity) {
        (_, Severity::Note) => Shelf::Track,
        (
            Code::Clipped
            | Code::Dropout
            | Code::Silent
            | Code::Truncated
            | Code::Unreadable
            | Code::NonFinite,
            Severity::Warning | Severity::Problem,
        )
        | (_, Severity::Problem) => Shelf::Again,
        (Code::Polarity | Code::NotPlayed, _) => Shelf::Changed,
        _ => Shelf::Undecided,
    }
}

/// A take that has a file of every mic and nothing that asks for playing it again.
fn is_whole(tracks: &[Shown<'_>], missing: &[&str]) -> bool {
    missing.is_empty()
        && !tracks
            .iter()
            .flat_map(|t| &t.report.findings)
            .any(|f| shelf(f) == Shelf::Again)
}

/// Mics that most takes of the song have, and this one not.
fn missing<'a>(view: &View<'a>, song: &str, tracks: &[Shown<'a>]) -> Vec<&'a str> {
    let takes: Vec<_> = view.takes.iter().filter(|((s, _), _)| *s == song).collect();
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for track in takes
        .iter()
        .flat_map(|(_, tracks)| tracks)
        .filter(|t| t.report.derived_from.is_none())
    {
        *counts.entry(&track.subject.label).or_default() += 1;
    }
    let has = |label: &str| tracks.iter().any(|t| t.subject.label == label);
    counts
        .into_iter()
        .filter(|&(label, n)| n * 2 > takes.len() && !has(label))
        .map(|(label, _)| label)
        .collect()
}

/// What the whole run came to.
pub fn verdict(view: &View<'_>) -> Markup {
    let totals = &view.session.totals;
    let whole = view
        .takes
        .iter()
        .filter(|((song, _), tracks)| is_whole(tracks, &missing(view, song, tracks)))
        .count();
    let broken = view.takes.len() - whole;
    html! {
        section #verdict {
            h2 { "Verdict" }
            p.verdict {
                (count(whole, "take")) " whole, " (count(broken, "take")) " with problems, "
                (count(totals.failed, "file")) " failed."
            }
            p {
                (count(totals.tracks, "track")) ", " (number(round_to(totals.audio_s / 60.0, 1))) " minutes of audio; "
                (count(totals.stems, "stem")) " and " (count(totals.mixes, "rough mix").replace("mixs", "mixes")) " written, "
                (totals.left_out) " left out. Findings: " (count(totals.problems, "problem")) ", "
                (count(totals.warnings, "warning")) ", " (count(totals.notes, "note")) "."
            }
            p { "Originals were opened for reading only; the SHA-256 of each, as it was read, stands in the report of its track." }
        }
    }
}

/// What has to be played again, a song without another whole take first.
pub fn again(view: &View<'_>) -> Markup {
    struct Item<'a> {
        last_chance: bool,
        take: (&'a str, &'a str),
        what: String,
        track: Option<Shown<'a>>,
        words: String,
        at_s: &'a [f64],
    }
    let mut items = Vec::new();
    let mut songs_whole: BTreeMap<&str, bool> = BTreeMap::new();
    for ((song, _), tracks) in &view.takes {
        *songs_whole.entry(song).or_default() |= is_whole(tracks, &missing(view, song, tracks));
    }
    for (take, tracks) in &view.takes {
        let last_chance = !songs_whole.get(take.0).copied().unwrap_or(false);
        for label in missing(view, take.0, tracks) {
            items.push(Item {
                last_chance,
                take: *take,
                what: "missing".to_owned(),
                track: None,
                words: format!("{label}: no file, though most takes of the song have one"),
                at_s: &[],
            });
        }
        for track in tracks {
            for finding in track
                .report
                .findings
                .iter()
                .filter(|f| shelf(f) == Shelf::Again)
            {
                items.push(Item {
                    last_chance,
                    take: *take,
                    what: word(&finding.code()),
                    track: Some(*track),
                    words: wording::finding(finding).to_string(),
                    at_s: &finding.at_s,
                });
            }
        }
    }
    items.sort_by_key(|item| !item.last_chance);
    html! {
        section #again {
            h2 { "Play it again before the kit is struck" }
            (failed(&view.session.failed))
            @if items.is_empty() && view.session.failed.is_empty() { p { "Nothing." } }
            @if !items.is_empty() {
                div.scroll.words tabindex="0" role="region" aria-label="Play it again" {
                    table {
                        thead { tr {
                            th scope="col" { "Take" } th scope="col" { "What" } th scope="col" { "Track" }
                            th scope="col" { "In words" } th scope="col" { "Where, and five seconds to hear" }
                        } }
                        tbody {
                            @for item in &items {
                                tr {
                                    td.whole {
                                        (item.take.0) " " (item.take.1)
                                        @if item.last_chance { br; strong { "no whole take of this song" } }
                                    }
                                    td { (item.what) }
                                    td.whole { @if let Some(track) = &item.track { a href=(view.address(track)) { (track.subject.label) } } @else { "–" } }
                                    td { (printable(&item.words)) }
                                    td { (places(item.track.as_ref(), item.at_s)) }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn failed(failed: &[FailedReport]) -> Markup {
    html! {
        @if !failed.is_empty() {
            h3 { (count(failed.len(), "file")) " failed" }
            ul { @for file in failed { li { span.path { (printable(&file.path.path)) } ": " (printable(&file.reason)) } } }
        }
    }
}

fn places(track: Option<&Shown<'_>>, at_s: &[f64]) -> Markup {
    let stem = track.and_then(|t| t.report.output.as_ref().map(|o| (t, o)));
    let mut places: Vec<f64> = at_s.iter().map(|at| round_to(*at, 2)).collect();
    places.dedup();
    html! {
        @if places.is_empty() { "–" }
        @for at in places.iter().take(PLACES) {
            @let words = format!("{at} s");
            @match stem {
                Some((track, output)) => (listen("", &output.path, Some(*at), &words, &track.report.name)),
                None => (words),
            }
            " "
        }
        @if places.len() > PLACES { "and " (places.len() - PLACES) " more" }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::finding::FindingKind;

    #[test]
    fn a_finding_stands_where_a_morning_needs_it() {
        let at = |kind: &FindingKind, severity| shelf(&Finding::new(kind.clone(), severity, 1.0));
        let broken = FindingKind::NonFinite { samples: 1 };
        let opposed = FindingKind::PolarityChanged {
            against: "snare-top".to_owned(),
        };
        let detuned = FindingKind::Detuned {
            from_hz: 220.0,
            to_hz: 209.0,
        };
        assert!(at(&broken, Severity::Warning) == Shelf::Again);
        assert!(at(&broken, Severity::Note) == Shelf::Track);
        assert!(at(&detuned, Severity::Problem) == Shelf::Again);
        assert!(at(&opposed, Severity::Warning) == Shelf::Changed);
        assert!(at(&detuned, Severity::Warning) == Shelf::Undecided);
    }
}
