//! Part 1: what needs a person, worst first, one line a matter, each with a place that plays.

use std::collections::BTreeMap;

use maud::{Markup, html};

use super::matter::{Matter, Takes, by_song, matters, matters_of};
use super::{Shown, Subject, View, listen, mark, text};
use crate::error::printable;
use crate::finding::{Code, Finding, Severity};
use crate::report::TrackReport;
use crate::report::session::SessionReport;
use crate::wording::{self, Sentence, counted, done};

/// Problems that are written out; the rest is folded.
const PROBLEMS: usize = 12;
/// Warnings that are written out.
const WARNINGS: usize = 8;
/// Places that are written out.
const PLACES: usize = 3;
/// Mics and files of one matter that are named.
const NAMED: usize = 3;

/// One matter as a line of text.
#[derive(Clone, Debug)]
pub struct Line {
    /// Which mics: "tom-1", "snare-top and tom-1".
    pub mics: String,
    /// Which takes: "low-tide, takes 2 and 3".
    pub takes: String,
    /// What it is, and what to do.
    pub said: Sentence,
}

/// What a finding is about, or a file that is missing.
#[derive(Clone, Copy, Debug)]
pub struct About<'a> {
    /// The song.
    pub song: &'a str,
    /// The take.
    pub take: &'a str,
    /// The mic, side and index.
    pub label: &'a str,
    /// What was found; `None`: there is no file.
    pub code: Option<Code>,
}

/// Everything of this severity that `only` wants, one line a matter, worst first.
pub fn lines(
    session: &SessionReport,
    tracks: &[TrackReport],
    subjects: &[Subject],
    severity: Severity,
    only: &dyn Fn(About<'_>) -> bool,
) -> Vec<Line> {
    let view = View::new(session, tracks, subjects, true, &|_| None);
    let mut lines = Vec::new();
    for (song, take, label) in &view.gaps {
        let about = About {
            song,
            take,
            label,
            code: None,
        };
        if severity == Severity::Problem && only(about) {
            lines.push(Line {
                mics: (*label).to_owned(),
                takes: format!("{song}, {}", text::take(take)),
                said: missing(&view, song, label),
            });
        }
    }
    let wanted = |track: &Shown<'_>, finding: &Finding| {
        only(About {
            song: track.song(),
            take: track.take(),
            label: &track.subject.label,
            code: Some(finding.code()),
        })
    };
    let line = |matter: &Matter<'_>| Line {
        mics: names(&matter.labels),
        takes: scope(&view, &matter.takes()),
        said: wording::finding(matter.speaker().1),
    };
    let found = matters_of(&view, severity, &wanted);
    lines.extend(found.iter().map(line));
    lines
}

/// How many things somebody has to look at: problems, files that failed, mics that are missing.
pub fn things(view: &View<'_>) -> usize {
    matters(view, Severity::Problem).len() + view.session.failed_by_reason().len() + view.gaps.len()
}

/// The part.
pub fn needs(view: &View<'_>) -> Markup {
    let problems = matters(view, Severity::Problem);
    let warnings = matters(view, Severity::Warning);
    let failed = view.session.failed_by_reason();
    let many = problems.len() + failed.len() + view.gaps.len();
    let remarks = remarks(view);
    html! {
        section #needs {
            div.head {
                h2 { span.no { "1" } "Needs you" }
                @if many + warnings.len() > 0 {
                    p {
                        (counted(many, "problem")) ", " (counted(warnings.len(), "warning")) ". "
                        @if !view.dry { "A time plays 4 s around it. " }
                        span.script hidden { kbd { "↑" } " " kbd { "↓" } " go through the list." }
                    }
                } @else { p { "No problems, no warnings." } }
            }
            @if many + warnings.len() > 0 {
                table.needs data-list {
                    thead { tr {
                        th scope="col" { span.vh { "Severity" } }
                        th scope="col" { "Mic and takes" }
                        th scope="col" { "What" }
                        th scope="col" { "Where" }
                        th scope="col" { "What to do" }
                    } }
                    tbody {
                        @for (reason, files) in &failed { (unreadable(reason, files)) }
                        @for (song, take, label) in &view.gaps { (gap(view, song, take, label)) }
                        @for matter in problems.iter().take(PROBLEMS) { (line(view, matter)) }
                        @for matter in warnings.iter().take(WARNINGS) { (line(view, matter)) }
                    }
                }
                (folded(view, problems.get(PROBLEMS..).unwrap_or_default(), "more problem"))
                (folded(view, warnings.get(WARNINGS..).unwrap_or_default(), "more warning"))
            }
            (changed(view))
            @if !remarks.is_empty() || !view.session.notes.is_empty() || !view.session.skipped.is_empty() {
                (notes(view, &remarks))
            }
        }
    }
}

fn folded(view: &View<'_>, matters: &[Matter<'_>], what: &str) -> Markup {
    html! {
        @if !matters.is_empty() {
            details.fold {
                summary { (counted(matters.len(), what)) }
                table.needs data-list { tbody { @for matter in matters { (line(view, matter)) } } }
            }
        }
    }
}

fn line(view: &View<'_>, matter: &Matter<'_>) -> Markup {
    let (track, finding) = matter.speaker();
    let said = wording::finding(finding);
    html! {
        tr {
            td { (mark::severity(matter.severity)) }
            td.who {
                a href=(view.address(&track)) { (names(&matter.labels)) }
                span { (scope(view, &matter.takes())) }
            }
            td.what {
                (printable(&said.what))
                @if matter.last_chance { " " span { "No whole take of this song." } }
            }
            td.where { (places(view, matter)) }
            td.todo {
                @match &said.advice {
                    Some(advice) => (printable(advice)),
                    None => (undo(matter)),
                }
            }
        }
    }
}

/// How to decide otherwise, where something was decided.
fn undo(matter: &Matter<'_>) -> Markup {
    let (track, _) = matter.speaker();
    let decisions = &track.report.decisions;
    html! {
        @if matter.code == Code::Polarity {
            "Listen to both together. To change it: "
            code { "polarity_inverted = " (!decisions.polarity_inverted) }
        }
    }
}

fn names(labels: &[&str]) -> String {
    done::mics(labels, NAMED)
}

/// Which takes: "low-tide, takes 2 and 3", "all songs, all 12 takes".
fn scope(view: &View<'_>, songs: &Takes<'_>) -> String {
    let of = |song: &str| view.takes.iter().filter(|((s, _), _)| *s == song).count();
    let songs: Vec<_> = (songs.iter())
        .map(|(song, takes)| (*song, &takes[..], of(song)))
        .collect();
    done::takes(&songs, view.takes.len())
}

fn places(view: &View<'_>, matter: &Matter<'_>) -> Markup {
    let places = matter.places();
    let several = places.windows(2).any(|p| p[0].0.index != p[1].0.index);
    let button = |(track, at): &(Shown<'_>, f64)| {
        let mut words = text::time(*at, 1);
        if several {
            words = format!("{}, {words}", text::take(track.take()));
        }
        html! {
            @match &track.report.output {
                Some(output) => (listen("", &output.path, Some(*at), &words, &track.report.name)),
                None => (words),
            }
        }
    };
    let shown = places.len().min(PLACES);
    html! {
        @if places.is_empty() && matter.found.len() == 1 && !view.dry { span.soft { "whole take" } }
        div.places {
            @for place in &places[..shown] { (button(place)) " " }
            @if places.len() > shown {
                details {
                    summary { "and " (places.len() - shown) " more" }
                    div { @for place in &places[shown..] { (button(place)) " " } }
                }
            }
        }
    }
}

/// Files that failed for one reason.
fn unreadable(reason: &str, files: &[&str]) -> Markup {
    let (first, more) = files.split_at(files.len().min(NAMED));
    let path = |file: &&str| html! { span.path { (printable(file)) } " " };
    html! {
        tr {
            td { (mark::severity(Severity::Problem)) }
            td.who {
                @for file in first { (path(file)) }
                @if !more.is_empty() {
                    details {
                        summary { "and " (counted(more.len(), "more file")) }
                        @for file in more { (path(file)) }
                    }
                }
            }
            td.what { "Not done: " (printable(reason)) }
            td.where { span.soft { "no sound" } }
            td.todo { "Fix it or find another copy, then run the same command again: only what is missing is made." }
        }
    }
}

fn gap(view: &View<'_>, song: &str, take: &str, label: &str) -> Markup {
    let said = missing(view, song, label);
    html! {
        tr {
            td { (mark::severity(Severity::Problem)) }
            td.who { b { (label) } span { (song) ", " (text::take(take)) } }
            td.what { (said.what) }
            td.where { span.soft { "no file" } }
            td.todo { (said.advice.unwrap_or_default()) }
        }
    }
}

/// What is said of a take that lacks a mic.
fn missing(view: &View<'_>, song: &str, label: &str) -> Sentence {
    let others: Vec<&str> = view
        .takes
        .iter()
        .filter(|((s, _), tracks)| *s == song && tracks.iter().any(|t| t.subject.label == label))
        .map(|((_, take), _)| *take)
        .collect();
    done::missing(label, &others)
}

/// What the program changed or could not decide, mic by mic, folded.
fn changed(view: &View<'_>) -> Markup {
    let mut lines: BTreeMap<(&str, String), Vec<Shown<'_>>> = BTreeMap::new();
    for track in &view.tracks {
        for words in super::chain::doubts(track) {
            let line = lines.entry((&track.subject.label, words));
            line.or_default().push(*track);
        }
    }
    html! {
        @if !lines.is_empty() {
            details.fold {
                summary { (counted(lines.len(), "decision")) " that could be wrong" }
                table.plain {
                    thead { tr { th scope="col" { "Mic" } th scope="col" { "What was decided" } th scope="col" { "Takes" } } }
                    tbody {
                        @for ((label, words), tracks) in &lines {
                            tr {
                                th scope="row" { a href=(view.address(&tracks[0])) { (label) } }
                                td { (printable(words)) }
                                td { (scope(view, &by_song(tracks.iter()))) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// Notes by what they are: a number each.
fn remarks(view: &View<'_>) -> Vec<(String, usize)> {
    let mut counts: Vec<(Code, usize)> = Vec::new();
    let notes = view.tracks.iter().flat_map(|t| &t.report.findings);
    for finding in notes.filter(|f| f.severity == Severity::Note) {
        match counts.iter_mut().find(|(code, _)| *code == finding.code()) {
            Some((_, n)) => *n += 1,
            None => counts.push((finding.code(), 1)),
        }
    }
    counts.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
    let word = |code| wording::code(code).to_owned();
    counts
        .into_iter()
        .map(|(code, n)| (word(code), n))
        .collect()
}

fn notes(view: &View<'_>, remarks: &[(String, usize)]) -> Markup {
    let sum: usize = remarks.iter().map(|(_, n)| n).sum();
    let each: Vec<String> = remarks
        .iter()
        .map(|(word, n)| format!("{word} {n}"))
        .collect();
    let (notes, skipped) = (&view.session.notes, &view.session.skipped);
    html! {
        @if sum > 0 {
            p.small { (counted(sum, "note")) ", nothing to do: " (each.join(", ")) ". " a href="#tracks" { "See them track by track" } "." }
        }
        @if !notes.is_empty() {
            details.fold {
                summary { (counted(notes.len(), "remark")) " on the session as a whole" }
                ul { @for note in notes { li { (printable(note)) } } }
            }
        }
        @if !skipped.is_empty() {
            details.fold {
                summary { (counted(skipped.len(), "file")) " left out of the session" }
                ul { @for file in skipped { li { span.path { (printable(&file.path.path)) } ": " (printable(&file.reason)) } } }
            }
        }
    }
}
