//! Loud and soft passages: how hard the drums are struck, each beside its own median.

use serde::{Deserialize, Serialize};

use super::Stroke;
use super::robust::{Estimate, location};
use crate::dsp::median;

/// A passage, and from one to the next.
const PASSAGE_S: f64 = 8.0;
const STEP_S: f64 = 2.0;
/// Strokes that a passage needs.
const FEWEST: usize = 12;
/// They have to differ by so much, and by so many standard errors.
const LEAST_DB: f64 = 1.0;
const ERRORS: f64 = 3.0;

/// A stretch of a take.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Passage {
    /// Its start, in seconds of the take.
    pub from_s: f64,
    /// Its end.
    pub to_s: f64,
    /// How much harder than in the median of the take its drums are struck.
    pub level_db: Estimate,
}

/// The two extremes of a take.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Passages {
    /// Struck hardest.
    pub loudest: Passage,
    /// Struck softest; rests do not count.
    pub softest: Passage,
}

/// Loudest and softest passage; `None` where they do not differ by more than is uncertain, or lie on
/// each other.
pub(super) fn passages(times: &[f64], played: &[&Stroke]) -> Option<Passages> {
    let drums = played.iter().map(|s| s.drum).max()?;
    let medians: Vec<Option<f64>> = (0..=drums)
        .map(|drum| {
            let own = played.iter().filter(|s| s.drum == drum);
            median(own.filter_map(|s| s.level_dbfs))
        })
        .collect();
    let relative = |s: &Stroke| Some(s.level_dbfs? - medians[usize::from(s.drum)]?);
    let (first, last) = (*times.first()?, *times.last()?);
    let steps = ((last - first - PASSAGE_S) / STEP_S).floor().max(-1.0) as i64;
    let passage = |step: i64| {
        let from_s = first + STEP_S * step as f64;
        let span = times.partition_point(|&t| t < from_s)
            ..times.partition_point(|&t| t < from_s + PASSAGE_S);
        let levels: Vec<f64> = played[span].iter().filter_map(|s| relative(s)).collect();
        Some(Passage {
            from_s,
            to_s: from_s + PASSAGE_S,
            level_db: location(&levels).filter(|_| levels.len() >= FEWEST)?,
        })
    };
    let all: Vec<Passage> = (0..=steps).filter_map(passage).collect();
    let by = |a: &&Passage, b: &&Passage| a.level_db.value.total_cmp(&b.level_db.value);
    let (loudest, softest) = (*all.iter().max_by(by)?, *all.iter().min_by(by)?);
    let apart = (loudest.from_s - softest.from_s).abs() >= PASSAGE_S;
    let differ = loudest.level_db.exceeds(&softest.level_db, ERRORS)
        && loudest.level_db.value - softest.level_db.value >= LEAST_DB;
    (apart && differ).then_some(Passages { loudest, softest })
}
