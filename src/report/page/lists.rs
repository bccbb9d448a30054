//! What a person has to look at, most urgent first.

use std::collections::BTreeMap;

use maud::{Markup, html};

use super::detail::word;
use super::{Shown, View, count, listen, number};
use crate::error::printable;
use crate::finding::{Code, Finding, Severity};
use crate::report::session::FailedReport;
use crate::units::round_to;

/// Places of a finding that are written out.
const PLACES: usize = 4;
/// Takes of one decision that are written out.
const TAKES: usize = 6;

/// Where on the page a finding belongs.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Shelf {
    /// Play it again before the kit is struck.
    Again,
    /// Evidence of something that was changed, shown with the change.
    Changed,
    /// A person has to say what it is.
    Untold,
    /// With the track only.
    Track,
}

fn shelf(finding: &Finding) -> Shelf {
    match (finding.code, finding.severity) {
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
        _ => Shelf::Untold,
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
                    what: word(&finding.code),
                    track: Some(*track),
                    words: finding.message.clone(),
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
                                    td {
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
    html! {
        @if at_s.is_empty() { "–" }
        @for at in at_s.iter().take(PLACES) {
            @let words = format!("{} s", round_to(*at, 2));
            @match stem {
                Some((track, output)) => (listen("", &output.path, Some(*at), &words, &track.report.name)),
                None => (words),
            }
            " "
        }
        @if at_s.len() > PLACES { "and " (at_s.len() - PLACES) " more" }
    }
}

/// What was done, the gravest first.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Kind {
    Polarity,
    Delay,
    LeftOut,
    Muted,
    Held,
    Fallback,
}

/// One decision that several takes share.
#[derive(PartialEq, Eq, PartialOrd, Ord)]
struct Change<'a> {
    kind: Kind,
    label: &'a str,
    what: String,
    why: String,
}

/// All that was changed and could be wrong, once a mic and reason.
pub fn changed(view: &View<'_>) -> Markup {
    let mut changes: BTreeMap<Change<'_>, Vec<Shown<'_>>> = BTreeMap::new();
    for track in &view.tracks {
        for (kind, what, why) in changes_of(track) {
            let change = Change {
                kind,
                label: &track.subject.label,
                what,
                why,
            };
            changes.entry(change).or_default().push(*track);
        }
    }
    html! {
        section #changed {
            h2 { "What was changed and could be wrong" }
            @if changes.is_empty() { p { "Nothing." } } @else {
                p {
                    @if view.worksheet {
                        "Each stands in " code { "worksheet.toml" } " under its key: edit the line there and give the file to "
                        code { "batterhead prep" } " with " code.whole { "--worksheet FILE" } "."
                    } @else {
                        "This is what " code { "batterhead prep" } " would do; nothing was written but reports."
                    }
                }
                div.scroll.words tabindex="0" role="region" aria-label="What was changed" {
                    table {
                        thead { tr {
                            th scope="col" { "Track" } th scope="col" { "What" } th scope="col" { "Why" }
                            th scope="col" { "Confidence" } th scope="col" { "Takes" } th scope="col" { "Worksheet key" }
                        } }
                        tbody {
                            @for (change, tracks) in &changes {
                                tr {
                                    th.whole scope="row" { (change.label) }
                                    td { (change.what) }
                                    td { (if change.why.is_empty() { "–".to_owned() } else { printable(&change.why).to_string() }) }
                                    td.n { (confidence(tracks, change.kind)) }
                                    td { (take_links(view, tracks)) }
                                    td {
                                        @for track in tracks.iter().take(1) { code.key { (printable(&track.subject.key)) } }
                                        @if tracks.len() > 1 { " and " (tracks.len() - 1) " alike" }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// The takes of some tracks, each leading to its track; the song is named where it changes.
fn take_links(view: &View<'_>, tracks: &[Shown<'_>]) -> Markup {
    html! {
        @for (i, track) in tracks.iter().take(TAKES).enumerate() {
            @if i == 0 || tracks[i - 1].song() != track.song() { (track.song()) " " }
            a href=(view.address(track)) { (track.take()) } " "
        }
        @if tracks.len() > TAKES { "and " (tracks.len() - TAKES) " more" }
    }
}

/// What and why, in a fixed order.
fn changes_of(track: &Shown<'_>) -> Vec<(Kind, String, String)> {
    let decisions = &track.report.decisions;
    let why = |name: &str| decisions.reasons.get(name).cloned().unwrap_or_default();
    let mut changes = Vec::new();
    if decisions.polarity_inverted {
        changes.push((
            Kind::Polarity,
            "polarity inverted".to_owned(),
            why("polarity_inverted"),
        ));
    }
    if decisions.delay_samples != 0 {
        changes.push((
            Kind::Delay,
            format!("delay {} samples", decisions.delay_samples),
            why("delay_samples"),
        ));
    }
    if decisions.left_out {
        changes.push((Kind::LeftOut, "left out".to_owned(), why("left_out")));
    } else if decisions.muted {
        changes.push((
            Kind::Muted,
            "muted in the rough mix".to_owned(),
            why("muted"),
        ));
    }
    for stage in decisions.stages.iter().filter(|s| is_fallback(&s.why)) {
        changes.push((Kind::Fallback, "fallback".to_owned(), stage.why.clone()));
    }
    let gain_why = why("gain_db");
    if is_held(&gain_why) {
        changes.push((Kind::Held, "gain held down".to_owned(), gain_why));
    }
    changes
}

// Reasons are words for people; these are the ones that the page has to tell apart.

/// A frequency that should have followed the tuning did not.
fn is_fallback(why: &str) -> bool {
    why.starts_with("no clear ")
        || why.contains("too far to be followed")
        || why.contains(", limited to ")
}

/// A gain that the ceiling, or good sense, kept from its target.
fn is_held(why: &str) -> bool {
    why.contains("; held ") || why.contains("would be too much, limited")
}

/// A gain that could not be told.
fn is_guessless(why: &str) -> bool {
    why.contains("no gain is guessed")
}

/// How sure the finding behind a change is; of several takes the least.
fn confidence(tracks: &[Shown<'_>], kind: Kind) -> Markup {
    let code = match kind {
        Kind::Polarity => Code::Polarity,
        Kind::Delay => Code::Delay,
        Kind::LeftOut | Kind::Muted => Code::NotPlayed,
        Kind::Held | Kind::Fallback => return number(None::<f64>),
    };
    let found = tracks
        .iter()
        .flat_map(|t| &t.report.findings)
        .filter(|f| f.code == code)
        .map(|f| f.confidence);
    number(found.min_by(f64::total_cmp))
}

/// What the program could not tell by itself.
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
            @if groups.is_empty() && levels.is_empty() && skipped.is_empty() { p { "Nothing." } }
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
            @if !skipped.is_empty() {
                h3 { (count(skipped.len(), "file")) " left out of the session" }
                ul { @for file in skipped { li { span.path { (printable(&file.path.path)) } ": " (printable(&file.reason)) } } }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn finding(code: Code, severity: Severity) -> Finding {
        Finding {
            code,
            severity,
            confidence: 1.0,
            message: String::new(),
            at_s: Vec::new(),
        }
    }

    #[test]
    fn the_reasons_that_the_page_tells_apart_are_those_that_are_given() {
        use crate::decide::gains::{Tried, gains};
        use crate::measure::Levels;
        use crate::preset::{LevelRule, Link, Measure};
        let rule = LevelRule {
            measure: Measure::HitLevel,
            target: -6.0,
            link: Link::File,
            ceiling_dbtp: -1.0,
        };
        let why = |hits: &[f64], true_peak_dbtp: f64| {
            let levels = Levels {
                true_peak_dbtp: Some(true_peak_dbtp),
                ..Levels::default()
            };
            let tried = Tried {
                key: "k",
                song: "s",
                setup: "s",
                mic: "m".to_owned(),
                rule: Some(&rule),
                levels: &levels,
                source_lufs: None,
                hit_peaks_dbfs: hits,
                frames: 1000,
                played: true,
            };
            gains(&[tried]).remove(0).why
        };
        let (fine, held, none, far) = (
            why(&[-12.0; 9], -12.0),
            why(&[-12.0; 9], -3.0),
            why(&[-12.0; 2], -3.0),
            why(&[-90.0; 9], -90.0),
        );
        assert!(!is_held(&fine) && !is_guessless(&fine), "{fine}");
        assert!(is_held(&held) && !is_guessless(&held), "{held}");
        assert!(is_guessless(&none) && !is_held(&none), "{none}");
        assert!(is_held(&far), "{far}");
    }

    #[test]
    fn a_finding_stands_where_a_morning_needs_it() {
        let at = |code, severity| shelf(&finding(code, severity));
        assert!(at(Code::Clipped, Severity::Warning) == Shelf::Again);
        assert!(at(Code::Clipped, Severity::Note) == Shelf::Track);
        assert!(at(Code::Hum, Severity::Problem) == Shelf::Again);
        assert!(at(Code::Polarity, Severity::Warning) == Shelf::Changed);
        assert!(at(Code::Detuned, Severity::Warning) == Shelf::Untold);
    }
}
