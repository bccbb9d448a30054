//! `session.html` and the small files beside it: the whole run for a person, in the order in which
//! a morning needs it. One document that works without a script and without a network.
//!
//! All text from outside passes through `maud`'s escaping; figures are those of the JSON, printed
//! as there.

use std::collections::BTreeMap;
use std::io::{self, Write};
use std::sync::Arc;

use maud::{Markup, PreEscaped, html};

use super::TrackReport;
use super::frame;
use super::session::SessionReport;
use crate::error::Result;
use crate::finding::{Finding, Severity};
use crate::measure::waveform::Waveform;
use crate::output::publish::Content;
use crate::wording::{counted, text};

mod beside;
mod chain;
mod delivery;
mod detail;
mod drums;
mod glance;
mod listen;
mod mark;
mod matter;
mod needs;
mod plot;
pub mod strokes;
mod tracks;

pub use needs::{About, Line, lines};
pub use tracks::song_page;

/// The folder of the small files, beside `session.html`.
pub const FOLDER: &str = "session-files";

/// The page itself.
pub const PAGE: &str = "session.html";

/// Sessions of more tracks than this get one page a song under an overview.
pub const LARGE: usize = 300;

/// What the page shows of a track beyond its report.
#[derive(Clone, Debug, Default)]
pub struct Subject {
    /// Where its report lies in the output folder.
    pub report_path: String,
    /// Mic, side and index, `snare-top-2`; of a derived stem its name.
    pub label: String,
    /// Its key in the worksheet.
    pub key: String,
    /// The source.
    pub before: Option<Arc<Waveform>>,
    /// The stem.
    pub after: Option<Arc<Waveform>>,
    /// Both to compare by ear.
    pub excerpt: Option<Excerpt>,
}

/// A few seconds of sounds that are compared, equally loud, in a script: of a stem before and after,
/// of a rough mix itself.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Excerpt {
    /// Relative to the output folder, with `/`.
    pub path: String,
    /// Of the whole file.
    pub sha256: String,
    /// Where it begins in the stem or mix.
    pub from_s: f64,
    /// What each sound was raised by to be as loud as the others.
    pub gains_db: Vec<f64>,
}

/// A track with everything that the page knows of it.
#[derive(Clone, Copy)]
struct Shown<'a> {
    report: &'a TrackReport,
    subject: &'a Subject,
    /// Its number in the session: its address on the page.
    index: usize,
}

impl<'a> Shown<'a> {
    fn song(&self) -> &'a str {
        self.report.song.as_deref().unwrap_or("")
    }

    fn take(&self) -> &'a str {
        self.report.take.as_deref().unwrap_or("")
    }

    fn length_s(&self) -> f64 {
        let source = self.report.sources.first();
        source.map_or(0.0, |s| s.frames as f64) / self.report.rate_hz()
    }

    fn worst(&self) -> Option<Severity> {
        self.report.findings.iter().map(|f| f.severity).max()
    }

    /// Whether a waveform with its places shows something.
    fn asks_with_places(&self) -> bool {
        let asks = |f: &Finding| f.severity > Severity::Note && !f.at_s.is_empty();
        self.report.findings.iter().any(asks)
    }
}

/// A mic that most takes of a song have, and one take not: song, take, label.
type Gap<'a> = (&'a str, &'a str, &'a str);

/// All that a part is made from.
struct View<'a> {
    session: &'a SessionReport,
    tracks: Vec<Shown<'a>>,
    /// By song and take, in the order of the session.
    takes: Vec<((&'a str, &'a str), Vec<Shown<'a>>)>,
    /// Where each stands among them.
    places: BTreeMap<(&'a str, &'a str), usize>,
    /// In the order of the session.
    songs: Vec<&'a str>,
    gaps: Vec<Gap<'a>>,
    /// Whether the tracks of each song stand on a page of their own.
    large: bool,
    /// Whether only reports were written.
    dry: bool,
    /// The strokes of each take, drawn when they are asked for.
    charts: &'a strokes::Charts<'a>,
}

impl<'a> View<'a> {
    fn new(
        session: &'a SessionReport,
        tracks: &'a [TrackReport],
        subjects: &'a [Subject],
        dry: bool,
        charts: &'a strokes::Charts<'a>,
    ) -> Self {
        let tracks: Vec<Shown<'_>> = tracks
            .iter()
            .zip(subjects)
            .enumerate()
            .map(|(index, (report, subject))| Shown {
                report,
                subject,
                index,
            })
            .collect();
        let mut places = BTreeMap::new();
        let mut takes: Vec<((&str, &str), Vec<Shown<'_>>)> = Vec::new();
        let mut songs = Vec::new();
        for track in &tracks {
            let of = (track.song(), track.take());
            let place = *places.entry(of).or_insert_with(|| {
                takes.push((of, Vec::new()));
                takes.len() - 1
            });
            takes[place].1.push(*track);
            if !songs.contains(&of.0) {
                songs.push(of.0);
            }
        }
        Self {
            session,
            gaps: gaps(&takes),
            large: tracks.len() > LARGE,
            tracks,
            takes,
            places,
            songs,
            dry,
            charts,
        }
    }

    /// The address of a track's details, seen from `session.html`.
    fn address(&self, track: &Shown<'_>) -> String {
        let anchor = format!("#track-{}", track.index);
        match self.large {
            true => format!("{}{anchor}", href(&tracks::song_page(track.song()))),
            false => anchor,
        }
    }

    /// What people noted in names of the take that these tracks are.
    fn noted<'t>(tracks: &'t [Shown<'_>]) -> &'t [String] {
        tracks.first().map_or(&[], |track| &track.report.take_notes)
    }

    fn tracks_of(&self, song: &str, take: &str) -> &[Shown<'a>] {
        let place = self.places.get(&(song, take));
        place.map_or(&[], |&place| &self.takes[place].1)
    }

    fn length(&self, song: &str, take: &str) -> Option<f64> {
        let lengths = self.tracks_of(song, take).iter().map(Shown::length_s);
        lengths.max_by(f64::total_cmp)
    }

    /// A take is whole that lacks no mic and has no problem.
    fn is_whole(&self, (song, take): (&str, &str)) -> bool {
        let tracks = self.tracks_of(song, take);
        !self.gaps.iter().any(|(s, t, _)| (*s, *t) == (song, take))
            && !tracks.iter().any(|t| t.worst() == Some(Severity::Problem))
    }

    fn has_whole_take(&self, song: &str) -> bool {
        let mut takes = self.takes.iter().filter(|((s, _), _)| *s == song);
        takes.any(|(of, _)| self.is_whole(*of))
    }
}

fn gaps<'a>(takes: &[((&'a str, &'a str), Vec<Shown<'a>>)]) -> Vec<Gap<'a>> {
    let mut gaps = Vec::new();
    let mut counts: BTreeMap<(&str, &str), usize> = BTreeMap::new();
    let mut lengths: BTreeMap<&str, usize> = BTreeMap::new();
    for ((song, _), tracks) in takes {
        *lengths.entry(song).or_default() += 1;
        for track in tracks.iter().filter(|t| t.report.derived_from.is_none()) {
            *counts.entry((song, &track.subject.label)).or_default() += 1;
        }
    }
    for ((song, take), tracks) in takes {
        let has = |label: &str| tracks.iter().any(|t| t.subject.label == label);
        let of_song = counts
            .range((*song, "")..)
            .take_while(|((s, _), _)| s == song);
        for ((_, label), n) in of_song {
            if 2 * n > lengths[song] && !has(label) {
                gaps.push((*song, *take, *label));
            }
        }
    }
    gaps
}

/// Every file that the page of these tracks is made of, excerpts apart.
pub fn paths(tracks: &[TrackReport]) -> Vec<String> {
    let mut paths = vec![PAGE.to_owned()];
    paths.extend(parts());
    if tracks.len() > LARGE {
        let of = |track: &TrackReport| tracks::song_page(track.song.as_deref().unwrap_or(""));
        paths.extend(tracks.iter().map(of));
    }
    paths
}

/// Files beside the page that every session has.
pub fn parts() -> [String; 2] {
    ["page.css", "page.js"].map(|name| format!("{FOLDER}/{name}"))
}

/// The page and its small files, given to `put` one by one, path and content: of a long session they
/// would not fit in memory together. `subjects` belong to `tracks` one by one; `worksheet` says
/// whether one was written, `charts` draws the strokes of a take.
///
/// # Errors
/// Those of `put`.
pub fn files(
    session: &SessionReport,
    tracks: &[TrackReport],
    subjects: &[Subject],
    worksheet: bool,
    charts: &strokes::Charts<'_>,
    mut put: impl FnMut(&str, &Content<'_>) -> Result<()>,
) -> Result<()> {
    let view = View::new(session, tracks, subjects, !worksheet, charts);
    put(PAGE, &|sink| overview(&view, sink))?;
    let style = frame::style(include_str!("page.css"));
    put(&format!("{FOLDER}/page.css"), &|sink| {
        sink.write_all(&style)
    })?;
    let script = include_bytes!("page.js");
    put(&format!("{FOLDER}/page.js"), &|sink| sink.write_all(script))?;
    if view.large {
        for song in &view.songs {
            let page = song_document(&view, song).into_string();
            put(&tracks::song_page(song), &|sink| {
                sink.write_all(page.as_bytes())
            })?;
        }
    }
    Ok(())
}

/// Written part by part.
fn overview(view: &View<'_>, sink: &mut dyn Write) -> io::Result<()> {
    let body = html! {
        (header(view))
        main #main tabindex="-1" { (PreEscaped(HERE)) }
    };
    around(document(&title(view), "", body), sink, |sink| {
        for part in [
            needs::needs,
            listen::listen_to,
            glance::glance,
            drums::drums,
        ] {
            sink.write_all(part(view).0.as_bytes())?;
        }
        tracks::tracks(view, sink)?;
        sink.write_all(beside::beside(view).0.as_bytes())?;
        sink.write_all(delivery::delivery(view).0.as_bytes())
    })
}

/// The songs, the first three of many.
fn title(view: &View<'_>) -> String {
    const NAMED: usize = 3;
    match view.songs.as_slice() {
        [] => "No takes found".to_owned(),
        songs if songs.len() > NAMED + 1 => format!(
            "{} and {} more songs",
            songs[..NAMED].join(", "),
            songs.len() - NAMED
        ),
        songs => text::list(&songs.iter().map(|s| (*s).to_owned()).collect::<Vec<_>>()),
    }
}

/// What it is, whether it is done, whether somebody is needed.
fn header(view: &View<'_>) -> Markup {
    let totals = &view.session.totals;
    let things = needs::things(view);
    let whole = view
        .takes
        .iter()
        .filter(|(of, _)| view.is_whole(*of))
        .count();
    let broken = view.takes.len() - whole;
    html! {
        header {
            p.small { "Session report, " (super::TOOL) }
            h1 { (title(view)) }
            p.lead {
                (counted(totals.takes, "take")) " of " (counted(totals.songs, "song")) ", "
                (counted(totals.tracks, "track")) ", " (text::duration(totals.audio_s)) " of audio. "
                @if view.dry { "Measured, no audio written. " } @else {
                    "Ready: " (counted(totals.stems, "stem")) ", " (counted(totals.mixes, "rough mix")) ". "
                }
                @match things {
                    0 => "Nothing needs you.",
                    1 => a href="#needs" { "1 thing needs you." },
                    n => a href="#needs" { (n) " things need you." },
                }
            }
            @if !view.session.new_takes.is_empty() {
                p #new {
                    "New in this delivery: "
                    (view.session.new_takes.iter().map(|(song, take)| format!("{song} {}", text::take(take))).collect::<Vec<_>>().join(", "))
                    ". All other stems are as they were delivered before."
                }
            }
            p.soft {
                (counted(whole, "take")) " whole, " (counted(broken, "take")) " with a problem"
                @if totals.failed > 0 { "; " (counted(totals.failed, "file")) " failed" }
                @if totals.left_out > 0 { "; " (counted(totals.left_out, "track")) " left out on purpose" }
                ". Originals were only read; the SHA-256 of each stands in its report."
            }
            nav aria-label="Parts" {
                a href="#needs" { "Needs you" } " "
                @if !view.session.mixes.is_empty() { a href="#listen" { "Listen" } " " }
                a href="#glance" { "Takes at a glance" } " "
                a href="#drums" { "Drums" } " "
                a href="#tracks" { "Tracks" } " "
                a href="#delivery" { "Delivery" }
            }
        }
    }
}

/// Stands in markup where the content of [`around`] goes; no text holds it.
const HERE: &str = "\0";

/// Writes `frame`, and in its [`HERE`] what `content` writes.
fn around(
    frame: Markup,
    sink: &mut dyn Write,
    content: impl FnOnce(&mut dyn Write) -> io::Result<()>,
) -> io::Result<()> {
    let (before, after) = frame.0.split_once(HERE).unwrap_or((&frame.0, ""));
    sink.write_all(before.as_bytes())?;
    content(sink)?;
    sink.write_all(after.as_bytes())
}

fn song_document(view: &View<'_>, song: &str) -> Markup {
    let body = html! {
        header {
            h1 { (song) }
            nav aria-label="Parts" { a href={ "../" (PAGE) } { "The whole session" } }
        }
        main #main tabindex="-1" {
            section #tracks {
                div.head { h2 { "Tracks" } }
                (strokes::of_song(view, song, true))
                (tracks::of_song(view, song, "../"))
            }
        }
    };
    document(song, "../", body)
}

/// A page of the session. `up` leads from it to the output folder.
fn document(title: &str, up: &str, body: Markup) -> Markup {
    let body = html! {
        (mark::symbols())
        (plot::shared())
        (body)
        (player())
        footer { p.small { (super::TOOL) ". Made to be opened from disk; nothing on this page asks a network." } }
    };
    frame::document(title, &format!("{up}{FOLDER}"), &["page.js"], body)
}

/// One player for the page, there from the first sound on.
fn player() -> Markup {
    html! {
        aside #player hidden aria-label="Player" {
            p #playing role="status" {}
            div.row {
                button #toggle type="button" { "Pause" }
                span #clock {}
                input #seek type="range" min="0" max="1000" value="0" step="1" aria-label="Place";
                span #sounds {}
                label { "Volume " input #volume type="range" min="0" max="100" value="30" step="1"; }
                details #keys {
                    summary { "Keys" }
                    dl {
                        dt { kbd { "Space" } } dd { "play, pause" }
                        dt { kbd { "←" } " " kbd { "→" } } dd { "5 s back, on" }
                        dt { kbd { "1" } " " kbd { "2" } } dd { "first, second sound" }
                        dt { kbd { "Esc" } } dd { "close" }
                    }
                    label { input #keyed type="checkbox" checked; " Keys work" }
                }
                button #close type="button" { "Close" }
            }
            audio preload="none" {}
        }
    }
}

/// A relative path as an address: every byte that is not plain is percent-encoded.
fn href(path: &str) -> String {
    let mut text = String::with_capacity(path.len());
    for byte in path.bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'_' | b'.' | b'~' | b'/' => {
                text.push(char::from(byte))
            }
            _ => text += &format!("%{byte:02X}"),
        }
    }
    text
}

/// The address of a sound; with `from_s` of the four seconds around that place.
fn sound(up: &str, path: &str, from_s: Option<f64>) -> String {
    let part = from_s.map_or(String::new(), |from| {
        let from = crate::units::round_to((from - 1.0).max(0.0), 2);
        format!("#t={from},{}", crate::units::round_to(from + 4.0, 2))
    });
    format!("{up}{}{part}", href(path))
}

/// A link to a sound file, which the script turns into a button of the one player.
fn listen(up: &str, path: &str, from_s: Option<f64>, words: &str, about: &str) -> Markup {
    html! {
        a.listen href=(sound(up, path, from_s)) data-title={ (about) ", " (words) } {
            (mark::symbol("play")) (words) span.vh { ", " (about) }
        }
    }
}

#[cfg(test)]
mod tests;
