//! What a take is as a whole: where it starts, how long it is, how it was played.

use std::collections::BTreeMap;
use std::path::Path;

use super::hear::TakePlayed;
use super::{Job, Plan};
use crate::audio;
use crate::dsp::resample;
use crate::mix;
use crate::report::takes::{DrumReport, TakeReport};
use crate::session::{Song, Take, Track};
use crate::units::round_to;

/// Where a take starts and how long it is.
pub struct TakeSpan {
    /// Frames a second, of most of its files.
    pub rate_hz: u32,
    /// First sample since midnight.
    pub start: Option<u64>,
    /// From the start of its first file to the end of its last.
    pub frames: u64,
    /// Where each track starts in it, in frames of the take.
    pub offsets: Vec<u64>,
}

/// The span of a take whose tracks are brought to `rate_hz`, or keep their own.
pub fn span(tracks: &[Track], rate_hz: Option<u32>) -> TakeSpan {
    let rate_hz =
        rate_hz.unwrap_or_else(|| audio::common_rate_hz(tracks.iter().map(Track::rate_hz)));
    let times: Vec<(Option<u64>, u64)> = tracks
        .iter()
        .map(|track| {
            let (from, reference) = (track.rate_hz(), track.time_reference_samples());
            let frames =
                resample::frames_out(track.frames(), reference.unwrap_or(0), from, rate_hz);
            (
                reference.map(|r| resample::time_reference(r, from, rate_hz)),
                frames,
            )
        })
        .collect();
    let placed = mix::place(&times);
    TakeSpan {
        rate_hz,
        start: placed.time_reference_samples,
        frames: placed.frames,
        offsets: placed.offsets,
    }
}

/// Where a track starts, in seconds of its take, as strokes are counted: with all others where rates
/// differ, since a header that is wrong about its rate is wrong about its time.
pub fn start_s(take: &Take, track: &Track) -> f64 {
    let rate_hz = track.rate_hz();
    if take.tracks.iter().any(|other| other.rate_hz() != rate_hz) {
        return 0.0;
    }
    let span = span(&take.tracks, None);
    let index = take.tracks.iter().position(|own| std::ptr::eq(own, track));
    index.map_or(0.0, |i| span.offsets[i] as f64 / f64::from(span.rate_hz))
}

/// Where the strokes of a take lie: the table and the MIDI file.
pub fn hits_paths(song: &str, take: &str) -> [String; 2] {
    ["csv", "mid"].map(|ending| format!("hits/{song}/{take}.{ending}"))
}

/// Where those of one drum lie, where each has a MIDI file of its own.
pub fn drum_path(song: &str, take: &str, drum: &str) -> String {
    format!("hits/{song}/{take}/{drum}.mid")
}

/// Where the track sheet of a song lies.
pub fn notes_path(song: &str) -> String {
    format!("notes/{song}.txt")
}

/// One a take of the session, in its order.
pub fn reports(job: &Job<'_>, plan: &Plan) -> Vec<TakeReport> {
    let played: BTreeMap<(&str, &str), &TakePlayed> = (plan.takes.iter())
        .map(|p| ((p.song.as_str(), p.take.as_str()), p))
        .collect();
    let mut first = 0;
    let mut all = Vec::new();
    for song in &job.session.songs {
        for take in &song.takes {
            let played = played.get(&(song.slug.as_str(), take.slug.as_str()));
            all.push(report(job, plan, song, take, first, played.copied()));
            first += take.tracks.len();
        }
    }
    all
}

/// `first` is the index of the take's first track.
fn report(
    job: &Job<'_>,
    plan: &Plan,
    song: &Song,
    take: &Take,
    first: usize,
    played: Option<&TakePlayed>,
) -> TakeReport {
    let span = span(&take.tracks, None);
    let mut bits: BTreeMap<u16, usize> = BTreeMap::new();
    for track in &take.tracks {
        *bits.entry(track.sources[0].info.bit_depth).or_default() += 1;
    }
    let mut report = TakeReport {
        song: song.slug.clone(),
        take: take.slug.clone(),
        seconds: round_to(span.frames as f64 / f64::from(span.rate_hz), 3),
        sample_rate_hz: span.rate_hz,
        bit_depth: (bits.into_iter().max_by_key(|&(bits, count)| (count, bits))).map_or(0, |b| b.0),
        time_reference_samples: span.start,
        recorded: (take.tracks.first()).and_then(|track| recorded(&job.session.root, track)),
        tempo_bpm: None,
        tempo: None,
        timing_ms: None,
        undecided: None,
        drums: Vec::new(),
        passages: None,
        hits: Vec::new(),
        mix: None,
    };
    if let Some(played) = played {
        report.played(&played.playing);
        report.hits = hits_paths(&song.slug, &take.slug).into();
        if job.config.hits.file_per_drum {
            let path = |drum: &DrumReport| drum_path(&song.slug, &take.slug, &drum.drum);
            report.hits.extend(report.drums.iter().map(path));
        }
        for (drum, label) in report.drums.iter_mut().zip(&played.mics) {
            if let Some(own) = take.tracks.iter().position(|track| track.label == *label) {
                drum.name = take.tracks[own].name.clone();
                let hz = plan.heard[first + own].pitch_take_hz;
                drum.fundamental_hz = hz.filter(|_| drum.hits > 0).map(|hz| round_to(hz, 1));
            }
        }
    }
    report
}

/// The day in the `bext` chunk of a track's file, as `yyyy-mm-dd`.
fn recorded(root: &Path, track: &Track) -> Option<String> {
    let mut reader = audio::open(&root.join(&track.sources[0].path)).ok()?;
    let metadata = reader.metadata().ok()?;
    let date = metadata.find(b"bext")?.get(320..330)?;
    let is_digit = |i: usize| matches!(i, 0..=3 | 5 | 6 | 8 | 9);
    let lawful = |(i, byte): (usize, &u8)| !is_digit(i) || byte.is_ascii_digit();
    let text = |range: std::ops::Range<usize>| std::str::from_utf8(&date[range]).ok();
    // Readers accept other separators (EBU Tech 3285).
    let (year, month, day) = (text(0..4)?, text(5..7)?, text(8..10)?);
    let known = date.iter().enumerate().all(lawful) && year > "1900" && month > "00" && day > "00";
    known.then(|| format!("{year}-{month}-{day}"))
}
