//! Rough mixes of finished stems, and stems of groups beside them.

use std::collections::BTreeMap;
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::layout::Unit;
use super::render::{self, Rendered};
use super::store::Key;
use super::{Job, Plan, Work};
use crate::audio::{self, AudioRead};
use crate::block::Block;
use crate::error::{Error, Result};
use crate::maths;
use crate::measure::{Levels, Meter};
use crate::mix::{Gain, Loudness, Strip, song_gain};
use crate::publish::Outbox;
use crate::report::session::{MixFile, MixReport, Omitted};
use crate::wav::{Depth, Dither, Metadata, WriteSpec, Writer, bext};

/// Where a derived stem stands in the mix: fader in dB, and the position of its two sides. Common
/// practice, no source.
const DERIVED: (f64, (f64, f64)) = (-14.0, (-60.0, 60.0));

/// One take's mix as it will be summed.
struct Sum<'a> {
    song: &'a str,
    take: &'a str,
    path: String,
    rate_hz: u32,
    /// Of the mix: the earliest of its tracks.
    start: Option<u64>,
    frames: u64,
    strips: Vec<(Strip, &'a Unit<'a>, &'a Rendered)>,
    omitted: Vec<Omitted>,
}

impl Sum<'_> {
    fn samples(&self) -> u64 {
        self.frames * 2
    }

    /// All that the sum depends on.
    fn key(&self) -> Key {
        let parts: Vec<_> = self
            .strips
            .iter()
            .map(|(strip, _, stem)| (&stem.output.sha256, &strip.gains, strip.offset))
            .collect();
        Key::of("sum", &(parts, self.frames, self.start))
    }
}

/// What is kept of a finished mix.
#[derive(Clone, Serialize, Deserialize)]
struct Mixed {
    after: Levels,
    sha256: String,
}

/// Mixes every take; one gain a song.
pub fn mix(
    work: &Work<'_>,
    job: &Job<'_>,
    plan: &Plan,
    stems: &[Option<Result<Rendered>>],
    outbox: &Outbox,
) -> Result<Vec<MixReport>> {
    let sums = sums(job, plan, stems);
    let tried = work.each("sum", &sums, Sum::samples, |sum| {
        let key = sum.key();
        if let Some(found) = work.store.get::<Levels>(&key) {
            work.advance(sum.samples());
            return Ok(found);
        }
        let mut meter = Meter::new(sum.rate_hz, 2);
        add_up(work, outbox.root(), sum, |block| {
            meter.push(block);
            Ok(())
        })?;
        let levels = meter.finish();
        work.store.put(&key, &levels)?;
        Ok(levels)
    })?;
    let gains = gains(job, &sums, &tried);
    let mixed = work.each("mix", &sums, Sum::samples, |sum| {
        write(work, outbox, sum, &gains[sum.song])
    })?;
    let reports = sums.into_iter().zip(mixed).map(|(sum, mixed)| {
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
                .map(|(_, unit, _)| unit.name.clone())
                .collect(),
            omitted: sum.omitted,
        };
        match mixed {
            Ok(mixed) => {
                report.path = Some(sum.path.clone());
                report.outputs.push(MixFile {
                    path: sum.path,
                    sha256: mixed.sha256,
                });
                report.after = Some(mixed.after);
            }
            Err(error) => report.gain_why = error.to_string(),
        }
        report
    });
    Ok(reports.collect())
}

/// The sums of all takes that have anything to sum.
fn sums<'a>(job: &'a Job<'a>, plan: &Plan, stems: &'a [Option<Result<Rendered>>]) -> Vec<Sum<'a>> {
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
                    Err(why) => omitted.push(Omitted {
                        name: unit.name.clone(),
                        why,
                    }),
                }
            }
            let rate_hz = common_rate(entering.iter().map(|e| e.1.output.sample_rate_hz));
            entering.retain(|(unit, stem, ..)| {
                let rate = stem.output.sample_rate_hz;
                if rate != rate_hz {
                    let why = format!("another sample rate ({rate} Hz instead of {rate_hz} Hz)");
                    omitted.push(Omitted {
                        name: unit.name.clone(),
                        why,
                    });
                }
                rate == rate_hz
            });
            let start_of = |stem: &Rendered| stem.output.time_reference_samples;
            // Tracks without a time reference begin with the earliest of the others.
            let start = entering.iter().filter_map(|e| start_of(e.1)).min();
            let offset = |stem: &Rendered| {
                start_of(stem)
                    .zip(start)
                    .map_or(0, |(own, first)| own - first)
            };
            let frames = entering
                .iter()
                .map(|e| offset(e.1) + e.1.output.frames)
                .max()
                .unwrap_or(0);
            let strips = entering
                .into_iter()
                .map(|(unit, stem, fader_db, pan)| {
                    (
                        Strip::new(fader_db, pan, stem.output.channels, offset(stem)),
                        unit,
                        stem,
                    )
                })
                .collect();
            Sum {
                song,
                take,
                path: format!("mixes/{song}/{take}.wav"),
                rate_hz,
                start,
                frames,
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
    let entry = plan.entries[i].as_ref().ok_or("failed")?;
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
    let mut songs: BTreeMap<&str, Vec<Loudness>> = BTreeMap::new();
    for (sum, levels) in sums.iter().zip(tried) {
        let takes = songs.entry(sum.song).or_default();
        if let Ok(levels) = levels {
            takes.push(Loudness {
                integrated_lufs: levels.integrated_lufs,
                true_peak_dbtp: levels.true_peak_dbtp,
                frames: sum.frames,
            });
        }
    }
    let mix = &job.config.mix;
    songs
        .into_iter()
        .map(|(song, takes)| (song, song_gain(&takes, mix.target_lufs, mix.ceiling_dbtp)))
        .collect()
}

/// Reads all stems of a sum block by block and hands on their sum.
fn add_up(
    work: &Work<'_>,
    root: &Path,
    sum: &Sum<'_>,
    mut take: impl FnMut(&mut Block) -> Result<()>,
) -> Result<()> {
    let open =
        |(_, _, stem): &(Strip, &Unit<'_>, &Rendered)| audio::open(&root.join(&stem.output.path));
    let mut readers: Vec<Box<dyn AudioRead>> =
        sum.strips.iter().map(open).collect::<Result<_>>()?;
    let mut part = Block::default();
    let mut at = 0;
    while at < sum.frames {
        work.stop.check()?;
        let frames = (sum.frames - at).min(work.block_frames as u64) as usize;
        let mut block = Block::new(2, frames);
        for ((strip, _, _), reader) in sum.strips.iter().zip(&mut readers) {
            // A track that begins later has nothing to read until then.
            let wait = strip.offset.saturating_sub(at).min(frames as u64) as usize;
            if wait < frames {
                reader.read(&mut part, frames - wait)?;
                strip.add(&part, wait, &mut block);
            }
        }
        take(&mut block)?;
        work.advance(frames as u64 * 2);
        at += frames as u64;
    }
    Ok(())
}

fn write(work: &Work<'_>, outbox: &Outbox, sum: &Sum<'_>, gain: &Gain) -> Result<Mixed> {
    if sum.strips.is_empty() {
        return Err(Error::new(crate::error::Kind::File, "no track for a mix"));
    }
    let key = Key::of("mix", &(sum.key(), gain.db));
    if let Some(found) = render::finished(work, outbox.root(), &sum.path, &key)? {
        work.advance(sum.samples());
        return Ok(found);
    }
    let mut metadata = Metadata::default();
    if let Some(start) = sum.start {
        metadata.push(
            *b"bext",
            bext(
                &format!("{} {}, rough mix", sum.song, sum.take),
                "batterhead",
                start,
            ),
        );
    }
    let spec = WriteSpec {
        rate_hz: sum.rate_hz,
        channels: 2,
        depth: Depth::Int24,
        dither: Dither::Tpdf {
            seed: render::seed(&sum.path),
        },
        frames: sum.frames,
    };
    let draft = outbox.create(Path::new(&sum.path))?;
    let mut writer = Writer::create(draft, &spec, &metadata)?;
    let ratio = maths::db_to_ratio(gain.db);
    add_up(work, outbox.root(), sum, |block| {
        block
            .channels_mut()
            .flatten()
            .for_each(|sample| *sample *= ratio);
        writer.write(block)
    })?;
    let (draft, _) = writer.finish()?;
    let published = draft.publish()?;
    let after = render::measure_file(work, &outbox.root().join(&published.path))?;
    let mixed = Mixed {
        after,
        sha256: published.sha256,
    };
    render::note(work, &sum.path, key, &mixed.sha256, &mixed)?;
    Ok(mixed)
}
