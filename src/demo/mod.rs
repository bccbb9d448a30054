//! A small drum session made of arithmetic: two invented songs, three takes each, a dozen mics, with
//! bleed, room and the usual mishaps. The same seed gives the same bytes.
//!
//! ```text
//! groove ──strokes──▶ kit (bank) ──voices──▶ space ──pressure──▶ mics ──▶ file
//! ```

pub mod bank;
pub mod colour;
pub mod file;
pub mod groove;
mod heard;
pub mod kit;
pub mod songs;
pub mod space;

use std::collections::BTreeSet;
use std::f64::consts::TAU;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;

use crate::dsp::maths::{db_to_ratio, exp, sin};
use crate::dsp::random::Random;
use crate::error::{Error, Result};
use crate::finding::Code;
use crate::output::ours::is_sound;
use crate::output::publish::{Outbox, sweep};
use groove::{Piece, Stroke, perform};
#[doc(hidden)]
pub use heard::heard;
use kit::Kit;
use songs::{Feed, Mic, Mishap, Song, Take};
use space::Scene;

/// Frames a second of the demo session.
pub const RATE_HZ: u32 = 48_000;

/// What was written, and the truth about it.
#[derive(Clone, Debug, Default)]
pub struct Summary {
    /// Every sound file, relative to the folder, in order of songs, takes and mics.
    pub files: Vec<PathBuf>,
    /// Length of all files together.
    pub seconds: f64,
    /// What was planted on purpose.
    pub planted: Vec<Planted>,
    /// What was played.
    pub takes: Vec<Played>,
}

/// Something that was planted for the tool to find.
#[derive(Clone, Debug, PartialEq)]
pub struct Planted {
    /// The finding that it should lead to.
    pub code: Code,
    /// The song.
    pub song: &'static str,
    /// The take; `None`: all of them.
    pub take: Option<u32>,
    /// The mic as written in the file name.
    pub mic: &'static str,
    /// In words for a person.
    pub text: String,
}

/// The truth about a take.
#[derive(Clone, Debug, PartialEq)]
pub struct Played {
    /// The song.
    pub song: &'static str,
    /// The take.
    pub take: u32,
    /// The drums as they were tuned in it.
    pub kit: Kit,
    /// Every stroke, in order of time.
    pub strokes: Vec<Stroke>,
}

/// The songs of the demo.
pub fn songs() -> [Song; 2] {
    [songs::low_tide(), songs::iron_meadow()]
}

/// Writes the demo session into `folder` (made if absent). `progress` hears how many of how many
/// takes are done, from any thread. Files that are there already with the same bytes are left
/// alone.
///
/// # Errors
/// A file of the same name with other content is there, or a sound file that is not of the demo
/// ([`crate::error::Kind::Input`], before anything is written); or the folder cannot be written.
pub fn write(folder: &Path, progress: &(dyn Fn(usize, usize) + Sync)) -> Result<Summary> {
    check(folder)?;
    let outbox = Outbox::open(folder)?;
    sweep(folder)?;
    let songs = songs();
    let takes: Vec<(&Song, &Take)> = (songs.iter())
        .flat_map(|song| song.takes.iter().map(move |take| (song, take)))
        .collect();
    let done = AtomicUsize::new(0);
    let written: Vec<Result<Summary>> = (takes.par_iter())
        .map(|(song, take)| {
            let summary = write_take(&outbox, song, take);
            progress(done.fetch_add(1, Ordering::Relaxed) + 1, takes.len());
            summary
        })
        .collect();
    let mut all = Summary::default();
    for summary in written {
        let summary = summary?;
        all.files.extend(summary.files);
        all.seconds += summary.seconds;
        all.takes.extend(summary.takes);
    }
    all.planted = songs.iter().flat_map(planted).collect();
    Ok(all)
}

/// What is played in a take, and on which kit.
pub fn play(song: &Song, take: &Take) -> (Kit, Vec<Stroke>) {
    let mut kit = song.kit;
    let mut strokes = perform(&song.part, seed(song), take.number, take.seconds);
    for mishap in &take.mishaps {
        match mishap {
            Mishap::FloorUnplayed => {
                for stroke in strokes.iter_mut().filter(|s| s.piece == Piece::Floor) {
                    stroke.piece = Piece::Tom2;
                }
            }
            Mishap::SnareFlat { by_hz } => kit.snare.fundamental_hz -= by_hz,
            Mishap::TooHot { .. } | Mishap::Unfinished { .. } => {}
        }
    }
    (kit, strokes)
}

/// The sound of a take in its room.
pub fn scene(song: &Song, take: &Take, kit: &Kit, strokes: &[Stroke], rate_hz: u32) -> Scene {
    let rate = f64::from(rate_hz);
    let frames = frames(take, rate_hz);
    let seed = seed(song) + u64::from(take.number);
    Scene::new(kit::voices(kit, strokes, frames, rate, seed), frames, rate)
}

/// What a mic sends to the recorder in a take: its channels, full scale ±1, before the converter.
pub fn record(song: &Song, take: &Take, mic: &Mic, scene: &Scene, rate_hz: u32) -> Vec<Vec<f64>> {
    let hotter_db: f64 = (take.mishaps.iter())
        .map(|mishap| match mishap {
            Mishap::TooHot { mic: hot, by_db } if *hot == mic.name => *by_db,
            _ => 0.0,
        })
        .sum();
    let gain = db_to_ratio(mic.gain_db + hotter_db) * if mic.flipped { -1.0 } else { 1.0 };
    // even noise from −1 to 1 has an RMS of 1/√3
    let noise = db_to_ratio(mic.noise_dbfs) * 3f64.sqrt();
    let part = format!("{} {}", take.number, mic.name);
    let mut random = Random::of(seed(song), &part);
    let mut channels = match &mic.feed {
        Feed::Capsules(capsules) => (capsules.iter().enumerate())
            .map(|(i, capsule)| scene.pick_up(capsule, &format!("{}{i}", mic.name)))
            .collect(),
        Feed::Metronome => vec![metronome(song.part.tempo, frames(take, rate_hz), rate_hz)],
    };
    let hum = mic.hum_dbfs.map_or(0.0, db_to_ratio);
    for channel in &mut channels {
        for (n, y) in channel.iter_mut().enumerate() {
            *y = *y * gain + noise * random.noise();
            if hum != 0.0 {
                let angle = TAU * 50.0 * n as f64 / f64::from(rate_hz);
                *y += hum * (sin(angle) + 0.5 * sin(3.0 * angle) + 0.25 * sin(5.0 * angle));
            }
        }
    }
    channels
}

/// Refuses a folder that holds anything else than files of the demo, as they were written. Nothing is
/// written.
fn check(folder: &Path) -> Result<()> {
    let mut there: BTreeSet<PathBuf> = walkdir::WalkDir::new(folder)
        .into_iter()
        .filter_map(|entry| entry.ok())
        .filter(|entry| !entry.file_type().is_dir())
        .filter_map(|entry| Some(entry.path().strip_prefix(folder).ok()?.to_owned()))
        .collect();
    for song in &songs() {
        for take in &song.takes {
            let file = |mic: &Mic| (song.file)(take.number, mic.name);
            let found = song
                .mics
                .iter()
                .filter(|mic| there.remove(&file(mic)))
                .count();
            if found == 0 {
                continue;
            }
            each_file(song, take, &mut |file, bytes| {
                file::compare(folder, file, bytes).map(drop)
            })?;
        }
    }
    let other = |path: &&PathBuf| is_sound(path) || path.as_os_str() == "session.toml";
    match there.iter().find(other) {
        Some(path) => Err(
            Error::input("is no file of the demo, but lies where its takes belong")
                .at(&folder.join(path))
                .hint("give the demo a folder of its own with --out"),
        ),
        None => Ok(()),
    }
}

/// Makes every file of a take, and hands on its path and bytes. Gives what was played.
fn each_file(
    song: &Song,
    take: &Take,
    hand_on: &mut dyn FnMut(&Path, &[u8]) -> Result<()>,
) -> Result<Played> {
    let (kit, strokes) = play(song, take);
    let scene = scene(song, take, &kit, &strokes, RATE_HZ);
    for mic in &song.mics {
        let file = (song.file)(take.number, mic.name);
        let channels = record(song, take, mic, &scene, RATE_HZ);
        let start_s = song.stamped.then_some(take.start_s);
        let mut bytes = file::encode(&channels, RATE_HZ, mic.bits, start_s)
            .map_err(|error| Error::file(&file, error.to_string()))?;
        for mishap in &take.mishaps {
            if let Mishap::Unfinished {
                mic: stopped,
                lost_s,
            } = mishap
                && *stopped == mic.name
            {
                let frame = channels.len() * usize::from(mic.bits / 8);
                // a recorder does not stop at the end of a frame
                file::unfinish(
                    &mut bytes,
                    (lost_s * f64::from(RATE_HZ)) as usize * frame + 1,
                );
            }
        }
        hand_on(&file, &bytes)?;
    }
    Ok(Played {
        song: song.name,
        take: take.number,
        kit,
        strokes,
    })
}

fn write_take(folder: &Outbox, song: &Song, take: &Take) -> Result<Summary> {
    let mut summary = Summary::default();
    let played = each_file(song, take, &mut |file, bytes| {
        summary.files.push(file.to_owned());
        summary.seconds += take.seconds;
        file::store(folder, file, bytes)
    })?;
    summary.takes.push(played);
    Ok(summary)
}

/// Beats of a metronome from the first sample on, the first of a bar higher.
fn metronome(tempo: f64, frames: usize, rate_hz: u32) -> Vec<f64> {
    let rate = f64::from(rate_hz);
    let beat_s = 60.0 / tempo;
    let first = groove::LEAD_S % beat_s;
    (0..frames)
        .map(|n| {
            let t = n as f64 / rate - first;
            if t < 0.0 {
                return 0.0;
            }
            let beat = (t / beat_s) as u64;
            let since = t - beat as f64 * beat_s;
            let lead = (groove::LEAD_S / beat_s) as u64;
            let freq_hz = if beat % 4 == lead % 4 { 1600.0 } else { 1100.0 };
            exp(-since / 0.008) * sin(TAU * freq_hz * since)
        })
        .collect()
}

/// What was planted in a song, from the same plan that it was made from.
fn planted(song: &Song) -> Vec<Planted> {
    let mut planted = Vec::new();
    let mut add = |code, take, mic, text| {
        planted.push(Planted {
            code,
            song: song.name,
            take,
            mic,
            text,
        });
    };
    for mic in &song.mics {
        if mic.name == song.mics[songs::SNARE_BOTTOM].name && !mic.flipped {
            let text = "the bottom snare was not flipped at the preamp".to_owned();
            add(Code::Polarity, None, mic.name, text);
        }
        if let Some(hum_dbfs) = mic.hum_dbfs {
            let text = format!("a hum of 50 Hz at {hum_dbfs:.0} dBFS");
            add(Code::Hum, None, mic.name, text);
        }
        if song.nameless == Some(mic.name) {
            let text = "a mic whose name says nothing".to_owned();
            add(Code::UnknownMic, None, mic.name, text);
        }
    }
    for take in &song.takes {
        for mishap in &take.mishaps {
            let (code, mic, text) = match mishap {
                Mishap::FloorUnplayed => (
                    Code::NotPlayed,
                    song.mics[songs::FLOOR_TOM].name,
                    "the floor tom is never played".to_owned(),
                ),
                Mishap::SnareFlat { by_hz } => (
                    Code::Detuned,
                    song.mics[songs::SNARE_TOP].name,
                    format!("the snare has gone flat by {by_hz} Hz"),
                ),
                Mishap::TooHot { mic, by_db } => (
                    Code::Clipped,
                    *mic,
                    format!("the preamp is {by_db} dB too hot, the peaks are cut off"),
                ),
                Mishap::Unfinished { mic, lost_s } => (
                    Code::Truncated,
                    *mic,
                    format!("the recorder stopped {lost_s} s early and never finished the file"),
                ),
            };
            add(code, Some(take.number), mic, text);
        }
    }
    planted
}

fn frames(take: &Take, rate_hz: u32) -> usize {
    (take.seconds * f64::from(rate_hz)).round() as usize
}

fn seed(song: &Song) -> u64 {
    song.name
        .bytes()
        .fold(1, |seed, byte| seed * 31 + u64::from(byte))
        % 1_000_003
}

#[cfg(test)]
mod tests;
