//! [`Session`]: what a folder of takes was taken for. Plain data; `scan` makes it.

use std::path::PathBuf;

pub use arrange::arrange;
pub use config::{SessionFile, init_toml};
pub use label::Label;
pub use mic::{Family, Mic};
pub use scan::{open, scan, scan_so_far};
pub use still::{Still, keep_complete};

mod arrange;
pub mod config;
pub mod label;
pub mod mic;
mod names;
pub mod paths;
mod rates;
mod scan;
pub mod slug;
mod still;
pub mod table;
mod tracks;

use crate::audio::Info;
use crate::dsp::resample::frames_out;
use crate::finding::FindingKind;
use crate::remark::Remark;

/// One side of a pair, or the middle.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// Left.
    L,
    /// Right.
    R,
    /// Centre.
    C,
}

/// A folder of takes.
#[derive(Clone, Debug)]
pub struct Session {
    /// The session folder, as given.
    pub root: PathBuf,
    /// Songs in order of their slugs.
    pub songs: Vec<Song>,
    /// What was left out, with its reason (not audio, a folder too deep, …).
    pub skipped: Vec<Skipped>,
    /// Sound files that cannot be read at all.
    pub failed: Vec<Failed>,
    /// What a person should know of the session as a whole: names that collide, takes that two
    /// folders number alike, entries of the session file that nothing fits.
    pub notes: Vec<Remark>,
}

/// All takes of one song, in order.
#[derive(Clone, Debug)]
pub struct Song {
    /// As written by people.
    pub name: String,
    /// Lower-case ASCII, `low-tide`.
    pub slug: String,
    /// In order of their numbers.
    pub takes: Vec<Take>,
}

/// One performance: tracks that sound together.
#[derive(Clone, Debug)]
pub struct Take {
    /// `take-03`, or a name as `comp`.
    pub slug: String,
    /// Its number, where it has one.
    pub number: Option<u32>,
    /// Which set-up (same kit, tuning, mic positions) it belongs to: takes with the same text share
    /// one. By default the song's slug.
    pub setup: String,
    /// What people noted of it in names: `keep`, `ng`.
    pub notes: Vec<String>,
    /// In the order of the mic table.
    pub tracks: Vec<Track>,
    /// Pairs whose sides are two of `tracks`, each as one stereo track: stems of both are derived from
    /// them, and nothing else is done with them.
    pub pairs: Vec<Track>,
}

/// One microphone or one stereo pair: the unit of work.
#[derive(Clone, Debug)]
pub struct Track {
    /// What it was taken for.
    pub mic: Mic,
    /// The side, where the mic is one of several (`china-r`); `None` for a pair.
    pub side: Option<Side>,
    /// A second mic of the same name in the take: 2, 3, …; else 1.
    pub index: u32,
    /// The last part of the output name: `snare-top`, `china-r`, `snare-top-2`; for an unknown mic
    /// the slug of its file.
    pub label: String,
    /// File name without folder and ending, by the naming template: `low-tide_take-03_snare-top`.
    pub name: String,
    /// One file, or the two sides of a pair (left, right).
    pub sources: Vec<Source>,
    /// Why it was taken for this mic, in words for a person.
    pub why: String,
    /// What a person should look at: a guess (`unknown-mic` with a proposal, a second mic, …).
    pub notes: Vec<TrackNote>,
    /// What it may be, where it is an `unknown-mic` that is not quite unknown: labels, the likeliest
    /// first.
    pub candidates: Vec<String>,
    /// Its name says that it is distorted: no derived stem is driven from it.
    pub already_driven: bool,
}

/// Something that `scan` noticed about a track.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct TrackNote {
    /// Whether a person has to look (⚠) or it is for information (ⓘ).
    pub ask: bool,
    /// In words.
    pub text: String,
    /// The finding that it becomes, where it is one: `unknown-mic`, `pair-mismatch`, `truncated`.
    #[serde(rename = "code", serialize_with = "code")]
    pub finding: Option<FindingKind>,
}

fn code<S: serde::Serializer>(
    finding: &Option<FindingKind>,
    serializer: S,
) -> Result<S::Ok, S::Error> {
    let code = finding.as_ref().map(FindingKind::code);
    serde::Serialize::serialize(&code, serializer)
}

/// One file (or one channel of it) that gives samples to a track.
#[derive(Clone, Debug)]
pub struct Source {
    /// Relative to the session folder.
    pub path: PathBuf,
    /// Its header.
    pub info: Info,
    /// The only channel that counts, in a recorder's file with all mics; `None`: all of them.
    pub channel: Option<usize>,
    /// Silence ahead of it in its track, in frames: the other side of the pair begins earlier.
    pub lead_frames: u64,
}

impl Source {
    /// Where it ends in a track of this rate, in frames.
    pub fn end(&self, rate_hz: u32) -> u64 {
        let frames = frames_out(self.info.frames, 0, self.info.rate_hz, rate_hz);
        self.lead_frames.saturating_add(frames)
    }
}

/// A file that is not part of the session.
#[derive(Clone, Debug, PartialEq)]
pub struct Skipped {
    /// Relative to the session folder.
    pub path: PathBuf,
    /// Why.
    pub reason: Remark,
}

/// A sound file that cannot be used.
#[derive(Clone, Debug, PartialEq)]
pub struct Failed {
    /// Relative to the session folder.
    pub path: PathBuf,
    /// Why, and what to do.
    pub reason: String,
}

/// Whether the notes on a take say that it is not to be used: `ng`, a false start.
pub fn is_no_good(notes: &[String]) -> bool {
    let says = |note: &String| {
        let mut words = note.split(' ');
        words.any(|word| names::token::NO_GOOD.contains(&word.to_lowercase().as_str()))
    };
    notes.iter().any(says)
}

impl Session {
    /// All tracks with their song and take, in order.
    pub fn tracks(&self) -> impl Iterator<Item = (&Song, &Take, &Track)> {
        self.songs
            .iter()
            .flat_map(|song| song.takes.iter().map(move |take| (song, take)))
            .flat_map(|(song, take)| take.tracks.iter().map(move |track| (song, take, track)))
    }

    /// All pairs whose sides are tracks of their own, in the order of their takes; each with the
    /// places of its left and right side among [`Session::tracks`].
    pub fn pairs(&self) -> impl Iterator<Item = (&Track, [usize; 2])> {
        let takes = self.songs.iter().flat_map(|song| &song.takes);
        takes
            .scan(0, |next, take| {
                let first = *next;
                *next += take.tracks.len();
                Some((first, take))
            })
            .flat_map(|(first, take)| {
                take.pairs.iter().filter_map(move |pair| {
                    let side = |side: Option<Side>| {
                        let is = |track: &Track| {
                            (track.mic, track.index, track.side) == (pair.mic, pair.index, side)
                        };
                        Some(first + take.tracks.iter().position(is)?)
                    };
                    Some((pair, [side(Some(Side::L))?, side(Some(Side::R))?]))
                })
            })
    }
}

impl Track {
    /// Frames a second: those of its first source.
    pub fn rate_hz(&self) -> u32 {
        self.sources[0].info.rate_hz
    }

    /// Frames from where its first source begins to where its last one ends.
    pub fn frames(&self) -> u64 {
        let ends = self.sources.iter().map(|s| s.end(self.rate_hz()));
        ends.max().unwrap_or(0)
    }

    /// Time reference of its first frame, in samples, where a source has one.
    pub fn time_reference_samples(&self) -> Option<u64> {
        self.first_source().info.time_reference_samples
    }

    /// The source that begins with the track; of several the one that says when that is.
    pub fn first_source(&self) -> &Source {
        let key = |s: &&Source| (s.lead_frames, s.info.time_reference_samples.is_none());
        (self.sources.iter().min_by_key(key)).unwrap_or(&self.sources[0])
    }

    /// 1, or 2 for a pair or a stereo file.
    pub fn channels(&self) -> usize {
        self.sources
            .iter()
            .map(|s| {
                if s.channel.is_some() {
                    1
                } else {
                    s.info.channels
                }
            })
            .sum()
    }
}
