//! What all takes of a set-up show together: reference for attribution, one tuning a drum, one
//! polarity a pair, one level a mic.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::attribute::Known;
use super::bank::BANDS;
use super::drums::TakeTrack;
use super::pair::{PairEvidence, Polarity};
use super::take::TakeEvidence;
use super::tuning::{HitTuning, Tuning, median, pool};
use crate::maths;
use crate::units::round_to;

/// A take whose hits lie this far under the loud takes does not speak for the set-up: they may be
/// bleed.
const WEAK_TAKE_DB: f64 = 6.0;
/// A take counts at most as this many hits in a level.
const TAKE_WEIGHT: f64 = 24.0;
/// The quantile of hit levels that is a mic's level.
const LEVEL_QUANTILE: f64 = 0.75;
/// Hits a take needs for a step of level to be told, and how large it must be.
const STEP_HITS: usize = 8;
const STEP_DB: f64 = 3.0;
/// Hits a take needs for a drift of tuning to be told.
const DRIFT_HITS: usize = 4;

/// What hits of each drum are like, pooled over takes: for a second, better attribution.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Reference {
    drums: BTreeMap<String, DrumReference>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct DrumReference {
    level_db: f64,
    template_db: BTreeMap<String, [f32; BANDS]>,
}

impl Reference {
    /// From the evidence of the takes of a set-up. Drums with fewer than three hits in every take
    /// are not in it.
    pub fn pool(takes: &[&TakeEvidence]) -> Self {
        let mut levels: BTreeMap<&str, Vec<(f64, usize)>> = BTreeMap::new();
        for (i, take) in takes.iter().enumerate() {
            for drum in &take.drums {
                if let Some(level) = drum.level_db.filter(|_| drum.count >= 3) {
                    levels.entry(&drum.name).or_default().push((level, i));
                }
            }
        }
        let drums = levels
            .into_iter()
            .filter_map(|(name, mut list)| {
                list.sort_by(|a, b| a.0.total_cmp(&b.0));
                let loud = list[(list.len() - 1) * 3 / 4].0;
                list.retain(|(level, _)| *level >= loud - WEAK_TAKE_DB);
                let mut values: BTreeMap<&str, [Vec<f64>; BANDS]> = BTreeMap::new();
                for &(_, i) in &list {
                    let drum = takes[i].drums.iter().find(|d| d.name == name)?;
                    for (label, bands) in &drum.template_db {
                        let entry = values.entry(label).or_default();
                        for (all, band) in entry.iter_mut().zip(bands) {
                            all.push(f64::from(*band));
                        }
                    }
                }
                let template_db = values
                    .into_iter()
                    .map(|(label, bands)| {
                        let middle = bands.map(|b| median(b.into_iter()).unwrap_or(-90.0) as f32);
                        (label.to_owned(), middle)
                    })
                    .collect();
                Some((
                    name.to_owned(),
                    DrumReference {
                        level_db: median(list.iter().map(|l| l.0))?,
                        template_db,
                    },
                ))
            })
            .collect();
        Self { drums }
    }

    /// Energy of a drum's strong hits in its own mic.
    pub(super) fn level_db(&self, drum: &str) -> Option<f64> {
        Some(self.drums.get(drum)?.level_db)
    }

    /// The same for a take with these tracks; `members` are those that take part in attribution.
    pub(super) fn known(&self, drum: &str, tracks: &[TakeTrack], members: &[usize]) -> Known {
        let Some(known) = self.drums.get(drum) else {
            return Known::default();
        };
        let power = |db: f64| maths::pow(10.0, db / 10.0) as f32;
        let mut template = Vec::with_capacity(members.len() * BANDS);
        for &t in members {
            match known.template_db.get(&tracks[t].label) {
                Some(bands) => template.extend(bands.map(|b| power(f64::from(b)))),
                // a mic that no other take has: what is learned here counts
                None => {
                    return Known {
                        template: None,
                        level: Some(power(known.level_db)),
                    };
                }
            }
        }
        Known {
            template: Some(template),
            level: Some(power(known.level_db)),
        }
    }
}

/// The level of one mic over all takes of a set-up.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MicLevel {
    /// Label of the track.
    pub label: String,
    /// Weighted 75 % quantile of the peaks of all hits.
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

/// One verdict a pair of mics.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PairVerdict {
    /// As in [`PairEvidence`], pooled: hits are summed, figures are medians over takes.
    pub pair: PairEvidence,
    /// Takes that say otherwise, by their place.
    pub dissent: Vec<usize>,
}

/// What all takes of a set-up show together.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SetupEvidence {
    /// Levels, by label.
    pub levels: Vec<MicLevel>,
    /// Tunings, by label.
    pub tunings: Vec<DrumTuning>,
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
    SetupEvidence {
        levels: labels.iter().filter_map(|l| level(takes, l)).collect(),
        tunings: labels.iter().filter_map(|l| tuning(takes, l)).collect(),
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

fn levels_of(take: &TakeEvidence, label: &str) -> Vec<f64> {
    take.tracks
        .iter()
        .filter(|t| t.label == label)
        .flat_map(|t| &t.hits)
        .filter_map(|h| h.level_dbfs)
        .collect()
}

fn level(takes: &[&TakeEvidence], label: &str) -> Option<MicLevel> {
    let by_take: Vec<Vec<f64>> = takes.iter().map(|t| levels_of(t, label)).collect();
    let mut weighted = Vec::new();
    for levels in &by_take {
        let weight = TAKE_WEIGHT.min(levels.len() as f64) / levels.len().max(1) as f64;
        weighted.extend(levels.iter().map(|l| (*l, weight)));
    }
    let level = weighted_quantile(&weighted, LEVEL_QUANTILE)?;
    let own = |levels: &[f64]| {
        let equal: Vec<(f64, f64)> = levels.iter().map(|l| (*l, 1.0)).collect();
        weighted_quantile(&equal, LEVEL_QUANTILE)
    };
    let middle = median(
        by_take
            .iter()
            .filter(|l| l.len() >= STEP_HITS)
            .filter_map(|l| own(l)),
    );
    let steps = by_take
        .iter()
        .enumerate()
        .filter(|(_, l)| l.len() >= STEP_HITS)
        .filter_map(|(i, l)| Some((i, round_to(own(l)? - middle?, 1))))
        .filter(|(_, d)| d.abs() > STEP_DB)
        .collect();
    Some(MicLevel {
        label: label.to_owned(),
        level_dbfs: round_to(level, 2),
        hits: weighted.len(),
        takes: by_take.iter().filter(|l| !l.is_empty()).count(),
        loudest_dbfs: weighted
            .iter()
            .map(|w| w.0)
            .fold(f64::NEG_INFINITY, f64::max),
        steps,
    })
}

fn tuning(takes: &[&TakeEvidence], label: &str) -> Option<DrumTuning> {
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

/// One verdict a pair: takes vote with their hits; a split vote is no verdict.
fn pairs(takes: &[&TakeEvidence]) -> Vec<PairVerdict> {
    let mut keys: Vec<(&str, &str)> = Vec::new();
    for pair in takes.iter().flat_map(|t| &t.pairs) {
        if !keys.contains(&(&pair.first, &pair.second)) {
            keys.push((&pair.first, &pair.second));
        }
    }
    keys.iter()
        .filter_map(|&(first, second)| {
            let found: Vec<(usize, &PairEvidence)> = takes
                .iter()
                .enumerate()
                .flat_map(|(i, t)| t.pairs.iter().map(move |p| (i, p)))
                .filter(|(_, p)| p.first == first && p.second == second)
                .collect();
            verdict(&found)
        })
        .collect()
}

fn verdict(found: &[(usize, &PairEvidence)]) -> Option<PairVerdict> {
    let vote = |polarity: Polarity| -> f64 {
        found
            .iter()
            .filter(|(_, p)| p.polarity == polarity)
            .map(|(_, p)| p.polarity_confidence * p.hits as f64)
            .sum()
    };
    let (same, inverted) = (vote(Polarity::Same), vote(Polarity::Inverted));
    let (winner, share) = if same >= inverted {
        (Polarity::Same, same / (same + inverted).max(1e-9))
    } else {
        (Polarity::Inverted, inverted / (same + inverted).max(1e-9))
    };
    let mut pair = found.iter().max_by_key(|(_, p)| p.hits)?.1.clone();
    pair.hits = found.iter().map(|(_, p)| p.hits).sum();
    let middle = |f: &dyn Fn(&PairEvidence) -> Option<f64>, digits: u32| {
        median(found.iter().filter_map(|(_, p)| f(p))).map(|v| round_to(v, digits))
    };
    pair.delay_samples = middle(&|p| p.delay_samples, 1);
    pair.delay_ms = middle(&|p| p.delay_ms, 3);
    pair.distance_m = middle(&|p| p.distance_m, 2);
    let with_delay = found.iter().filter(|(_, p)| p.delay_samples.is_some());
    pair.delay_confidence =
        median(with_delay.map(|(_, p)| p.delay_confidence)).unwrap_or(pair.delay_confidence);
    pair.correlation = middle(&|p| Some(p.correlation), 2).unwrap_or(0.0);
    pair.sum_gain_db = middle(&|p| Some(p.sum_gain_db), 1).unwrap_or(0.0);
    let mut dissent = Vec::new();
    if same + inverted == 0.0 {
        pair.polarity = Polarity::NotSure;
        pair.polarity_confidence = 0.0;
    } else if share < 0.8 {
        pair.polarity = Polarity::NotSure;
        pair.polarity_confidence = 0.0;
        pair.reason = Some("takes disagree about the polarity".into());
    } else {
        pair.polarity = winner;
        let best = found
            .iter()
            .filter(|(_, p)| p.polarity == winner)
            .map(|(_, p)| p.polarity_confidence)
            .fold(0.0, f64::max);
        pair.polarity_confidence = round_to(best * share, 2);
        pair.reason = None;
        dissent = found
            .iter()
            .filter(|(_, p)| p.polarity != winner && p.polarity != Polarity::NotSure)
            .map(|(i, _)| *i)
            .collect();
    }
    Some(PairVerdict { pair, dissent })
}

#[cfg(test)]
mod tests {
    use super::super::hits::Hit;
    use super::super::take::TrackEvidence;
    use super::*;

    fn take(levels: &[f64], tuned_hz: f64) -> TakeEvidence {
        let hits: Vec<HitTuning> = (0..6)
            .map(|i| HitTuning {
                fundamental_hz: tuned_hz + 0.2 * f64::from(i - 3),
                ring_s: 0.3,
                next_partial_hz: None,
                next_ring_s: None,
                next_level_db: None,
                settled_hz: None,
                force_db: None,
            })
            .collect();
        TakeEvidence {
            window_ms: None,
            drums: Vec::new(),
            pairs: Vec::new(),
            tracks: vec![TrackEvidence {
                label: "snare-top".into(),
                drum: Some("snare".into()),
                hits: levels
                    .iter()
                    .map(|&l| Hit {
                        at_ms: 0.0,
                        level_dbfs: Some(l),
                        probability: 0.9,
                    })
                    .collect(),
                attributed: true,
                unsure: 0,
                missed: 0.0,
                tuning: pool(&hits, 6),
                tuning_hits: hits,
                tuning_tried: 6,
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
