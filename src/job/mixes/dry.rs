//! The balance of a rough mix without its processing: the sources of its stems, with their gains, polarity
//! and delay, faders and pans.

use super::sums::{Sum, Which, add, measured};
use crate::block::Block;
use crate::cache::store::Key;
use crate::dsp::maths;
use crate::error::Result;
use crate::job::track::{TrackReader, mend};
use crate::job::{Plan, Work};
use crate::measure::Levels;
use crate::mix::Strip;

/// Hands on the sum of the sources block by block. What is derived by processing is not in it, nor what
/// has another rate than the mix.
pub(super) fn add_up(
    work: &Work<'_>,
    plan: &Plan,
    sum: &Sum<'_>,
    take: impl FnMut(&mut Block) -> Result<()>,
) -> Result<()> {
    let mut sources = Vec::new();
    for part in sum.strips.iter().filter(|part| part.unit.derived.is_none()) {
        let track = part.unit.track;
        if track.rate_hz() == sum.rate_hz
            && let Ok(entry) = &plan.entries[part.index]
        {
            let sign = if entry.polarity_inverted.value {
                -1.0
            } else {
                1.0
            };
            let gain = sign * maths::db_to_ratio(entry.gain_db.value);
            let delay = entry.delay_samples.value;
            let at = part.strip.offset_frames.saturating_add_signed(delay);
            // What is moved to before the start is not heard in the stem either.
            let lost = delay
                .min(0)
                .unsigned_abs()
                .saturating_sub(part.strip.offset_frames);
            let mut reader = TrackReader::open(work.root, track)?;
            reader.seek(lost)?;
            let strip = Strip {
                gain: part.strip.gain * gain,
                offset_frames: at,
                ..part.strip.clone()
            };
            sources.push((strip, reader));
        }
    }
    let read = |source: &mut TrackReader, part: &mut Block, frames: usize| {
        source.read(part, frames)?;
        mend(part);
        Ok(())
    };
    add(work, sum, sources, read, take)
}

/// Figures of that sum.
pub(super) fn try_sum(work: &Work<'_>, plan: &Plan, sum: &Sum<'_>) -> Result<Levels> {
    let key = Key::of("dry", &sum.key(Which::All));
    measured(work, sum, &key, |take| add_up(work, plan, sum, take))
}
