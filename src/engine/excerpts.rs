//! Five seconds of each track before and after, equally loud, for the page to switch between.
//!
//! A page opened from disk may not read a sound file into memory, but may load a script: the two
//! excerpts are 24-bit WAV in Base64, handed to one function of the page.

use std::io::Cursor;
use std::path::Path;

use super::Work;
use super::layout::Unit;
use super::measure::Measured;
use super::render::{self, Rendered};
use super::store::Origin;
use super::track::{TrackReader, mend};
use crate::audio;
use crate::block::Block;
use crate::error::Result;
use crate::maths;
use crate::measure::Meter;
use crate::publish::Outbox;
use crate::report::base64;
use crate::report::page::{Excerpt, FOLDER};
use crate::units::round_to;
use crate::wav::{Depth, Dither, Metadata, WriteSpec, Writer};

/// Length of an excerpt.
pub const SECONDS: u64 = 5;
/// So much comes before the loudest moment.
const LEAD_S: u64 = 1;
/// Both are brought to this loudness, or as near as their peaks allow.
const TARGET_LUFS: f64 = -20.0;
/// No peak of either passes this.
const CEILING_DBTP: f64 = -1.0;

/// Writes the excerpts of one stem, or finds them finished. `None` where there is nothing to
/// compare: silence, or a stem of another rate than its source.
pub fn excerpt(
    work: &Work<'_>,
    outbox: &Outbox,
    unit: &Unit<'_>,
    delay_samples: i64,
    measured: &Measured,
    stem: &Rendered,
) -> Result<Option<Excerpt>> {
    let rate_hz = unit.track.rate_hz();
    if unit.song.is_none() || stem.output.sample_rate_hz != rate_hz {
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
        .picture
        .loudest_frame(all)
        .saturating_sub(LEAD_S * u64::from(rate_hz))
        .clamp(first, last);
    let in_source = from.saturating_add_signed(-delay_samples);
    let mut source = TrackReader::open(work.root, unit.track)?;
    source.seek(in_source)?;
    let mut before = gather(frames as usize, |block, frames| source.read(block, frames))?;
    mend(&mut before);
    let mut file = audio::open(&outbox.root().join(&stem.output.path))?;
    file.seek(from)?;
    let after = gather(frames as usize, |block, frames| file.read(block, frames))?;
    let levels = [&before, &after].map(|block| {
        let mut meter = Meter::new(rate_hz, block.count());
        meter.push(block);
        let levels = meter.finish();
        levels.integrated_lufs.zip(levels.true_peak_dbtp)
    });
    let [Some(of_before), Some(of_after)] = levels else {
        return Ok(None);
    };
    let highest = |(lufs, dbtp): (f64, f64)| lufs + CEILING_DBTP - dbtp;
    let target = TARGET_LUFS.min(highest(of_before)).min(highest(of_after));
    let mut excerpt = Excerpt {
        path: path.clone(),
        sha256: String::new(),
        before_db: round_to(target - of_before.0, 2),
        after_db: round_to(target - of_after.0, 2),
    };
    let sound = |mut block: Block, gain_db: f64| -> Result<String> {
        let ratio = maths::db_to_ratio(gain_db);
        block
            .channels_mut()
            .flatten()
            .for_each(|sample| *sample *= ratio);
        let spec = WriteSpec {
            rate_hz,
            channels: block.count(),
            depth: Depth::Int24,
            dither: Dither::None,
            frames,
        };
        let mut writer = Writer::create(Cursor::new(Vec::new()), &spec, &Metadata::default())?;
        writer.write(&block)?;
        Ok(base64(writer.finish()?.0.get_ref()))
    };
    let script = format!(
        "batterheadExcerpt({{\"path\":{},\"rate\":{rate_hz},\"before\":\"{}\",\"after\":\"{}\"}});\n",
        serde_json::Value::from(&*path),
        sound(before, excerpt.before_db)?,
        sound(after, excerpt.after_db)?
    );
    excerpt.sha256 = outbox.write(Path::new(&path), script.as_bytes())?.sha256;
    render::note(work, &path, origin, &excerpt.sha256, &excerpt)?;
    Ok(Some(excerpt))
}

/// Where the excerpts of a stem lie.
pub fn path(unit: &Unit<'_>) -> String {
    format!("{FOLDER}/excerpts/{}.js", unit.key)
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
