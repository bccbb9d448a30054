//! What `scan` prints: the grid of songs, takes and mics, and what each file was taken for.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::Path;

use serde::Serialize;

use super::paths::PathText;
use super::{Failed, Mic, Session, Side, Skipped, Song, Take, Track, TrackNote};
use crate::audio::{SampleFormat, Truncation};
use crate::error::printable;

/// Takes side by side at most: with the names of mics 80 columns.
const ACROSS: usize = 15;
/// Width of a mic's name.
const NAME: usize = 16;
/// Width of a take's column.
const CELL: usize = 4;

/// The session as text: a grid for each song, what to look at, every file with what it was taken for
/// and why, what was left out. Ends with a line break. Safe for a terminal.
pub fn text(session: &Session) -> String {
    let mut out = String::new();
    let takes: usize = session.songs.iter().map(|s| s.takes.len()).sum();
    let formats = formats(session);
    let usual = formats
        .first()
        .map(|(format, _)| format.clone())
        .unwrap_or_default();
    let each = formats.iter().map(|(format, n)| match formats.len() {
        1 => format.clone(),
        _ => format!("{format} ({n})"),
    });
    let summary = format!(
        "{}, {}, {}; {}",
        count(session.songs.len(), "song", "songs"),
        count(takes, "take", "takes"),
        count(all(session).count(), "track", "tracks"),
        each.collect::<Vec<_>>().join(", "),
    );
    line(&mut out, &summary);
    if !session.songs.is_empty() {
        line(
            &mut out,
            "1 mono, 2 stereo, - missing, ? unknown mic, ! look at it (below)",
        );
    }
    for song in &session.songs {
        grid(&mut out, song);
    }
    look_at(&mut out, session);
    for song in &session.songs {
        for take in &song.takes {
            files(&mut out, song, take, &usual);
        }
    }
    let left_out = |out: &mut String, title: &str, list: Vec<(&Path, &str)>| {
        if !list.is_empty() {
            line(out, &format!("\n{title}"));
            for (path, reason) in list {
                line(out, &format!("  {}: {reason}", path.display()));
            }
        }
    };
    let skipped = session.skipped.iter().map(|s| (&*s.path, &*s.reason));
    left_out(&mut out, "Left out", skipped.collect());
    let failed = session.failed.iter().map(|f| (&*f.path, &*f.reason));
    left_out(&mut out, "Cannot be read", failed.collect());
    out
}

fn all(session: &Session) -> impl Iterator<Item = (&Song, &Take, &Track)> {
    session.songs.iter().flat_map(|song| {
        let takes = song.takes.iter();
        takes.flat_map(move |take| take.tracks.iter().map(move |track| (song, take, track)))
    })
}

/// One line; line breaks of names cannot make another.
fn line(out: &mut String, text: &str) {
    let (breaks, rest) = text.split_at(text.len() - text.trim_start_matches('\n').len());
    out.push_str(breaks);
    out.push_str(&printable(rest));
    out.push('\n');
}

fn count(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

/// The formats of all files with how many have it, the most common first.
fn formats(session: &Session) -> Vec<(String, usize)> {
    let mut formats: BTreeMap<String, usize> = BTreeMap::new();
    for (_, _, track) in all(session) {
        for source in &track.sources {
            *formats.entry(format(source)).or_default() += 1;
        }
    }
    let mut formats: Vec<_> = formats.into_iter().collect();
    formats.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    formats
}

fn format(source: &super::Source) -> String {
    let float = match source.info.sample_format {
        SampleFormat::Int => "",
        SampleFormat::Float => " float",
    };
    format!(
        "{} Hz {} bit{float}",
        source.info.rate_hz, source.info.bit_depth
    )
}

/// Mics down, takes across.
fn grid(out: &mut String, song: &Song) {
    line(out, &format!("\n{}", song.slug));
    let rows: BTreeSet<(Mic, u32, Option<Side>, &str)> = (song.takes.iter())
        .flat_map(|take| take.tracks.iter())
        .filter(|track| !track.mic.is_unknown())
        .map(|track| (track.mic, track.index, track.side, track.label.as_str()))
        .collect();
    for takes in song.takes.chunks(ACROSS) {
        let mut head = format!("{:NAME$}", "");
        for take in takes {
            let _ = write!(head, "{:>CELL$}", short(take));
        }
        line(out, &head);
        for (_, _, _, label) in &rows {
            let mut row = format!("  {label:<width$}", width = NAME - 2);
            for take in takes {
                let cell = match take.tracks.iter().find(|t| t.label == *label) {
                    None => "-".to_owned(),
                    Some(track) => {
                        let ask = track.notes.iter().any(|note| note.ask);
                        format!("{}{}", if ask { "!" } else { "" }, track.channels())
                    }
                };
                let _ = write!(row, "{cell:>CELL$}");
            }
            line(out, &row);
        }
        let unknown = |take: &Take| take.tracks.iter().filter(|t| t.mic.is_unknown()).count();
        if takes.iter().any(|take| unknown(take) > 0) {
            let mut row = format!("  {:<width$}", "unknown-mic", width = NAME - 2);
            for take in takes {
                let cell = match unknown(take) {
                    0 => String::new(),
                    n => format!("?{n}"),
                };
                let _ = write!(row, "{cell:>CELL$}");
            }
            line(out, row.trim_end());
        }
    }
}

/// The head of a take's column.
fn short(take: &Take) -> String {
    let text = take.slug.strip_prefix("take-").unwrap_or(&take.slug);
    text.chars().take(CELL - 1).collect()
}

/// What a person has to look at: each thing once, with the first place and how many more.
fn look_at(out: &mut String, session: &Session) {
    let mut asked: BTreeMap<(String, &str), Vec<String>> = BTreeMap::new();
    for (song, take, track) in all(session) {
        for note in track.notes.iter().filter(|note| note.ask) {
            let name = track.sources.first().map(|s| super::folders::stem(&s.path));
            let letters = |c: char| !c.is_ascii_digit();
            let name = name
                .unwrap_or_default()
                .chars()
                .filter(|c| letters(*c))
                .collect();
            let places = asked.entry((name, &note.text)).or_default();
            let file = track.sources.first().map(|s| s.path.display().to_string());
            places.push(format!(
                "{}/{}  {}",
                song.slug,
                take.slug,
                file.unwrap_or_default()
            ));
        }
    }
    if asked.is_empty() && session.notes.is_empty() {
        return;
    }
    line(out, "\nLook at");
    for ((_, text), places) in asked {
        let more = match places.len() {
            1 => String::new(),
            n => format!(" (and {} more like it)", n - 1),
        };
        line(
            out,
            &format!("  {}{more}", places.first().map_or("", String::as_str)),
        );
        line(out, &format!("      {text}"));
    }
    for text in &session.notes {
        line(out, &format!("  {text}"));
    }
    if all(session).any(|(_, _, track)| track.mic.is_unknown()) {
        line(
            out,
            "Say what an unknown mic is in session.toml; `scan --init` writes one to start from.",
        );
    }
}

/// Every file of a take: what it was taken for, its format where it is not the usual one, and why.
fn files(out: &mut String, song: &Song, take: &Take, usual: &str) {
    let mut head = format!("\n{}/{}", song.slug, take.slug);
    if take.setup != song.slug {
        let _ = write!(head, "  (set-up {})", take.setup);
    }
    line(out, &head);
    for track in &take.tracks {
        let label = match track.mic.is_unknown() {
            true => track.mic.name(),
            false => &track.label,
        };
        for (at, source) in track.sources.iter().enumerate() {
            let channels = match (source.channel, source.info.channels) {
                (Some(channel), n) => format!("channel {} of {n}", channel + 1),
                (None, 1) => "mono".to_owned(),
                (None, _) => "stereo".to_owned(),
            };
            let seconds = source.info.frames as f64 / f64::from(source.info.rate_hz.max(1));
            let format = match format(source) {
                format if format == usual => String::new(),
                format => format!(", {format}"),
            };
            let why = match at + 1 == track.sources.len() {
                true => format!(": {}", track.why),
                false => String::new(), // after the last file of a pair
            };
            let row = format!(
                "  {label:<width$} {}  ({channels}, {}:{:04.1}{format}){why}",
                source.path.display(),
                (seconds / 60.0).floor(),
                seconds % 60.0,
                width = NAME - 2,
            );
            line(out, &row);
        }
        for note in &track.notes {
            let mark = if note.ask { "!" } else { "i" };
            line(
                out,
                &format!("  {:<width$} {mark} {}", "", note.text, width = NAME - 2),
            );
        }
    }
}

/// What `scan --json` writes.
#[derive(Debug, Serialize)]
pub struct Json<'a> {
    schema: u32,
    tool: String,
    songs: Vec<SongJson<'a>>,
    skipped: Vec<LeftJson<'a>>,
    failed: Vec<LeftJson<'a>>,
    notes: &'a [String],
}

#[derive(Debug, Serialize)]
struct SongJson<'a> {
    song: &'a str,
    name: &'a str,
    takes: Vec<TakeJson<'a>>,
}

#[derive(Debug, Serialize)]
struct TakeJson<'a> {
    take: &'a str,
    number: Option<u32>,
    setup: &'a str,
    tracks: Vec<TrackJson<'a>>,
}

#[derive(Debug, Serialize)]
struct TrackJson<'a> {
    mic: Mic,
    side: Option<Side>,
    index: u32,
    label: &'a str,
    name: &'a str,
    why: &'a str,
    proposal: Option<&'a str>,
    already_driven: bool,
    notes: &'a [TrackNote],
    sources: Vec<SourceJson<'a>>,
}

#[derive(Debug, Serialize)]
struct SourceJson<'a> {
    #[serde(flatten)]
    path: PathText,
    /// Counted from 1; `null`: all of them.
    channel: Option<usize>,
    sample_rate_hz: u32,
    channels: usize,
    bit_depth: u16,
    sample_format: SampleFormat,
    frames: u64,
    time_reference_samples: Option<u64>,
    oddities: &'a [String],
    truncated: Option<Truncation>,
}

#[derive(Debug, Serialize)]
struct LeftJson<'a> {
    #[serde(flatten)]
    path: PathText,
    reason: &'a str,
}

/// The session as `scan --json` writes it.
pub fn json(session: &Session) -> Json<'_> {
    let left = |path: &Path, reason| LeftJson {
        path: path.into(),
        reason,
    };
    Json {
        schema: 1,
        tool: format!("batterhead {}", env!("CARGO_PKG_VERSION")),
        songs: session.songs.iter().map(song_json).collect(),
        skipped: (session
            .skipped
            .iter()
            .map(|Skipped { path, reason }| left(path, reason)))
        .collect(),
        failed: (session
            .failed
            .iter()
            .map(|Failed { path, reason }| left(path, reason)))
        .collect(),
        notes: &session.notes,
    }
}

fn song_json(song: &Song) -> SongJson<'_> {
    let takes = song.takes.iter().map(|take| TakeJson {
        take: &take.slug,
        number: take.number,
        setup: &take.setup,
        tracks: take.tracks.iter().map(track_json).collect(),
    });
    SongJson {
        song: &song.slug,
        name: &song.name,
        takes: takes.collect(),
    }
}

fn track_json(track: &Track) -> TrackJson<'_> {
    let sources = track.sources.iter().map(|source| SourceJson {
        path: source.path.as_path().into(),
        channel: source.channel.map(|channel| channel + 1),
        sample_rate_hz: source.info.rate_hz,
        channels: source.info.channels,
        bit_depth: source.info.bit_depth,
        sample_format: source.info.sample_format,
        frames: source.info.frames,
        time_reference_samples: source.info.time_reference_samples,
        oddities: &source.info.oddities,
        truncated: source.info.truncated,
    });
    TrackJson {
        mic: track.mic,
        side: track.side,
        index: track.index,
        label: &track.label,
        name: &track.name,
        why: &track.why,
        proposal: track.proposal.as_deref(),
        already_driven: track.already_driven,
        notes: &track.notes,
        sources: sources.collect(),
    }
}
