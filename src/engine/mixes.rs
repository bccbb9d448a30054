//! Rough mixes of finished stems, and stems of groups beside them.

use std::collections::BTreeMap;
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::finish::unmade;
use super::layout::Unit;
use super::render::{self, Rendered, Sink};
use super::store::{Key, Origin};
use super::{Job, Plan, Work};
use crate::audio::{self, AudioRead};
use crate::block::Block;
use crate::error::Result;
use crate::maths;
use crate::measure::{Levels, Meter};
use crate::mix::{self, MixLevels, Strip, no_louder_than, rough_gain};
use crate::publish::Outbox;
use crate::report::session::{FailedReport, MixFile, MixReport, Omitted};
use crate::resample::{self, Resampler};
use crate::session::config::Named;
use crate::units::round_to;
use crate::wav::{Depth, Dither, Metadata, WriteSpec, bext};

/// Where a derived stem stands in the mix: fader in dB, and the position of its two sides. Common
/// practice, no source.
const DERIVED: (f64, (f64, f64)) = (-14.0, (-60.0, 60.0));

/// One take's mix as it will be summed.
struct Sum<'a> {
    song: &'a str,
    take: &'a str,
    rate_hz: u32,
    /// Time reference of the mix: the earliest of its tracks.
    start: Option<u64>,
    frames: u64,
    strips: Vec<Part<'a>>,
    omitted: Vec<Omitted>,
}

/// One stem in a sum.
struct Part<'a> {
    strip: Strip,
    group: String,
    unit: &'a Unit<'a>,
    stem: &'a Rendered,
}

impl Sum<'_> {
    fn samples(&self) -> u64 {
        self.frames * 2
    }

    /// All that the sum of some of its parts depends on.
    fn key(&self, group: Option<&str>) -> Key {
        let parts: Vec<_> = self
            .parts(group)
            .map(|part| {
                (
                    &part.stem.output.sha256,
                    part.strip.gain,
                    &part.strip.pan,
                    part.strip.offset_frames,
                )
            })
            .collect();
        Key::of("sum", &(parts, self.frames, self.start))
    }

    /// The parts of one group, or all.
    fn parts<'s>(&'s self, group: Option<&'s str>) -> impl Iterator<Item = &'s Part<'s>> {
        self.strips
            .iter()
            .filter(move |part| group.is_none_or(|group| part.group == group))
    }
}

/// What is kept of a finished mix.
#[derive(Clone, Serialize, Deserialize)]
struct Mixed {
    after: Levels,
    sha256: String,
}

/// A gain and the reason for it.
struct Gain {
    db: f64,
    why: String,
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
) -> Result<Vec<MixReport>> {
    let sums = sums(work, job, plan, stems);
    let tried = work.each("sum", &sums, Sum::samples, |sum| {
        try_sum(work, outbox.root(), sum, None)
    })?;
    let gains = gains(job, &sums, &tried);
    let mut files = Vec::new();
    for (sum, tried) in sums.iter().zip(&tried) {
        let (song, take) = (sum.song, sum.take);
        if let Err(error) = tried {
            failed.push(unmade(&format!("mixes/{song}/{take}.wav"), error));
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
            format!("mixes/{song}/{take}.wav"),
            Depth::Int24,
            sum.rate_hz,
            "rough mix",
        ));
        if job.config.mix.listening_copy {
            let path = format!("mixes/{song}/{take}_listen.wav");
            files.push(file(path, Depth::Int16, LISTENING_HZ, "copy to listen to"));
        }
    }
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
    let report = |sum: &Sum<'_>| {
        let gain = &gains[sum.song];
        let mut report = MixReport {
            song: sum.song.to_owned(),
            take: sum.take.to_owned(),
            path: None,
            outputs: Vec::new(),
            gain_db: gain.db,
            gain_why: gain.why.clone(),
            after: None,
            tracks: sum
                .strips
                .iter()
                .map(|part| part.unit.name.clone())
                .collect(),
            omitted: sum.omitted.clone(),
        };
        for (file, mixed) in files.iter().zip(&mixed) {
            if !std::ptr::eq(file.sum, sum) {
                continue;
            }
            if let Ok(mixed) = mixed {
                report.outputs.push(MixFile {
                    path: file.path.clone(),
                    sha256: mixed.sha256.clone(),
                });
                if report.path.is_none() && file.group.is_none() {
                    report.path = Some(file.path.clone());
                    report.after = Some(mixed.after.clone());
                }
            }
        }
        report
    };
    Ok(sums.iter().map(report).collect())
}

/// Copies for the band: what every player plays.
const LISTENING_HZ: u32 = 44_100;

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
    let file = |(n, (sum, group)): (usize, &(&'s Sum<'a>, &'s str))| {
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
        let named = Named {
            song: sum.song,
            take: sum.take,
            label: group,
            side: None,
            group,
            rate_hz: sum.rate_hz,
        };
        let name = job
            .config
            .name(&named)
            .unwrap_or_else(|_| format!("{}-{group}-{n}", sum.take));
        File {
            sum,
            group: Some(*group),
            path: format!("stems/{}/{}/group_{name}.wav", sum.song, sum.take),
            gain_db: if depth == Depth::Float32 {
                0.0
            } else {
                (gain_db * 10.0).floor() / 10.0
            },
            depth,
            rate_hz: sum.rate_hz,
            title: format!("{} {}, {group}", sum.song, sum.take),
        }
    };
    Ok(parts.iter().enumerate().map(file).collect())
}

fn try_sum(work: &Work<'_>, root: &Path, sum: &Sum<'_>, group: Option<&str>) -> Result<Levels> {
    let key = sum.key(group);
    if let Some(found) = work.store.get::<Levels>(&key) {
        work.advance(sum.samples());
        return Ok(found);
    }
    let mut meter = Meter::new(sum.rate_hz, 2);
    add_up(work, root, sum, group, |block| {
        meter.push(block);
        Ok(())
    })?;
    let levels = meter.finish();
    work.store.put(&key, &levels)?;
    Ok(levels)
}

/// The sums of all takes that have anything to sum.
fn sums<'a>(
    work: &Work<'_>,
    job: &'a Job<'a>,
    plan: &Plan,
    stems: &'a [Option<Result<Rendered>>],
) -> Vec<Sum<'a>> {
    let mut takes: BTreeMap<(&str, &str), Vec<usize>> = BTreeMap::new();
    for (i, unit) in job.units.iter().enumerate() {
        if let (Some(song), Some(take)) = (unit.song, unit.take) {
            takes.entry((&song.slug, &take.slug)).or_default().push(i);
        }
    }
    takes
        .into_iter()
        .map(|((song, take), units)| {
            let mut omitted = Vec::new();
            let mut entering = Vec::new();
            for i in units {
                let unit = &job.units[i];
                match place(job, plan, unit, i, stems[i].as_ref()) {
                    Ok((stem, fader_db, pan)) => entering.push((unit, stem, fader_db, pan)),
                    Err(why) => omitted.push(Omitted { name: unit.name.clone(), why }),
                }
            }
            let rate_hz = common_rate(entering.iter().map(|e| e.1.output.sample_rate_hz));
            entering.retain(|(unit, stem, ..)| {
                let rate = stem.output.sample_rate_hz;
                if rate != rate_hz {
                    let why = format!("another sample rate ({rate} Hz instead of {rate_hz} Hz)");
                    omitted.push(Omitted { name: unit.name.clone(), why });
                }
                rate == rate_hz
            });
            let times: Vec<_> =
                entering.iter().map(|e| (e.1.output.time_reference_samples, e.1.output.frames)).collect();
            let placed = mix::place(&times);
            if placed.disbelieved {
                work.warn(&format!(
                    "{song}/{take}: the time references of its tracks lie too far apart; the mix starts them together"
                ));
            }
            let strips = entering
                .into_iter()
                .zip(placed.offsets)
                .map(|((unit, stem, fader_db, pan), offset_frames)| Part {
                    strip: Strip::new(fader_db, pan, stem.output.channels, offset_frames),
                    group: job.config.group_of(unit.track.mic).to_owned(),
                    unit,
                    stem,
                })
                .collect();
            Sum {
                song,
                take,
                rate_hz,
                start: placed.time_reference_samples,
                frames: placed.frames,
                strips,
                omitted,
            }
        })
        .collect()
}

type Place<'a> = (&'a Rendered, f64, (f64, f64));

/// Where a stem enters the mix, or why it does not.
fn place<'a>(
    job: &Job<'_>,
    plan: &Plan,
    unit: &Unit<'_>,
    i: usize,
    stem: Option<&'a Result<Rendered>>,
) -> std::result::Result<Place<'a>, String> {
    let entry = plan.entries[i].as_ref().map_err(|_| "failed")?;
    if entry.left_out.value {
        return Err(format!("left out: {}", entry.left_out.why));
    }
    if entry.muted.value {
        return Err(format!("muted: {}", entry.muted.why));
    }
    let stem = stem.and_then(|stem| stem.as_ref().ok()).ok_or("failed")?;
    if unit.derived.is_some() {
        let pan = if stem.output.channels == 2 {
            DERIVED.1
        } else {
            (0.0, 0.0)
        };
        return Ok((stem, DERIVED.0, pan));
    }
    if unit.track.mic.is_unknown() {
        return Err("what it is, is not known".to_owned());
    }
    let place = job.config.place_of(unit.track).ok_or("not part of a mix")?;
    if place.mute {
        return Err("muted by the session file".to_owned());
    }
    Ok((stem, place.fader_db, place.pan))
}

/// The rate of most tracks; of several, the highest.
fn common_rate(rates: impl Iterator<Item = u32>) -> u32 {
    let mut counts: BTreeMap<u32, usize> = BTreeMap::new();
    rates.for_each(|rate| *counts.entry(rate).or_default() += 1);
    counts
        .into_iter()
        .max_by_key(|&(rate, count)| (count, rate))
        .map_or(48_000, |c| c.0)
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
        let mut why = match found.wanted_db {
            Some(wanted) => format!(
                "{} dB to {} LUFS in the median take",
                round_to(wanted, 1),
                mix.target_lufs
            ),
            None => "no take has a loudness".to_owned(),
        };
        if let (Some(held), Some(wanted)) = (found.held_by, found.wanted_db) {
            why += &format!(
                "; {} dB less, since {} would pass {} dBTP",
                round_to(wanted - db, 1),
                takes[held].0,
                mix.ceiling_dbtp
            );
        }
        Gain { db, why }
    };
    songs
        .into_iter()
        .map(|(song, takes)| (song, gain(takes)))
        .collect()
}

/// Reads the stems of a sum block by block and hands on their sum.
fn add_up(
    work: &Work<'_>,
    root: &Path,
    sum: &Sum<'_>,
    group: Option<&str>,
    mut take: impl FnMut(&mut Block) -> Result<()>,
) -> Result<()> {
    let open = |part: &Part<'_>| audio::open(&root.join(&part.stem.output.path));
    let mut readers: Vec<(&Strip, Box<dyn AudioRead>)> = sum
        .parts(group)
        .map(|part| Ok((&part.strip, open(part)?)))
        .collect::<Result<_>>()?;
    let mut part = Block::default();
    let mut at = 0;
    while at < sum.frames {
        work.stop.check()?;
        let frames = (sum.frames - at).min(work.block_frames as u64) as usize;
        let mut block = Block::new(2, frames);
        for (strip, reader) in &mut readers {
            let needed = strip.needed(at, frames);
            if needed.start < needed.end {
                reader.read(&mut part, (needed.end - needed.start) as usize)?;
                strip.add(&part, needed.start, &mut block, at);
            }
        }
        take(&mut block)?;
        work.advance(frames as u64 * 2);
        at += frames as u64;
    }
    Ok(())
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
    let scaled = |block: &mut Block| {
        block
            .channels_mut()
            .flatten()
            .for_each(|sample| *sample *= ratio)
    };
    if file.rate_hz == sum.rate_hz {
        add_up(work, outbox.root(), sum, file.group, |block| {
            scaled(block);
            sink.write(block)
        })?;
    } else {
        let mut resampler = Resampler::new(sum.rate_hz, file.rate_hz, 2, start)?;
        let mut out = Block::default();
        add_up(work, outbox.root(), sum, file.group, |block| {
            scaled(block);
            resampler.process(block, &mut out);
            sink.write(&out)
        })?;
        resampler.finish(&mut out);
        sink.write(&out)?;
    }
    let published = sink.publish()?;
    let (after, _) = render::measure_file(work, &outbox.root().join(&published.path))?;
    let mixed = Mixed {
        after,
        sha256: published.sha256,
    };
    render::note(work, &file.path, origin, &mixed.sha256, &mixed)?;
    Ok(mixed)
}
