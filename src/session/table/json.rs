//! What `scan --json` writes.

use std::borrow::Cow;
use std::collections::BTreeSet;
use std::path::Path;

use serde::Serialize;

use crate::audio::{SampleFormat, Truncation};
use crate::session::paths::PathText;
use crate::session::{Failed, Mic, Session, Side, Skipped, Song, Track, TrackNote};
use crate::wording;

/// How much a session is: what time and space depend on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Totals {
    /// Songs.
    pub songs: usize,
    /// Takes.
    pub takes: usize,
    /// Tracks.
    pub tracks: usize,
    /// Files that give samples.
    pub files: usize,
    /// Tracks of unknown mics.
    pub unknown: usize,
    /// Files that cannot be read.
    pub failed: usize,
    /// Channels of all tracks together.
    pub channels: usize,
    /// Length of all takes, each as long as its longest track, in seconds.
    pub seconds: f64,
    /// Seconds of audio: each channel of each track counts its own.
    pub channel_seconds: f64,
    /// Bytes of the samples of all tracks, as stored uncompressed.
    pub bytes: u64,
}

impl Totals {
    /// Of a session.
    pub fn of(session: &Session) -> Self {
        let mut totals = Totals {
            songs: session.songs.len(),
            failed: session.failed.len(),
            ..Totals::default()
        };
        let mut files = BTreeSet::new();
        for take in session.songs.iter().flat_map(|song| &song.takes) {
            totals.takes += 1;
            let mut longest: f64 = 0.0;
            for track in &take.tracks {
                let seconds = track.frames() as f64 / f64::from(track.rate_hz().max(1));
                longest = longest.max(seconds);
                totals.tracks += 1;
                totals.unknown += usize::from(track.mic.is_unknown());
                totals.channels += track.channels();
                totals.channel_seconds += seconds * track.channels() as f64;
                for source in &track.sources {
                    files.insert(&source.path);
                    let channels = source.channel.map_or(source.info.channels, |_| 1) as u64;
                    let sample = u64::from(source.info.bit_depth).div_ceil(8);
                    totals.bytes += source.info.frames * channels * sample;
                }
            }
            totals.seconds += longest;
        }
        totals.files = files.len();
        totals
    }
}

/// What `scan --json` writes.
#[derive(Debug, Serialize)]
pub struct Json<'a> {
    schema: u32,
    tool: String,
    totals: Totals,
    songs: Vec<SongJson<'a>>,
    skipped: Vec<LeftJson<'a>>,
    failed: Vec<LeftJson<'a>>,
    notes: Vec<String>,
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
    notes: &'a [String],
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
    candidates: &'a [String],
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
    reason: Cow<'a, str>,
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
        totals: Totals::of(session),
        songs: session.songs.iter().map(song_json).collect(),
        skipped: (session
            .skipped
            .iter()
            .map(|Skipped { path, reason }| left(path, wording::remark(reason).into())))
        .collect(),
        failed: (session
            .failed
            .iter()
            .map(|Failed { path, reason }| left(path, reason.into())))
        .collect(),
        notes: session.notes.iter().map(wording::remark).collect(),
    }
}

fn song_json(song: &Song) -> SongJson<'_> {
    let takes = song.takes.iter().map(|take| TakeJson {
        take: &take.slug,
        number: take.number,
        setup: &take.setup,
        notes: &take.notes,
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
        proposal: track.candidates.first().map(String::as_str),
        candidates: &track.candidates,
        already_driven: track.already_driven,
        notes: &track.notes,
        sources: sources.collect(),
    }
}
