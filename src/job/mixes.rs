//! Rough mixes of finished stems, and stems of groups beside them.

use std::collections::BTreeMap;
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::finish::unmade;
use super::render::{self, Rendered, Sink};
use super::{Job, Plan, Work};
use crate::block::Block;
use crate::cache::store::{Key, Origin};
use crate::dsp::maths;
use crate::dsp::resample::{self, Resampler};
use crate::error::Result;
use crate::measure::{Levels, Meter};
use crate::mix::{FADE_IN_S, FADE_OUT_S, Fades, no_louder_than};
use crate::output::mixes::{dry_path, group_path, listening_path, path};
use crate::output::publish::Outbox;
use crate::report::TOOL;
use crate::report::session::{FailedReport, MixFile, MixLevel, MixReport};
use crate::units::round_to;
use crate::wav::{Change, Depth, Dither, Loudness, Metadata, WriteSpec, history_line};

mod balance;
mod dry;
mod sums;

use balance::{dry_gain_db, gains, set_faders};
use sums::{Sum, Which, add_up, sums, try_sum};

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

/// A file to be mixed: a whole take or one group of it.
struct File<'s, 'a> {
    sum: &'s Sum<'a>,
    group: Option<&'s str>,
    /// Of the sources instead of the stems.
    dry: bool,
    path: String,
    gain_db: f64,
    depth: Depth,
    rate_hz: u32,
    title: String,
}

impl<'s> File<'s, '_> {
    fn parts(&self) -> Which<'s> {
        self.group.map_or(Which::All, Which::Group)
    }
}

/// Mixes every take, one gain a song and one loudness for all songs; and stems of groups, copies to listen to, where asked for.
pub fn mix(
    work: &Work<'_>,
    job: &Job<'_>,
    plan: &Plan,
    stems: &[Option<Result<Rendered>>],
    outbox: &Outbox,
    failed: &mut Vec<FailedReport>,
) -> Result<Vec<Mix>> {
    let mut sums = sums(work, job, plan, stems);
    set_faders(work, job, outbox.root(), &mut sums)?;
    let tried = work.each("sum", &sums, Sum::samples, |sum| {
        try_sum(work, outbox.root(), sum, Which::All)
    })?;
    let gains = gains(work, job, &sums, &tried);
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
            dry: false,
            path,
            gain_db: gains[song].db,
            depth,
            rate_hz,
            title: format!("{song} {take}, {what}"),
        };
        files.push(file(
            path(song, take),
            sum.depth(job.config.output.bits, Which::All),
            sum.rate_hz,
            "rough mix",
        ));
        if job.config.mix.listening_copy {
            let path = listening_path(song, take);
            files.push(file(path, Depth::Int16, LISTENING_HZ, "copy to listen to"));
        }
    }
    hold_copies(work, outbox.root(), job.config.mix.ceiling_dbtp, &mut files)?;
    files.extend(dry_files(work, job, plan, &sums, &gains)?);
    files.extend(groups(work, job, outbox.root(), &sums)?);
    let mixed = work.each(
        "mix",
        &files,
        |file| file.sum.samples(),
        |file| write(work, plan, outbox, file),
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
                levels: sum.strips.iter().map(|part| level(plan, part)).collect(),
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
                    dry: file.dry,
                    gain_db: file.gain_db,
                });
                if mix.report.path.is_none() && file.group.is_none() && !file.dry {
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

fn level(plan: &Plan, part: &sums::Part<'_>) -> MixLevel {
    let pans = [part.place.pan.0, part.place.pan.1];
    MixLevel {
        label: part.unit.label().to_owned(),
        fader_db: round_to(part.place.fader_db, 2),
        pans: pans.into_iter().take(part.stem.output.channels).collect(),
        pan_why: plan.heard[part.unit.track_index]
            .pan
            .as_ref()
            .filter(|pan| pan.value.abs() == part.place.pan.0.abs() && part.unit.derived.is_none())
            .and_then(|pan| Some(crate::wording::reason(pan.why.as_ref()?))),
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
            let key = Key::of("copy", &(file.sum.key(Which::All), file.rate_hz));
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

/// The same balance without processing, beside each mix, where that is asked for; as loud as it, as far as
/// the ceiling allows.
fn dry_files<'s, 'a>(
    work: &Work<'_>,
    job: &Job<'_>,
    plan: &Plan,
    sums: &'s [Sum<'a>],
    gains: &BTreeMap<&str, balance::Gain>,
) -> Result<Vec<File<'s, 'a>>> {
    let wanted = |sum: &&Sum<'_>| job.config.mix.dry && !sum.strips.is_empty();
    let sums: Vec<&'s Sum<'a>> = sums.iter().filter(wanted).collect();
    let tried = work.each(
        "sum",
        &sums,
        |sum| sum.samples(),
        |sum| dry::try_sum(work, plan, sum),
    )?;
    let gain_db = |song: &str| {
        let of_song = sums.iter().zip(&tried).filter(|(sum, _)| sum.song == song);
        let levels: Vec<&Levels> = of_song
            .filter_map(|(_, tried)| tried.as_ref().ok())
            .collect();
        dry_gain_db(job, gains.get(song), &levels)
    };
    let file = |(sum, _): (&&'s Sum<'a>, &Result<Levels>)| File {
        sum,
        group: None,
        dry: true,
        path: dry_path(sum.song, sum.take),
        gain_db: gain_db(sum.song),
        depth: Depth::Int24,
        rate_hz: sum.rate_hz,
        title: format!("{} {}, without processing", sum.song, sum.take),
    };
    let made = sums.iter().zip(&tried).filter(|(_, tried)| tried.is_ok());
    Ok(made.map(file).collect())
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
        return add_up(work, root, sum, file.parts(), take);
    }
    let mut resampler = Resampler::new(sum.rate_hz, file.rate_hz, 2, sum.start.unwrap_or(0))?;
    let mut out = Block::default();
    add_up(work, root, sum, file.parts(), |block| {
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
        |(sum, group)| try_sum(work, root, sum, Which::Group(group)),
    )?;
    let file = |(sum, group): &(&'s Sum<'a>, &'s str)| {
        let depth = sum.depth(job.config.output.bits, Which::Group(group));
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
            dry: false,
            path: path?,
            gain_db: (gain_db * 10.0).floor() / 10.0,
            depth,
            rate_hz: sum.rate_hz,
            title: format!("{} {}, {group}", sum.song, sum.take),
        })
    };
    parts.iter().map(file).collect()
}

fn write(work: &Work<'_>, plan: &Plan, outbox: &Outbox, file: &File<'_, '_>) -> Result<Mixed> {
    let sum = file.sum;
    let origin = Origin::new()
        .with("the stems in them", &sum.key(file.parts()))
        .with("their balance", &file.dry)
        .with("their gain", &file.gain_db)
        .with(
            "their fades",
            &file.group.is_none().then_some((FADE_IN_S, FADE_OUT_S)),
        )
        .with("their format", &(file.depth.bits(), file.rate_hz))
        .with("their name", &file.title);
    if let Some(found) = render::finished(work, outbox.root(), &file.path, &origin)? {
        work.advance(sum.samples());
        return Ok(found);
    }
    let start = sum.start.unwrap_or(0);
    let mut metadata = Metadata::default();
    metadata.require_bext(&file.title, render::ORIGINATOR);
    let done = format!(
        "{}; sum of {} stems; gain {:+.2} dB",
        TOOL,
        sum.count(file.parts()),
        file.gain_db
    );
    let (mut metadata, _) = metadata.updated(&Change {
        history: &history_line(file.rate_hz, file.depth.bits(), 2, &done),
        loudness: Loudness::default(),
        rates_hz: (file.rate_hz, file.rate_hz),
        channels_changed: false,
    });
    metadata.set_time_reference(resample::time_reference(start, sum.rate_hz, file.rate_hz));
    metadata.even_bext();
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
    // A stem begins and ends as it does; a mix is listened to.
    let fades = file
        .group
        .is_none()
        .then(|| Fades::new(file.rate_hz, spec.frames));
    let mut at = 0;
    let mut sound = |block: &mut Block| {
        let samples = block.channels_mut().flatten();
        samples.for_each(|sample| *sample *= ratio);
        if let Some(fades) = &fades {
            fades.apply(block, at);
        }
        at += block.frames() as u64;
        sink.write(block)
    };
    match file.dry {
        true => dry::add_up(work, plan, file.sum, sound)?,
        false => add_up_at(work, outbox.root(), file, &mut sound)?,
    }
    let (published, after, waveform) = sink.publish(work)?;
    let mixed = Mixed {
        after,
        loudest_s: waveform.loudest_frame(spec.frames) as f64 / f64::from(file.rate_hz),
        sha256: published.sha256,
    };
    render::note(work, &file.path, origin, &mixed.sha256, &mixed)?;
    Ok(mixed)
}
