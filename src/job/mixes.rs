//! Rough mixes of finished stems, and stems of groups beside them.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::finish::unmade;
use super::keep::Anew;
use super::render::{self, Rendered, Sink};
use super::standing::KeptMix;
use super::{Job, Plan, Work};
use crate::block::Block;
use crate::cache::store::{Key, Origin};
use crate::dsp::maths;
use crate::dsp::resample::{self, Resampler};
use crate::error::{Error, Result};
use crate::measure::{Levels, Meter};
use crate::mix::{MixLevels, no_louder_than, rough_gain};
use crate::output::publish::Outbox;
use crate::reason::{HeldMix, Reason};
use crate::report::session::{FailedReport, MixFile, MixLevel, MixReport};
use crate::session::config::{Named, SessionFile};
use crate::session::{Session, Song, Take};
use crate::units::round_to;
use crate::wav::{Depth, Dither, Metadata, WriteSpec, bext};

mod sums;

use sums::{Sum, add_up, sums, try_sum};

/// A finished take: what is reported of it, and what excerpts go by.
pub struct Mix {
    /// For `session.json` and the page.
    pub report: MixReport,
    /// The first stroke of kick or snare.
    pub first_hit_s: Option<f64>,
    /// The loudest moment of the rough mix.
    pub loudest_s: f64,
}

/// What is kept of a finished mix.
#[derive(Clone, Serialize, Deserialize)]
struct Mixed {
    after: Levels,
    loudest_s: f64,
    sha256: String,
}

/// A gain and the reason for it.
struct Gain {
    db: f64,
    why: Reason,
}

/// A file to be mixed: a whole take or one group of it.
struct File<'s, 'a> {
    sum: &'s Sum<'a>,
    group: Option<&'s str>,
    path: String,
    gain_db: f64,
    depth: Depth,
    rate_hz: u32,
    title: String,
}

/// Mixes every take, one gain a song; and stems of groups, copies to listen to, where asked for.
pub fn mix(
    work: &Work<'_>,
    job: &Job<'_>,
    plan: &Plan,
    stems: &[Option<Result<Rendered>>],
    outbox: &Outbox,
    failed: &mut Vec<FailedReport>,
) -> Result<Vec<Mix>> {
    let sums = sums(work, job, plan, stems);
    let tried = work.each("sum", &sums, Sum::samples, |sum| {
        try_sum(work, outbox.root(), sum, None)
    })?;
    let gains = gains(job, &sums, &tried);
    let mut files = Vec::new();
    for (sum, tried) in sums.iter().zip(&tried) {
        let (song, take) = (sum.song, sum.take);
        if let Err(error) = tried {
            failed.push(unmade(&path(song, take), error));
        }
        if sum.strips.is_empty() || tried.is_err() {
            continue;
        }
        let file = |path: String, depth, rate_hz, what: &str| File {
            sum,
            group: None,
            path,
            gain_db: gains[song].db,
            depth,
            rate_hz,
            title: format!("{song} {take}, {what}"),
        };
        files.push(file(
            path(song, take),
            Depth::Int24,
            sum.rate_hz,
            "rough mix",
        ));
        if job.config.mix.listening_copy {
            let path = listening_path(song, take);
            files.push(file(path, Depth::Int16, LISTENING_HZ, "copy to listen to"));
        }
    }
    hold_copies(work, outbox.root(), job.config.mix.ceiling_dbtp, &mut files)?;
    files.extend(groups(work, job, outbox.root(), &sums)?);
    let mixed = work.each(
        "mix",
        &files,
        |file| file.sum.samples(),
        |file| write(work, outbox, file),
    )?;
    for (file, mixed) in files.iter().zip(&mixed) {
        if let Err(error) = mixed {
            failed.push(unmade(&file.path, error));
        }
    }
    let mix = |sum: &Sum<'_>| {
        let gain = &gains[sum.song];
        let mut mix = Mix {
            report: MixReport {
                song: sum.song.to_owned(),
                take: sum.take.to_owned(),
                path: None,
                outputs: Vec::new(),
                gain_db: gain.db,
                gain_reason: gain.why.clone(),
                after: None,
                tracks: sum
                    .strips
                    .iter()
                    .map(|part| part.unit.name.clone())
                    .collect(),
                omitted: sum.omitted.clone(),
                levels: sum.strips.iter().map(level).collect(),
                excerpt: None,
            },
            first_hit_s: sum.first_hit_s,
            loudest_s: 0.0,
        };
        for (file, mixed) in files.iter().zip(&mixed) {
            if !std::ptr::eq(file.sum, sum) {
                continue;
            }
            if let Ok(mixed) = mixed {
                mix.report.outputs.push(MixFile {
                    path: file.path.clone(),
                    sha256: mixed.sha256.clone(),
                    group: file.group.map(str::to_owned),
                    gain_db: file.gain_db,
                });
                if mix.report.path.is_none() && file.group.is_none() {
                    mix.report.path = Some(file.path.clone());
                    mix.report.after = Some(mixed.after.clone());
                    mix.loudest_s = mixed.loudest_s;
                }
            }
        }
        mix
    };
    Ok(sums.iter().map(mix).collect())
}

fn level(part: &sums::Part<'_>) -> MixLevel {
    let pans = [part.place.pan.0, part.place.pan.1];
    MixLevel {
        label: part.unit.label().to_owned(),
        fader_db: round_to(part.place.fader_db, 2),
        pans: pans.into_iter().take(part.stem.output.channels).collect(),
    }
}

/// Copies for the band: what every player plays.
const LISTENING_HZ: u32 = 44_100;

/// Lowers the copies of a song, all by the same, where one of them would pass the ceiling: at
/// another rate the peaks lie elsewhere.
fn hold_copies<'s>(
    work: &Work<'_>,
    root: &Path,
    ceiling_dbtp: f64,
    files: &mut [File<'s, '_>],
) -> Result<()> {
    let copies: Vec<&File<'_, '_>> =
        (files.iter().filter(|file| file.rate_hz != file.sum.rate_hz)).collect();
    let peaks = work.each(
        "sum",
        &copies,
        |file| file.sum.samples(),
        |file| {
            let key = Key::of("copy", &(file.sum.key(None), file.rate_hz));
            if let Some(found) = work.store.get::<Option<f64>>(&key) {
                work.advance(file.sum.samples());
                return Ok(found);
            }
            let mut meter = Meter::without_loudness(file.rate_hz, 2);
            add_up_at(work, root, file, |block| {
                meter.push(block);
                Ok(())
            })?;
            let peak = meter.finish().true_peak_dbtp;
            work.store.put(&key, &peak)?;
            Ok(peak)
        },
    )?;
    let mut gains: BTreeMap<&'s str, f64> = BTreeMap::new();
    for (file, peak) in copies.iter().zip(peaks) {
        let peak = [peak.ok().flatten()];
        let (gain_db, _) = no_louder_than(file.gain_db, &peak, ceiling_dbtp);
        let least = gains.entry(file.sum.song).or_insert(file.gain_db);
        *least = least.min((gain_db * 10.0 + 1e-6).floor() / 10.0);
    }
    for file in files
        .iter_mut()
        .filter(|file| file.rate_hz != file.sum.rate_hz)
    {
        file.gain_db = gains
            .get(file.sum.song)
            .map_or(file.gain_db, |db| round_to(*db, 1));
    }
    Ok(())
}

/// Hands on the sum of a file, at its rate, without its gain.
fn add_up_at(
    work: &Work<'_>,
    root: &Path,
    file: &File<'_, '_>,
    mut take: impl FnMut(&mut Block) -> Result<()>,
) -> Result<()> {
    let sum = file.sum;
    if file.rate_hz == sum.rate_hz {
        return add_up(work, root, sum, file.group, take);
    }
    let mut resampler = Resampler::new(sum.rate_hz, file.rate_hz, 2, sum.start.unwrap_or(0))?;
    let mut out = Block::default();
    add_up(work, root, sum, file.group, |block| {
        resampler.process(block, &mut out);
        take(&mut out)
    })?;
    resampler.finish(&mut out);
    take(&mut out)
}

/// Stems of groups: the same faders and pans as in the mix, without its final gain. Where one of a
/// song would clip, all of them are that much softer, and still sum to the mix.
fn groups<'s, 'a>(
    work: &Work<'_>,
    job: &'s Job<'_>,
    root: &Path,
    sums: &'s [Sum<'a>],
) -> Result<Vec<File<'s, 'a>>> {
    if job.config.groups.is_empty() {
        return Ok(Vec::new());
    }
    let mut parts: Vec<(&Sum<'a>, &str)> = Vec::new();
    for sum in sums {
        for part in &sum.strips {
            if !parts
                .iter()
                .any(|(s, group)| std::ptr::eq(*s, sum) && *group == part.group)
            {
                parts.push((sum, &part.group));
            }
        }
    }
    let tried = work.each(
        "sum",
        &parts,
        |(sum, _)| sum.samples(),
        |(sum, group)| try_sum(work, root, sum, Some(group)),
    )?;
    let depth = render::depth(job.config.output.bits);
    let file = |(sum, group): &(&'s Sum<'a>, &'s str)| {
        let peaks: Vec<Option<f64>> = parts
            .iter()
            .zip(&tried)
            .filter(|((other, _), _)| other.song == sum.song)
            .map(|(_, levels)| {
                levels
                    .as_ref()
                    .ok()
                    .and_then(|levels| levels.true_peak_dbtp)
            })
            .collect();
        let (gain_db, _) = no_louder_than(0.0, &peaks, job.config.mix.ceiling_dbtp);
        let path = group_path(job.config, (sum.song, sum.take), group, sum.rate_hz);
        Ok(File {
            sum,
            group: Some(*group),
            path: path?,
            gain_db: (gain_db * 10.0).floor() / 10.0,
            depth,
            rate_hz: sum.rate_hz,
            title: format!("{} {}, {group}", sum.song, sum.take),
        })
    };
    parts.iter().map(file).collect()
}

/// Where the rough mix of a take lies.
pub fn path(song: &str, take: &str) -> String {
    format!("mixes/{song}/{take}.wav")
}

fn group_path(
    config: &SessionFile,
    (song, take): (&str, &str),
    group: &str,
    rate_hz: u32,
) -> Result<String> {
    let named = Named {
        song,
        take,
        label: group,
        side: None,
        group,
        rate_hz,
    };
    let name = config.name(&named);
    let name = name.map_err(|why| Error::input(format!("the stem of the group {group}: {why}")))?;
    Ok(format!("stems/{song}/{take}/group_{name}.wav"))
}

/// Every name that the mixes of a take may have.
pub fn names(config: &SessionFile, song: &Song, take: &Take) -> Vec<String> {
    let mut names = vec![path(&song.slug, &take.slug)];
    if config.mix.listening_copy {
        names.push(listening_path(&song.slug, &take.slug));
    }
    if !config.groups.is_empty() {
        for track in &take.tracks {
            let group = config.group_of(track.mic);
            names.extend(group_path(
                config,
                (&song.slug, &take.slug),
                group,
                track.rate_hz(),
            ));
        }
    }
    names
}

fn listening_path(song: &str, take: &str) -> String {
    format!("mixes/{song}/{take}_listen.wav")
}

/// Refuses names of group stems that the template cannot make, and one that two would share.
pub fn check_names(session: &Session, config: &SessionFile) -> Result<()> {
    let mut errors = Vec::new();
    let takes = (session.songs.iter()).flat_map(|song| song.takes.iter().map(move |t| (song, t)));
    for (song, take) in takes {
        let mut groups: BTreeMap<&str, u32> = BTreeMap::new();
        for track in take.tracks.iter().filter(|_| !config.groups.is_empty()) {
            groups.insert(config.group_of(track.mic), track.rate_hz());
        }
        let mut paths = BTreeSet::new();
        for (group, rate_hz) in groups {
            match group_path(config, (&song.slug, &take.slug), group, rate_hz) {
                Err(error) => errors.push(error),
                Ok(path) if !paths.insert(path.to_lowercase()) => errors.push(
                    Error::input(format!("two groups would both be written to {path}"))
                        .hint("put {mic} or {group} into the naming template of the session file"),
                ),
                Ok(_) => {}
            }
        }
    }
    Error::all(errors).map_or(Ok(()), Err)
}

fn gains<'a>(job: &Job<'_>, sums: &[Sum<'a>], tried: &[Result<Levels>]) -> BTreeMap<&'a str, Gain> {
    let mut songs: BTreeMap<&str, Vec<(&str, MixLevels)>> = BTreeMap::new();
    for (sum, levels) in sums.iter().zip(tried) {
        let levels = levels
            .as_ref()
            .map_or(MixLevels::default(), |levels| MixLevels {
                integrated_lufs: levels.integrated_lufs,
                true_peak_dbtp: levels.true_peak_dbtp,
            });
        songs.entry(sum.song).or_default().push((sum.take, levels));
    }
    let mix = &job.config.mix;
    let gain = |takes: Vec<(&str, MixLevels)>| {
        let levels: Vec<MixLevels> = takes.iter().map(|take| take.1).collect();
        let found = rough_gain(&levels, mix.target_lufs, mix.ceiling_dbtp);
        // Rounded down, so that the ceiling holds.
        let db = round_to((found.db * 10.0 + 1e-6).floor() / 10.0, 1);
        let held = |held: usize, wanted: f64| HeldMix {
            by_db: round_to(wanted - db, 1),
            take: takes[held].0.to_owned(),
            ceiling_dbtp: mix.ceiling_dbtp,
        };
        let why = match found.wanted_db {
            Some(wanted) => Reason::MixLevel {
                wanted_db: round_to(wanted, 1),
                target_lufs: mix.target_lufs,
                held: found.held_by.map(|take| held(take, wanted)),
            },
            None => Reason::MixSilent,
        };
        Gain { db, why }
    };
    songs
        .into_iter()
        .map(|(song, takes)| {
            let kept = delivered(job, song);
            let holds = |kept: &Gain| {
                let peaks = takes.iter().filter_map(|take| take.1.true_peak_dbtp);
                peaks
                    .into_iter()
                    .all(|peak| peak + kept.db <= mix.ceiling_dbtp)
            };
            (song, kept.filter(holds).unwrap_or_else(|| gain(takes)))
        })
        .collect()
}

/// The gain that the mixes of a song were delivered with, unless what they are made by has changed,
/// or one of them lacked a track that had failed: then it was never right.
fn delivered(job: &Job<'_>, song: &str) -> Option<Gain> {
    let sheet = &job.standing.sheet;
    if job.anew != Anew::Nothing || sheet.session_file_sha256 != job.session_file_sha256() {
        return None;
    }
    let mut of_song = sheet.mixes.iter().filter(|mix| mix.report.song == song);
    let lacks = |mix: &KeptMix| mix.report.omitted.iter().any(|o| o.why == Reason::Failed);
    if of_song.clone().any(lacks) {
        return None;
    }
    of_song
        .find(|mix| mix.report.path.is_some())
        .map(|mix| Gain {
            db: mix.report.gain_db,
            why: mix.gain_reason.clone(),
        })
}

fn write(work: &Work<'_>, outbox: &Outbox, file: &File<'_, '_>) -> Result<Mixed> {
    let sum = file.sum;
    let origin = Origin::new()
        .with("the stems in them", &sum.key(file.group))
        .with("their gain", &file.gain_db)
        .with("their format", &(file.depth.bits(), file.rate_hz));
    if let Some(found) = render::finished(work, outbox.root(), &file.path, &origin)? {
        work.advance(sum.samples());
        return Ok(found);
    }
    let start = sum.start.unwrap_or(0);
    let mut metadata = Metadata::default();
    if sum.start.is_some() {
        let start = resample::time_reference(start, sum.rate_hz, file.rate_hz);
        metadata.push(*b"bext", bext(&file.title, "batterhead", start));
    }
    let spec = WriteSpec {
        rate_hz: file.rate_hz,
        channels: 2,
        depth: file.depth,
        dither: match file.depth {
            Depth::Float32 => Dither::None,
            _ => Dither::Tpdf {
                seed: render::seed(&file.path),
            },
        },
        frames: resample::frames_out(sum.frames, start, sum.rate_hz, file.rate_hz),
    };
    let mut sink = Sink::create(outbox, &file.path, &spec, &metadata)?;
    let ratio = maths::db_to_ratio(file.gain_db);
    add_up_at(work, outbox.root(), file, |block| {
        let samples = block.channels_mut().flatten();
        samples.for_each(|sample| *sample *= ratio);
        sink.write(block)
    })?;
    let (published, after, picture) = sink.publish(work)?;
    let mixed = Mixed {
        after,
        loudest_s: picture.loudest_frame(spec.frames) as f64 / f64::from(file.rate_hz),
        sha256: published.sha256,
    };
    render::note(work, &file.path, origin, &mixed.sha256, &mixed)?;
    Ok(mixed)
}
