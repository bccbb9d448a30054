//! Strokes as markers in the stem of a drum's leading mic.

use super::{Job, Plan, Work, take};
use crate::error::Result;
use crate::output::layout::Unit;

/// The strokes of the drum whose leading mic a unit is, in seconds after the start of its track; none
/// unless they are asked for.
pub fn of(work: &Work<'_>, job: &Job<'_>, plan: &Plan, unit: &Unit<'_>) -> Result<Vec<f64>> {
    let asked = &job.config.hits;
    let (Some(song), Some(its_take), None) = (unit.song, unit.take, &unit.derived) else {
        return Ok(Vec::new());
    };
    let played = (plan.takes.iter())
        .find(|played| (&*played.song, &*played.take) == (&*song.slug, &*its_take.slug));
    let Some(played) = played.filter(|_| asked.cues) else {
        return Ok(Vec::new());
    };
    let Some(drum) = played.mics.iter().position(|mic| *mic == unit.track.label) else {
        return Ok(Vec::new());
    };
    let strokes = played.strokes(work)?;
    let start_s = take::start_s(its_take, unit.track);
    let own = strokes
        .list
        .iter()
        .filter(|stroke| usize::from(stroke.drum) == drum && stroke.probability >= asked.threshold);
    let at_s = |frame: u64| frame as f64 / f64::from(strokes.rate_hz.max(1)) - start_s;
    Ok(own.map(|stroke| at_s(stroke.frame)).collect())
}
