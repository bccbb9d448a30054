//! What all takes of a set-up show together: one tuning a drum, one polarity a pair, one level a
//! mic.

use serde::{Deserialize, Serialize};

use crate::analysis::attribution::take::{TakeEvidence, TrackEvidence};
use crate::analysis::polarity::verdict::{PairVerdict, pairs};
use crate::analysis::tuning::boxy::{BoxyPartial, boxy};
use crate::analysis::tuning::drift::{DrumTuning, tuning, without_room};
use crate::dsp::{maths, median};
use crate::units::round_to;

/// A take counts at most as this many hits in a level.
const TAKE_WEIGHT: f64 = 24.0;
/// A kick's tuning below this confidence is not said.
const SURE_KICK: f64 = 0.5;
/// Hits a take needs for a step of level, how large it must be, and how much larger than what takes of
/// the mic usually differ by: a hat is played open in one take and closed in the next.
const STEP_HITS: usize = 8;
const STEP_DB: f64 = 3.0;
const STEP_OVER_USUAL: f64 = 4.0;

/// The level of one mic over all takes of a set-up.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MicLevel {
    /// Label of the track.
    pub label: String,
    /// [`level_of_takes`] of the peaks of all hits.
    pub level_dbfs: f64,
    /// Hits that it rests on.
    pub hits: usize,
    /// Takes that have them.
    pub takes: usize,
    /// The loudest hit.
    pub loudest_dbfs: f64,
    /// Takes whose own level is more than 3 dB off, by their place, with the difference: a preamp
    /// was moved, or it was played otherwise.
    pub steps: Vec<(usize, f64)>,
}

/// What all takes of a set-up show together.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SetupEvidence {
    /// Levels, by label.
    pub levels: Vec<MicLevel>,
    /// Tunings, by label.
    pub tunings: Vec<DrumTuning>,
    /// Where drums sound boxy, by label.
    pub boxy: Vec<BoxyPartial>,
    /// Pairs of mics.
    pub pairs: Vec<PairVerdict>,
}

/// Pools the takes of a set-up, given in the order in which they were played.
pub fn pool_setup(takes: &[&TakeEvidence]) -> SetupEvidence {
    let mut labels: Vec<&str> = Vec::new();
    for track in takes.iter().flat_map(|t| &t.tracks) {
        if !labels.contains(&track.label.as_str()) {
            labels.push(&track.label);
        }
    }
    let drum_of = |label: &str| {
        let mut tracks = takes.iter().flat_map(|t| &t.tracks);
        tracks.find(|t| t.label == label)?.drum.clone()
    };
    let mut tunings: Vec<DrumTuning> = labels.iter().filter_map(|l| tuning(takes, l)).collect();
    // a kick has many low peaks: one that is not sure is none
    tunings.retain(|t| {
        drum_of(&t.label).as_deref() != Some("kick") || t.tuning.confidence >= SURE_KICK
    });
    without_room(&mut tunings, drum_of);
    let boxy_of = |label: &&str| {
        let own = tunings.iter().find(|drum| drum.label == **label);
        boxy(takes, label, own.map(|drum| drum.tuning.fundamental_hz))
    };
    SetupEvidence {
        boxy: labels.iter().filter_map(boxy_of).collect(),
        levels: labels.iter().filter_map(|l| level(takes, l)).collect(),
        tunings,
        pairs: pairs(takes),
    }
}

/// Weighted quantile at plotting positions (i − ½)/n. Values need not be sorted.
pub fn weighted_quantile(values: &[(f64, f64)], q: f64) -> Option<f64> {
    let mut sorted: Vec<(f64, f64)> = values.iter().copied().filter(|v| v.1 > 0.0).collect();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let total: f64 = sorted.iter().map(|v| v.1).sum();
    let mut sum = 0.0;
    let mut before: Option<(f64, f64)> = None;
    for (value, weight) in sorted {
        let place = (sum + 0.5 * weight) / total;
        if place >= q {
            return Some(match before {
                Some((p, v)) => v + (value - v) * (q - p) / (place - p),
                None => value,
            });
        }
        sum += weight;
        before = Some((place, value));
    }
    before.map(|b| b.1)
}

/// No hit weighs more than one at this quantile: a stray rim shot is one hit, whatever its energy.
const LOUD_QUANTILE: f64 = 0.75;

/// Whose hits the level of a mic is read from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum HitsOf {
    /// The drum that it stands at.
    #[default]
    OwnDrum,
    /// Kick and snare, in an overhead or a room.
    KickAndSnare,
}

impl TrackEvidence {
    /// Whose hits its are.
    pub fn hits_of(&self) -> HitsOf {
        match self.drum {
            Some(_) => HitsOf::OwnDrum,
            None => HitsOf::KickAndSnare,
        }
    }
}

/// How loud a take's hits are, from their peaks in dBFS. Of a drum in its own mic: the median of their
/// energy, half of which lies in louder hits; soft strokes and bleed that was taken for one hardly move
/// it. Of kick and snare in an overhead or a room: the 75 % quantile. `None` without hits.
pub fn level_of_take(peaks_dbfs: &[f64], of: HitsOf) -> Option<f64> {
    let equal: Vec<(f64, f64)> = peaks_dbfs.iter().map(|peak| (*peak, 1.0)).collect();
    let loud = weighted_quantile(&equal, LOUD_QUANTILE)?;
    if of == HitsOf::KickAndSnare {
        return Some(loud);
    }
    let energy = |peak: &f64| (*peak, maths::pow(10.0, peak.min(loud) / 10.0));
    let weighted: Vec<(f64, f64)> = peaks_dbfs.iter().map(energy).collect();
    weighted_quantile(&weighted, 0.5)
}

/// The level of a mic, from the peaks of its hits take by take: the median over the takes, so that one
/// hot take does not move it. A take counts by its hits, up to 24.
pub fn level_of_takes(takes: &[Vec<f64>], of: HitsOf) -> Option<f64> {
    let of_take = |peaks: &Vec<f64>| {
        let weight = TAKE_WEIGHT.min(peaks.len() as f64);
        level_of_take(peaks, of).map(|level| (level, weight))
    };
    let levels: Vec<(f64, f64)> = takes.iter().filter_map(of_take).collect();
    weighted_quantile(&levels, 0.5)
}

fn levels_of(take: &TakeEvidence, label: &str) -> Vec<f64> {
    take.tracks
        .iter()
        .filter(|t| t.label == label)
        .flat_map(TrackEvidence::own_hits)
        .filter_map(|h| h.level_dbfs)
        .collect()
}

fn level(takes: &[&TakeEvidence], label: &str) -> Option<MicLevel> {
    let by_take: Vec<Vec<f64>> = takes.iter().map(|t| levels_of(t, label)).collect();
    let mut tracks = takes.iter().flat_map(|take| &take.tracks);
    let of = tracks.find(|track| track.label == label)?.hits_of();
    let level = level_of_takes(&by_take, of)?;
    let own: Vec<(usize, f64)> = by_take
        .iter()
        .enumerate()
        .filter(|(_, levels)| levels.len() >= STEP_HITS)
        .filter_map(|(i, levels)| Some((i, level_of_take(levels, of)?)))
        .collect();
    let middle = median(own.iter().map(|o| o.1)).unwrap_or_default();
    let usual = match own.len() {
        0..=2 => 0.0, // with two takes nothing is usual
        _ => median(own.iter().map(|o| (o.1 - middle).abs())).unwrap_or_default(),
    };
    let least = STEP_DB.max(STEP_OVER_USUAL * usual);
    let steps = own
        .into_iter()
        .map(|(i, level)| (i, round_to(level - middle, 1)))
        .filter(|(_, step)| step.abs() > least)
        .collect();
    Some(MicLevel {
        label: label.to_owned(),
        level_dbfs: round_to(level, 2),
        hits: by_take.iter().map(Vec::len).sum(),
        takes: by_take.iter().filter(|l| !l.is_empty()).count(),
        loudest_dbfs: by_take
            .iter()
            .flatten()
            .copied()
            .fold(f64::NEG_INFINITY, f64::max),
        steps,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::strokes::hits::Hit;
    use crate::analysis::tuning::hit::HitTuning;
    use crate::analysis::tuning::pooled::pool;
    use crate::analysis::tuning::ring::Ring;

    fn take(levels: &[f64], tuned_hz: f64) -> TakeEvidence {
        let hits: Vec<HitTuning> = (0..6)
            .map(|i| HitTuning::plain(tuned_hz + 0.2 * f64::from(i - 3)))
            .collect();
        TakeEvidence {
            window_ms: None,
            drums: Vec::new(),
            pairs: Vec::new(),
            leans: Vec::new(),
            strokes: Default::default(),
            tracks: vec![TrackEvidence {
                label: "snare-top".into(),
                drum: Some("snare".into()),
                hits: levels
                    .iter()
                    .map(|&l| Hit {
                        at_ms: 0.0,
                        level_dbfs: Some(l),
                        probability: 0.9,
                        flam: false,
                    })
                    .collect(),
                as_loud: Vec::new(),
                outside: Vec::new(),
                attributed: true,
                unsure: 0,
                missed: 0.0,
                tuning: pool(&hits, 6),
                tuning_hits: hits,
                ring: Ring::default(),
                tuning_tried: 6,
                metronome: None,
                unlikely: None,
            }],
        }
    }

    fn levels(count: u32, middle: f64) -> Vec<f64> {
        (0..count)
            .map(|i| middle + 4.0 * (f64::from(i * 7 % 10) / 10.0 - 0.5))
            .collect()
    }

    fn level_of(takes: &[TakeEvidence]) -> MicLevel {
        pool_setup(&takes.iter().collect::<Vec<_>>()).levels[0].clone()
    }

    #[test]
    fn a_level_does_not_move_with_copies_silent_takes_or_one_stray_hit_and_follows_gain() {
        let base = [
            take(&levels(30, -12.0), 200.0),
            take(&levels(20, -13.0), 200.0),
        ];
        let level = level_of(&base).level_dbfs;
        let mut doubled = base.to_vec();
        doubled.extend(base.clone());
        doubled.push(take(&[], 200.0));
        assert!((level_of(&doubled).level_dbfs - level).abs() < 0.1);
        let mut stray = levels(30, -12.0);
        stray.push(0.0);
        let stray = [take(&stray, 200.0), base[1].clone()];
        assert!((level_of(&stray).level_dbfs - level).abs() < 0.3);
        let louder = [
            take(&levels(30, -5.0), 200.0),
            take(&levels(20, -6.0), 200.0),
        ];
        assert!((level_of(&louder).level_dbfs - level - 7.0).abs() < 0.011);
        assert!(level_of(&base).steps.is_empty());
    }

    #[test]
    fn a_drum_that_is_played_otherwise_in_every_take_has_no_step() {
        let played = [
            -17.0, -17.0, -16.5, -13.5, -16.5, -11.0, -15.0, -18.0, -12.5,
        ];
        let takes = played.map(|level| take(&levels(30, level), 260.0));
        assert_eq!(level_of(&takes).steps, []);
        // three takes, and two that differ by less than the third
        let three = [-12.0, -12.7, -17.0].map(|level| take(&levels(30, level), 260.0));
        assert_eq!(level_of(&three).steps, [(2, -4.3)]);
    }

    #[test]
    fn a_moved_preamp_and_a_detuned_snare_name_their_take() {
        let takes: Vec<TakeEvidence> = (0..8)
            .map(|i| {
                let level = if i == 5 { -7.0 } else { -12.0 };
                take(&levels(30, level), if i < 4 { 260.0 } else { 250.0 })
            })
            .collect();
        assert_eq!(level_of(&takes).steps, [(5, 5.0)]);
        let setup = pool_setup(&takes.iter().collect::<Vec<_>>());
        let drift = setup.tunings[0].drift.expect("a drift");
        assert_eq!((drift.first_take, drift.confidence > 0.5), (4, true));
        assert!(
            (drift.from_hz - drift.to_hz - 10.0).abs() < 0.2,
            "{drift:?}"
        );
        let steady: Vec<TakeEvidence> = (0..8)
            .map(|i| take(&levels(30, -12.0), 260.0 + 0.4 * f64::from(i % 3)))
            .collect();
        let setup = pool_setup(&steady.iter().collect::<Vec<_>>());
        assert_eq!(setup.tunings[0].drift, None);
    }

    #[test]
    fn quantiles_lie_between_plotting_positions() {
        let equal = |values: &[f64]| values.iter().map(|v| (*v, 1.0)).collect::<Vec<_>>();
        assert_eq!(weighted_quantile(&[], 0.75), None);
        assert_eq!(weighted_quantile(&equal(&[-3.0]), 0.75), Some(-3.0));
        assert_eq!(
            weighted_quantile(&equal(&[1.0, 2.0, 3.0, 4.0]), 0.75),
            Some(3.5)
        );
    }
}
