//! Part 5: a row a mic and song, with its takes folded inside.

use std::io::{self, Write};

use maud::{Markup, html};

use super::{FOLDER, HERE, Shown, View, around, chain, detail, href, mark, text};
use crate::finding::Severity;
use crate::report::rounded;
use crate::wording;

/// The part. Of a large session each song is a page of its own.
pub fn tracks(view: &View<'_>, sink: &mut dyn Write) -> io::Result<()> {
    let frame = html! {
        section #tracks {
            div.head {
                h2 { span.no { "5" } "Tracks" }
                p { "Source → stem. All figures of every track: " a href="session.csv" { "session.csv" } ", " a href="session.json" { "session.json" } "." }
            }
            @if !view.large { (tools()) }
            (maud::PreEscaped(HERE))
        }
    };
    around(frame, sink, |sink| {
        for song in &view.songs {
            let part = match view.large {
                true => link(view, song),
                false => of_song(view, song, ""),
            };
            sink.write_all(part.0.as_bytes())?;
        }
        Ok(())
    })
}

fn tools() -> Markup {
    html! {
        div.tools.script hidden {
            label { "Show rows with " input #words type="search" autocomplete="off" spellcheck="false"; }
            label { input #asking type="checkbox"; " only with problems or warnings" }
            button #unfold type="button" { "Open all" }
            span #shown role="status" {}
        }
    }
}

fn link(view: &View<'_>, song: &str) -> Markup {
    let mics = mics(view, song);
    let asking = mics
        .iter()
        .filter(|m| m.worst() > Some(Severity::Note))
        .count();
    html! {
        p.song-link {
            a href=(href(&song_page(song))) { (song) } ": " (wording::counted(mics.len(), "mic"))
            @if asking > 0 { ", " (asking) " with a mark" }
        }
    }
}

/// The page of a song.
pub fn song_page(song: &str) -> String {
    format!("{FOLDER}/{song}.html")
}

/// One mic of a song with all its takes.
struct Mic<'a> {
    label: &'a str,
    takes: Vec<Shown<'a>>,
}

impl<'a> Mic<'a> {
    /// The take that stands for all: one that can be compared by ear, else the first with a stem.
    fn shown(&self) -> &Shown<'a> {
        let compared = self.takes.iter().find(|t| t.subject.excerpt.is_some());
        let written = self.takes.iter().find(|t| t.report.output.is_some());
        compared.or(written).unwrap_or(&self.takes[0])
    }

    fn worst(&self) -> Option<Severity> {
        self.takes.iter().filter_map(Shown::worst).max()
    }
}

fn mics<'a>(view: &View<'a>, song: &str) -> Vec<Mic<'a>> {
    let mut mics: Vec<Mic<'a>> = Vec::new();
    for track in view.tracks.iter().filter(|t| t.song() == song) {
        let label = &*track.subject.label;
        match mics.iter_mut().find(|m| m.label == label) {
            Some(mic) => mic.takes.push(*track),
            None => mics.push(Mic {
                label,
                takes: vec![*track],
            }),
        }
    }
    mics
}

/// All mics of a song.
pub fn of_song(view: &View<'_>, song: &str, up: &str) -> Markup {
    let mics = mics(view, song);
    html! {
        details.fold.song open {
            summary { b { (song) } " " span.small { (wording::counted(mics.len(), "mic")) } }
            div.cols aria-hidden="true" {
                span { "Mic" } span.r { "Gain" } span.r { "True peak, dBTP" } span.r { "Loudness, LUFS" } span.r { "Crest, dB" }
                span.c { "What was done" } span { "Found" }
            }
            @for mic in &mics { (row(mic, song, up)) }
        }
    }
}

fn row(mic: &Mic<'_>, song: &str, up: &str) -> Markup {
    let shown = mic.shown();
    let (before, after) = (
        rounded(&shown.report.before),
        shown.report.after.as_ref().map(rounded),
    );
    let change = |of: fn(&crate::measure::Levels) -> Option<f64>| {
        text::change(of(&before), after.as_ref().and_then(of), 1)
    };
    let gain = match &shown.report.output {
        Some(_) => wording::db(shown.report.decisions.gain_db),
        None => text::NONE.to_owned(),
    };
    html! {
        details.track id={ (song) "-" (mic.label) } data-asks[mic.worst() > Some(Severity::Note)] {
            summary {
                b { (mic.label) }
                span.r data-label="Gain" { (gain) }
                span.r data-label="dBTP" { (change(|l| l.true_peak_dbtp)) }
                span.r data-label="LUFS" { (change(|l| l.integrated_lufs)) }
                span.r data-label="Crest" { (change(|l| l.crest_factor_db)) }
                span.chain { (chain::line(shown)) }
                span { (found(mic)) }
            }
            div.body { (detail::mic(&mic.takes, shown, up)) }
        }
    }
}

/// The gravest thing that was found, as mark and word.
fn found(mic: &Mic<'_>) -> Markup {
    let worst = mic
        .takes
        .iter()
        .flat_map(|t| &t.report.findings)
        .filter(|f| f.severity > Severity::Note)
        .max_by_key(|f| f.severity);
    html! {
        @if let Some(worst) = worst {
            @let class = if worst.severity == Severity::Problem { "problem" } else { "warning" };
            span.(class) { (mark::symbol(class)) } " " (wording::code(worst.code()))
        }
    }
}
