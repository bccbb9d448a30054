//! A few seconds of sound for the page to switch between, equally loud: of a stem before and after,
//! and of the rough mixes of a song, take against take.
//!
//! A page opened from disk may not read a sound file into memory, but may load a script: excerpts
//! are 16-bit WAV in Base64, handed to one function of the page.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Cursor;
use std::path::Path;

use super::finish::unmade;
use super::measure::Measured;
use super::mixes::Mix;
use super::render::{self, Rendered};
use super::track::{TrackReader, mend};
use super::{Job, Plan, Work};
use crate::audio;
use crate::block::Block;
use crate::cache::store::Origin;
use crate::error::Result;
use crate::output::layout::Unit;
use crate::output::publish::Outbox;
use crate::report::base64;
use crate::report::page::{Excerpt, FOLDER};
use crate::report::session::FailedReport;
use crate::session::config::Excerpts;
use crate::units::round_to;
use crate::wav::{Depth, Dither, Metadata, WriteSpec, Writer};
use levels::{Sounding, equally_loud, scaled};

mod levels;

/// Length of an excerpt.
const SECONDS: u64 = 4;
/// So much comes before the loudest moment.
const LEAD_S: f64 = 1.0;

/// What one sound of an excerpt takes on disk, in bytes.
pub fn bytes(rate_hz: u32, frames: u64, channels: u64) -> u64 {
    (SECONDS * u64::from(rate_hz)).min(frames) * channels * 2 * 4 / 3
}

/// The units whose stems have an excerpt, by index: as many as the session file asks for.
pub fn wanted(job: &Job<'_>, plan: &Plan) -> BTreeSet<usize> {
    let mut seen = BTreeSet::new();
    let is_wanted = |&i: &usize| {
        let unit = &job.units[i];
        let Some(song) = unit.song else { return false };
        // The mic of a song is processed alike in all its takes: one that plays it shows how.
        let plays = (plan.entries[i].as_ref())
            .map_or(true, |entry| !entry.muted.value && !entry.left_out.value);
        match job.config.excerpts {
            Excerpts::Song => plays && seen.insert((&song.slug, unit.label())),
            Excerpts::Take => true,
            Excerpts::Never => false,
        }
    };
    (0..job.units.len()).filter(is_wanted).collect()
}

/// Excerpts of the stems of the units `shown`, by unit; one that cannot be made is missing, and reported
/// in `failed`.
pub fn of_stems(
    work: &Work<'_>,
    job: &Job<'_>,
    plan: &Plan,
    shown: &BTreeSet<usize>,
    stems: &[Option<Result<Rendered>>],
    outbox: &Outbox,
    failed: &mut Vec<FailedReport>,
) -> Result<Vec<Option<Excerpt>>> {
    let mut there = Vec::new();
    for &i in shown {
        let unit = &job.units[i];
        if let (Some(Ok(stem)), Ok(entry), Ok(measured)) = (
            &stems[i],
            &plan.entries[i],
            &plan.measured[unit.track_index],
        ) {
            let lead = i64::try_from(stem.output.lead_frames).unwrap_or(0);
            there.push((i, unit, entry.delay_samples.value + lead, measured, stem));
        }
    }
    let made = work.each(
        "excerpt",
        &there,
        |_| 0,
        |(_, unit, delay, measured, stem)| of_stem(work, outbox, unit, *delay, measured, stem),
    )?;
    let mut excerpts = vec![None; job.units.len()];
    for ((i, unit, ..), made) in there.iter().zip(made) {
        if let Err(error) = &made {
            failed.push(unmade(&path(unit), error));
        }
        excerpts[*i] = made.ok().flatten();
    }
    Ok(excerpts)
}

/// Writes the excerpts of one stem, or finds them finished. `None` where there is nothing to
/// compare: silence, or a stem of another rate than its source.
fn of_stem(
    work: &Work<'_>,
    outbox: &Outbox,
    unit: &Unit<'_>,
    delay_samples: i64,
    measured: &Measured,
    stem: &Rendered,
) -> Result<Option<Excerpt>> {
    let rate_hz = unit.track.rate_hz();
    if stem.output.sample_rate_hz != rate_hz {
        return Ok(None);
    }
    let path = path(unit);
    let origin = Origin::new()
        .with("their source", &measured.key)
        .with("their stem", &stem.output.sha256)
        .with("their delay", &delay_samples);
    if let Some(found) = render::finished(work, outbox.root(), &path, &origin)? {
        return Ok(Some(found));
    }
    // A stem that was moved is compared with the same moment of its source: both must lie within.
    let all = unit.track.frames();
    let moved = delay_samples.unsigned_abs();
    let frames = (SECONDS * u64::from(rate_hz)).min(all.saturating_sub(moved));
    if frames == 0 {
        return Ok(None);
    }
    let (first, last) = match delay_samples {
        0.. => (moved, all - frames),
        _ => (0, (all - frames).saturating_sub(moved)),
    };
    let from = measured
        .waveform
        .loudest_frame(all)
        .saturating_sub((LEAD_S * f64::from(rate_hz)) as u64)
        .clamp(first, last);
    let in_source = from.saturating_add_signed(-delay_samples);
    let mut source = TrackReader::open(work.root, unit.track)?;
    source.seek(in_source)?;
    let mut before = gather(frames as usize, |block, frames| source.read(block, frames))?;
    mend(&mut before);
    let after = piece(&outbox.root().join(&stem.output.path), from, frames)?;
    let sounds = [before, after];
    let sounding = sounds.each_ref().map(|sound| Sounding::of(sound, rate_hz));
    let gains_db: Option<Vec<f64>> = equally_loud(&sounding).into_iter().collect();
    let Some(gains_db) = gains_db else {
        return Ok(None);
    };
    let from_s = from as f64 / f64::from(rate_hz);
    let excerpt = write(outbox, path, rate_hz, from_s, &sounds, gains_db)?;
    render::note(work, &excerpt.path, origin, &excerpt.sha256, &excerpt)?;
    Ok(Some(excerpt))
}

/// Gives every mix of a song of several takes its excerpt. They begin equally long after the first
/// stroke of kick or snare: in takes to a click, at the same place of the song.
pub fn of_mixes(
    work: &Work<'_>,
    job: &Job<'_>,
    mixes: &mut [Mix],
    outbox: &Outbox,
    failed: &mut Vec<FailedReport>,
) -> Result<()> {
    if job.config.excerpts == Excerpts::Never {
        return Ok(());
    }
    let mut songs: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (i, mix) in mixes.iter().enumerate() {
        if mix.report.path.is_some() {
            songs.entry(&mix.report.song).or_default().push(i);
        }
    }
    let songs: Vec<Vec<usize>> = songs
        .into_values()
        .filter(|takes| takes.len() > 1)
        .collect();
    let made = work.each(
        "excerpt",
        &songs,
        |_| 0,
        |takes| {
            let takes: Vec<&Mix> = takes.iter().map(|&i| &mixes[i]).collect();
            of_song(work, outbox, &takes)
        },
    )?;
    for (takes, made) in songs.iter().zip(made) {
        if let (Err(error), Some(&first)) = (&made, takes.first()) {
            let first = &mixes[first].report;
            failed.push(unmade(&mix_path(&first.song, &first.take), error));
        }
        for (&i, excerpt) in takes.iter().zip(made.unwrap_or_default()) {
            mixes[i].report.excerpt = excerpt;
        }
    }
    Ok(())
}

/// One a take; `None` for a take that is silent there.
fn of_song(work: &Work<'_>, outbox: &Outbox, takes: &[&Mix]) -> Result<Vec<Option<Excerpt>>> {
    let after_first_s = takes.first().map_or(0.0, |take| {
        take.loudest_s - LEAD_S - take.first_hit_s.unwrap_or(0.0)
    });
    struct Piece<'m> {
        mix: &'m str,
        script: String,
        rate_hz: u32,
        from: u64,
        frames: u64,
    }
    let mut sounding = Vec::new();
    let mut pieces = Vec::new();
    for take in takes {
        let mix = take.report.path.as_deref().unwrap_or_default();
        let info = audio::open(&outbox.root().join(mix))?.info().clone();
        let frames = (SECONDS * u64::from(info.rate_hz)).min(info.frames);
        let from_s = (take.first_hit_s.unwrap_or(0.0) + after_first_s).max(0.0);
        let from = ((from_s * f64::from(info.rate_hz)) as u64).min(info.frames - frames);
        // One piece is held at a time.
        let sound = piece(&outbox.root().join(mix), from, frames)?;
        sounding.push(Sounding::of(&sound, info.rate_hz));
        pieces.push(Piece {
            mix,
            script: mix_path(&take.report.song, &take.report.take),
            rate_hz: info.rate_hz,
            from,
            frames,
        });
    }
    let mut excerpts = Vec::new();
    let gained = pieces.into_iter().zip(equally_loud(&sounding));
    for (take, (at, gain_db)) in takes.iter().zip(gained) {
        let Some(gain_db) = gain_db else {
            excerpts.push(None);
            continue;
        };
        let sha256 = take.report.outputs.first().map(|output| &output.sha256);
        let origin = Origin::new()
            .with("their mix", &sha256)
            .with("their place", &at.from)
            .with("their gain", &gain_db);
        if let Some(found) = render::finished(work, outbox.root(), &at.script, &origin)? {
            excerpts.push(Some(found));
            continue;
        }
        let sound = piece(&outbox.root().join(at.mix), at.from, at.frames)?;
        let from_s = at.from as f64 / f64::from(at.rate_hz);
        let excerpt = write(
            outbox,
            at.script,
            at.rate_hz,
            from_s,
            &[sound],
            vec![gain_db],
        )?;
        render::note(work, &excerpt.path, origin, &excerpt.sha256, &excerpt)?;
        excerpts.push(Some(excerpt));
    }
    Ok(excerpts)
}

/// One script with all sounds of an excerpt.
fn write(
    outbox: &Outbox,
    path: String,
    rate_hz: u32,
    from_s: f64,
    sounds: &[Block],
    gains_db: Vec<f64>,
) -> Result<Excerpt> {
    let mut texts = Vec::new();
    for (sound, gain_db) in sounds.iter().zip(&gains_db) {
        let block = scaled(sound, *gain_db);
        let spec = WriteSpec {
            rate_hz,
            channels: block.count(),
            depth: Depth::Int16,
            // All that are compared have the same noise.
            dither: Dither::Tpdf { seed: 1 },
            frames: block.frames() as u64,
        };
        let mut writer = Writer::create(Cursor::new(Vec::new()), &spec, &Metadata::default())?;
        writer.write(&block)?;
        texts.push(format!("\"{}\"", base64(writer.finish()?.0.get_ref())));
    }
    let script = format!(
        "batterheadExcerpt({{\"path\":{},\"rate\":{rate_hz},\"sounds\":[{}]}});\n",
        serde_json::Value::from(&*path),
        texts.join(",")
    );
    let sha256 = outbox.write(Path::new(&path), script.as_bytes())?.sha256;
    Ok(Excerpt {
        path,
        sha256,
        from_s: round_to(from_s, 2),
        gains_db,
    })
}

/// `frames` frames of a file from `from` on.
fn piece(path: &Path, from: u64, frames: u64) -> Result<Block> {
    let mut file = audio::open(path)?;
    file.seek(from)?;
    gather(frames as usize, |block, frames| file.read(block, frames))
}

/// Inside the folder of the page.
const EXCERPTS: &str = "excerpts";

/// Where the excerpts of a stem lie.
pub fn path(unit: &Unit<'_>) -> String {
    format!("{FOLDER}/{EXCERPTS}/{}.js", unit.key)
}

/// Where the excerpt of the mix of a take lies.
pub fn mix_path(song: &str, take: &str) -> String {
    format!("{FOLDER}/{EXCERPTS}/{song}/{take}.js")
}

/// The next `frames` frames in one block.
fn gather(
    frames: usize,
    mut read: impl FnMut(&mut Block, usize) -> Result<usize>,
) -> Result<Block> {
    let mut whole = Block::default();
    let mut part = Block::default();
    while whole.frames() < frames {
        if read(
            &mut part,
            (frames - whole.frames()).min(crate::block::FRAMES),
        )? == 0
        {
            break;
        }
        let channels = whole.vectors_mut();
        channels.resize_with(part.count(), Vec::new);
        for (all, new) in channels.iter_mut().zip(part.channels()) {
            all.extend_from_slice(new);
        }
    }
    Ok(whole)
}
