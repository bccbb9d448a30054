//! The tuning of a drum over the takes of a set-up, and where it begins to drift.

use serde::{Deserialize, Serialize};

use crate::analysis::attribution::take::TakeEvidence;
use crate::analysis::tuning::pitch::{HitTuning, Tuning, median, pool};
use crate::units::round_to;

/// Hits a take needs for a drift of tuning to be told.
const DRIFT_HITS: usize = 4;

/// The tuning of one drum over all takes of a set-up.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DrumTuning {
    /// Label of the track that it was read from.
    pub label: String,
    /// Over all hits of all takes.
    pub tuning: Tuning,
    /// The take from which on it is lower or higher than before, where that is so.
    pub drift: Option<Drift>,
}

/// A change of tuning in the course of a set-up.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Drift {
    /// The first take that is off, by its place.
    pub first_take: usize,
    /// Before.
    pub from_hz: f64,
    /// From that take on.
    pub to_hz: f64,
    /// 0 to 1.
    pub confidence: f64,
}

/// Over all takes; `None` where none has a pitch.
pub(crate) fn tuning(takes: &[&TakeEvidence], label: &str) -> Option<DrumTuning> {
    let of = |take: &TakeEvidence| -> Vec<HitTuning> {
        take.tracks
            .iter()
            .filter(|t| t.label == label)
            .flat_map(|t| t.tuning_hits.clone())
            .collect()
    };
    let all: Vec<HitTuning> = takes.iter().flat_map(|t| of(t)).collect();
    let tried = takes
        .iter()
        .flat_map(|t| &t.tracks)
        .filter(|t| t.label == label)
        .map(|t| t.tuning_tried)
        .sum();
    Some(DrumTuning {
        label: label.to_owned(),
        tuning: pool(&all, tried)?,
        drift: drift(takes, label),
    })
}

/// Splits the takes in two where the medians before and after differ most for their spread; a drift
/// is told above 1.5 Hz and three spreads.
fn drift(takes: &[&TakeEvidence], label: &str) -> Option<Drift> {
    let sure: Vec<(usize, &Tuning)> = takes
        .iter()
        .enumerate()
        .filter_map(|(i, take)| {
            let track = take.tracks.iter().find(|t| t.label == label)?;
            let tuning = track.tuning.as_ref()?;
            (tuning.hits >= DRIFT_HITS && tuning.confidence >= 0.5).then_some((i, tuning))
        })
        .collect();
    let middle = |list: &[(usize, &Tuning)]| median(list.iter().map(|t| t.1.fundamental_hz));
    // spread within takes, and from take to take on either side
    let mut best: Option<(f64, Drift)> = None;
    for split in 1..sure.len() {
        let (before, after) = sure.split_at(split);
        let (from_hz, to_hz) = (middle(before)?, middle(after)?);
        let within = median(
            sure.iter()
                .map(|t| t.1.spread_hz / (t.1.hits as f64).sqrt()),
        )?;
        let between = median(
            before
                .iter()
                .map(|t| (t.1.fundamental_hz - from_hz).abs())
                .chain(after.iter().map(|t| (t.1.fundamental_hz - to_hz).abs())),
        )?;
        let limit = (3.0 * 1.4826 * within.max(between)).max(1.5);
        let step = (to_hz - from_hz).abs();
        // the split after which all takes stay on their side
        let misfit: f64 = before
            .iter()
            .map(|t| (t.1.fundamental_hz - from_hz).abs())
            .chain(after.iter().map(|t| (t.1.fundamental_hz - to_hz).abs()))
            .sum();
        let score = step / limit - 0.1 * misfit / limit;
        if step > limit && best.as_ref().is_none_or(|b| score > b.0) {
            let enough = (sure.len() as f64 / 4.0).min(1.0);
            best = Some((
                score,
                Drift {
                    first_take: after[0].0,
                    from_hz: round_to(from_hz, 1),
                    to_hz: round_to(to_hz, 1),
                    confidence: round_to(
                        (0.5 + 0.15 * (step / limit - 1.0)).min(0.98) * (0.7 + 0.3 * enough),
                        2,
                    ),
                },
            ));
        }
    }
    best.map(|b| b.1)
}
