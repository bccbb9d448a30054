//! `session.html` and the small files beside it: the whole run for a person, in the order in which
//! a morning needs it. One document that works without a script and without a network.
//!
//! All text from outside passes through `maud`'s escaping; figures are those of the JSON, printed
//! as there.

use std::collections::BTreeMap;
use std::io::{self, Write};
use std::sync::Arc;

use maud::{Markup, PreEscaped, html};
use serde_json::Value;

use super::TrackReport;
use super::frame::{self, CAUTION};
use super::session::SessionReport;
use crate::error::{Result, printable};
use crate::measure::picture::Picture;
use crate::output::publish::Content;

mod detail;
mod grid;
mod lists;
mod plot;
mod table;
mod trend;

/// The folder of the small files, beside `session.html`.
pub const FOLDER: &str = "session-files";

/// The page itself.
pub const PAGE: &str = "session.html";

/// Sessions of more tracks than this get one page a take under an overview.
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
    pub before: Option<Arc<Picture>>,
    /// The stem.
    pub after: Option<Arc<Picture>>,
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
}

/// All that a section is made from.
struct View<'a> {
    session: &'a SessionReport,
    tracks: Vec<Shown<'a>>,
    /// By song and take, in the order of the session.
    takes: Vec<((&'a str, &'a str), Vec<Shown<'a>>)>,
    /// Whether details stand on pages of their own.
    large: bool,
    /// Whether a worksheet was written.
    worksheet: bool,
}

impl View<'_> {
    /// The address of a track's details, seen from `session.html`.
    fn address(&self, track: &Shown<'_>) -> String {
        let anchor = format!("#track-{}", track.index);
        match self.large {
            true => format!("{}{anchor}", href(&take_page(track.song(), track.take()))),
            false => anchor,
        }
    }
}

/// The page and its small files, given to `put` one by one, path and content: of a long session they
/// would not fit in memory together. `subjects` belong to `tracks` one by one; `worksheet` says
/// whether one was written.
///
/// # Errors
/// Those of `put`.
pub fn files(
    session: &SessionReport,
    tracks: &[TrackReport],
    subjects: &[Subject],
    worksheet: bool,
    mut put: impl FnMut(&str, &Content<'_>) -> Result<()>,
) -> Result<()> {
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
    for track in &tracks {
        let of = (track.song(), track.take());
        let place = *places.entry(of).or_insert_with(|| {
            takes.push((of, Vec::new()));
            takes.len() - 1
        });
        takes[place].1.push(*track);
    }
    let large = tracks.len() > LARGE;
    let view = View {
        session,
        tracks,
        takes,
        large,
        worksheet,
    };
    put(PAGE, &|sink| overview(&view, sink))?;
    let style = frame::style(include_str!("page.css"));
    put(&format!("{FOLDER}/page.css"), &|sink| {
        sink.write_all(&style)
    })?;
    let script = include_bytes!("page.js");
    put(&format!("{FOLDER}/page.js"), &|sink| sink.write_all(script))?;
    if large {
        for ((song, take), tracks) in &view.takes {
            let page = take_document(song, take, tracks).into_string();
            put(&take_page(song, take), &|sink| {
                sink.write_all(page.as_bytes())
            })?;
        }
    }
    Ok(())
}

fn take_page(song: &str, take: &str) -> String {
    format!("{FOLDER}/{song}_{take}.html")
}

/// Written section by section.
fn overview(view: &View<'_>, sink: &mut dyn Write) -> io::Result<()> {
    let totals = &view.session.totals;
    let title = format!(
        "{} of {}",
        count(totals.takes, "take"),
        count(totals.songs, "song")
    );
    let body = html! {
        header {
            h1 { (title) }
            nav aria-label="Sections" {
                a href="#verdict" { "Verdict" } " "
                a href="#again" { "Play it again" } " "
                a href="#changed" { "Changed" } " "
                a href="#undecided" { "Undecided" } " "
                a href="#grid" { "Takes and mics" } " "
                a href="#day" { "Over the day" } " "
                a href="#table" { "All tracks" } " "
                @if !view.large { a href="#tracks" { "Details" } }
            }
        }
        main #main tabindex="-1" {
            (PreEscaped(HERE))
        }
    };
    around(document(&title, "", body), sink, |sink| {
        for section in [
            lists::verdict,
            lists::again,
            lists::changed,
            lists::undecided,
            grid::grid,
            trend::trends,
        ] {
            sink.write_all(section(view).0.as_bytes())?;
        }
        table::table(view, sink)?;
        if view.large {
            return Ok(());
        }
        let details = html! {
            section #tracks {
                h2 { "Details of every track" }
                (plot::legend())
                p { button #unfold type="button" hidden { "Open all" } }
                (PreEscaped(HERE))
            }
        };
        around(details, sink, |sink| {
            let mut tracks = view.tracks.iter();
            tracks.try_for_each(|track| sink.write_all(detail::track(track, "").0.as_bytes()))
        })
    })
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

fn take_document(song: &str, take: &str, tracks: &[Shown<'_>]) -> Markup {
    let title = format!("{song}, {take}");
    let body = html! {
        header {
            h1 { (title) }
            nav aria-label="Sections" { a href={ "../" (PAGE) } { "The whole session" } }
        }
        main #main tabindex="-1" {
            section #tracks.whole {
                h2 { "Details of every track" }
                (plot::legend())
                p { button #unfold type="button" hidden { "Open all" } }
                @for track in tracks { (detail::track(track, "../")) }
            }
        }
    };
    document(&title, "../", body)
}

/// A page of the session. `up` leads from it to the output folder.
fn document(title: &str, up: &str, body: Markup) -> Markup {
    let body = html! {
        (plot::shared())
        (body)
        aside #player hidden aria-label="Player" {
            p #playing role="status" {}
            audio controls preload="none" {}
            p.caution { (CAUTION) }
        }
        footer { p { (super::TOOL) ". Made to be opened from disk; nothing on this page asks a network." } }
    };
    frame::document(title, &format!("{up}{FOLDER}"), &["page.js"], body)
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

/// A link to a sound file, which the script turns into a button of the one player. With `from_s`
/// five seconds from there.
fn listen(up: &str, path: &str, from_s: Option<f64>, words: &str, about: &str) -> Markup {
    let part = from_s.map_or(String::new(), |from| {
        let from = crate::units::round_to((from - 1.0).max(0.0), 2);
        format!("#t={from},{}", crate::units::round_to(from + 5.0, 2))
    });
    html! { a.listen href={ (up) (href(path)) (part) } aria-label={ (words) ": " (about) } { (words) } }
}

/// A figure as JSON prints it; a dash where there is none.
fn figure(value: &Value) -> Markup {
    match value {
        Value::Null => html! { span.none { "–" } },
        Value::String(text) => html! { (printable(text)) },
        Value::Bool(yes) => html! { (if *yes { "yes" } else { "no" }) },
        other => PreEscaped(other.to_string()),
    }
}

/// The same of anything that can be a figure.
fn number(value: impl Into<Value>) -> Markup {
    figure(&value.into())
}

/// "1 take", "2 takes".
fn count(n: usize, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_holds_no_byte_that_means_something_else() {
        assert_eq!(
            href("stems/a b/50%#1?é.wav"),
            "stems/a%20b/50%25%231%3F%C3%A9.wav"
        );
        assert_eq!(
            href("mixes/low-tide/take-03.wav"),
            "mixes/low-tide/take-03.wav"
        );
    }

    #[test]
    fn a_figure_looks_as_in_json() {
        assert_eq!(number(-12.0).into_string(), "-12.0");
        assert_eq!(number("<b>").into_string(), "&lt;b&gt;");
        assert_eq!(number(7).into_string(), "7");
    }

    fn report(song: &str, take: usize, mic: usize) -> (TrackReport, Subject) {
        let take = format!("take-{take:02}");
        let name = format!("{song}_{take}_mic-{mic}");
        let figures = crate::measure::Levels {
            sample_peak_dbfs: Some(-12.345),
            true_peak_dbtp: Some(-11.987),
            integrated_lufs: Some(-33.333),
            momentary_max_lufs: Some(-23.456),
            short_term_max_lufs: Some(-27.891),
            loudness_range_lu: Some(12.345),
            rms_dbfs: Some(-35.678),
            crest_factor_db: Some(23.333),
            dc_offset: -0.000_123,
            ..Default::default()
        };
        // As busy as music is: every column its own height.
        let high = (0..200).map(|i: i32| (i * 7919 % 1500) as i16).collect();
        let low = (0..200)
            .map(|i: i32| -(i * 104_729 % 1500) as i16)
            .collect();
        let bands_db = (0..31).map(|i| Some(f64::from(i) * -1.7 - 30.0)).collect();
        let picture = Picture {
            low,
            high,
            bands_db,
        };
        let peak = |freq_hz| crate::report::StageReport {
            stage: crate::stage::Stage::Peak(crate::stage::Peak {
                freq_hz,
                gain_db: 3.0,
                q: 1.4,
            }),
            reason: Some(crate::reason::Reason::Untuned {
                followed: crate::preset::Followed::Fundamental,
                freq_hz: 200.0,
            }),
        };
        let report = TrackReport {
            schema: super::super::SCHEMA,
            tool: super::super::TOOL,
            song: Some(song.to_owned()),
            take: Some(take.clone()),
            name: name.clone(),
            mic: "snare-top".to_owned(),
            side: None,
            derived_from: None,
            sources: Vec::new(),
            preset: "snare-top".to_owned(),
            before: figures.clone(),
            after: Some(figures),
            hits: None,
            tuning: None,
            findings: Vec::new(),
            decisions: crate::report::Decisions {
                left_out: false,
                muted: false,
                polarity_inverted: false,
                delay_samples: 0,
                gain_db: 3.4,
                stages: [90.0, 200.0, 330.0, 5000.0].map(peak).into(),
                reasons: [(
                    "gain_db",
                    crate::reason::Reason::Level(crate::reason::Level {
                        measure: crate::preset::Measure::HitLevel,
                        level: -15.4,
                        target: -12.0,
                        hits: Some(214),
                        tracks: 30,
                        wanted_db: None,
                        held: None,
                    }),
                )]
                .into(),
            },
            output: None,
        };
        let key = format!("{song}/{take}/{name}");
        let subject = Subject {
            report_path: format!("reports/{key}.json"),
            label: format!("mic-{mic}"),
            key,
            before: Some(Arc::new(picture.clone())),
            after: Some(Arc::new(picture)),
            excerpt: None,
        };
        (report, subject)
    }

    fn session(takes: usize, mics: usize) -> BTreeMap<String, Vec<u8>> {
        let (tracks, subjects): (Vec<_>, Vec<_>) = (1..=takes)
            .flat_map(|take| (0..mics).map(move |mic| report("low-tide", take, mic)))
            .unzip();
        let session = SessionReport::new(&tracks, Vec::new(), Vec::new(), Vec::new(), Vec::new());
        let mut all = BTreeMap::new();
        let put = |path: &str, content: &Content<'_>| {
            let mut bytes = Vec::new();
            content(&mut bytes).expect("memory takes it");
            all.insert(path.to_owned(), bytes);
            Ok(())
        };
        files(&session, &tracks, &subjects, true, put).expect("nothing fails here");
        all
    }

    #[test]
    fn three_hundred_tracks_are_one_page_of_less_than_three_megabytes() {
        let files = session(20, 15);
        assert_eq!(files.len(), 3);
        let bytes = files[PAGE].len();
        assert!(bytes < 3_000_000, "{bytes}");
    }

    #[test]
    fn a_larger_session_has_a_page_a_take_and_every_link_leads_to_its_track() {
        let files = session(100, 4);
        assert_eq!(files.len(), 3 + 100);
        let text = |path: &str| String::from_utf8(files[path].clone()).expect("UTF-8");
        let overview = text(PAGE);
        assert!(
            !overview.contains("<details class=\"track\""),
            "details stand on their own pages"
        );
        let links: Vec<&str> = overview
            .split("<th scope=\"row\"><a href=\"")
            .skip(1)
            .filter_map(|rest| rest.split('"').next())
            .collect();
        assert_eq!(links.len(), 400);
        for link in links {
            let (page, anchor) = link.split_once('#').expect("an anchor");
            assert!(text(page).contains(&format!("id=\"{anchor}\"")), "{link}");
        }
        let take = text("session-files/low-tide_take-07.html");
        assert!(
            take.contains("href=\"../session.html\"")
                && take.contains("src=\"../session-files/page.js\"")
        );
    }
}
