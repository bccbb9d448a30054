//! On which side of a pair each drum is heard: by time and by level. One drum proves nothing, and
//! whether the player or the audience is looking is a matter of taste; but all pairs of a set-up
//! look the same way.

use serde::{Deserialize, Serialize};

use crate::analysis::polarity::pair::{BEFORE_S, PairKind, Stroke, lag};
use crate::dsp::median;
use crate::units::round_to;

/// Sound after the stroke that its level is read from, before most of the room has come.
const LEVEL_S: f64 = 0.015;
/// A drum stands at the side that hears it this much earlier (7 cm), unless it is this much louder at
/// the other: in a room the level of one stroke tells little, the time much.
const LEAST_MS: f64 = 0.2;
const AGAINST_DB: f64 = 3.0;
/// Strokes needed.
const LEAST_HITS: usize = 3;
/// The drum that stands in the middle: which side hears it earlier is chance, and its slow attack says it
/// badly.
const MIDDLE: &str = "kick";
/// Drums that must stand at a side in both pairs that are compared.
const LEAST_DRUMS: usize = 2;

/// Where a pair hears a drum.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Lean {
    /// The left and the right channel: labels of tracks, or of the sides of a stereo track.
    pub pair: [String; 2],
    /// The drum.
    pub drum: String,
    /// How much louder it is on the left, in decibels.
    pub level_db: f64,
    /// How much earlier it is on the left, in milliseconds.
    pub early_ms: f64,
    /// Strokes that it rests on.
    pub hits: usize,
}

impl Lean {
    /// −1: left, 1: right; `None` where it is in the middle, or time and level contradict each other.
    pub fn side(&self) -> Option<i8> {
        let left = self.early_ms >= LEAST_MS && self.level_db >= -AGAINST_DB;
        let right = self.early_ms <= -LEAST_MS && self.level_db <= AGAINST_DB;
        match (left, right) {
            (true, _) => Some(-1),
            (_, true) => Some(1),
            _ => None,
        }
    }
}

/// Where a drum is heard, from its lone strokes in both channels.
pub(crate) fn lean(
    pair: &[String; 2],
    drum: &str,
    strokes: &[Stroke],
    rate_hz: u32,
) -> Option<Lean> {
    if strokes.len() < LEAST_HITS {
        return None;
    }
    let rate = f64::from(rate_hz);
    let from = (BEFORE_S * rate) as usize;
    // the later side needs time to hear it
    let to = from + ((LEVEL_S + 0.002) * rate) as usize;
    let energy = |x: &[f64]| -> f64 {
        let piece = x.get(from..to).unwrap_or(&[]);
        piece.iter().filter(|x| x.is_finite()).map(|x| x * x).sum()
    };
    let level = |s: &Stroke| {
        let (left, right) = (energy(&s.first), energy(&s.second));
        (left > 0.0 && right > 0.0).then(|| 10.0 * (left / right).log10())
    };
    let level_db = median(strokes.iter().filter_map(level))?;
    let early = lag(PairKind::Sides, strokes, rate_hz)?;
    Some(Lean {
        pair: pair.clone(),
        drum: drum.to_owned(),
        level_db: round_to(level_db, 1),
        early_ms: round_to(early / rate * 1000.0, 2),
        hits: strokes.len(),
    })
}

/// Where a pair hears each drum over all takes of a set-up: medians, and the sum of the strokes.
pub fn pool_leans<'a>(leans: impl Iterator<Item = &'a Lean> + Clone) -> Vec<Lean> {
    let mut pooled: Vec<Lean> = Vec::new();
    for lean in leans.clone() {
        if pooled
            .iter()
            .any(|p| p.drum == lean.drum && p.pair == lean.pair)
        {
            continue;
        }
        let same = leans
            .clone()
            .filter(|l| l.drum == lean.drum && l.pair == lean.pair);
        pooled.push(Lean {
            level_db: median(same.clone().map(|l| l.level_db)).unwrap_or(lean.level_db),
            early_ms: median(same.clone().map(|l| l.early_ms)).unwrap_or(lean.early_ms),
            hits: same.map(|l| l.hits).sum(),
            ..lean.clone()
        });
    }
    pooled
}

/// How sure it is that two pairs look the other way: all drums but the kick that stand at a side in
/// both, two at least, change it. `None` if not.
pub fn opposed<'a>(
    one: impl Iterator<Item = &'a Lean>,
    other: impl Iterator<Item = &'a Lean> + Clone,
) -> Option<f64> {
    let mut drums = 0;
    for lean in one.filter(|lean| lean.drum != MIDDLE) {
        let there = other.clone().find(|o| o.drum == lean.drum);
        if let (Some(here), Some(there)) = (lean.side(), there.and_then(Lean::side)) {
            if here == there {
                return None;
            }
            drums += 1;
        }
    }
    (drums >= LEAST_DRUMS).then_some(if drums > LEAST_DRUMS { 0.85 } else { 0.65 })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::polarity::pair::AFTER_S;
    use crate::dsp::random::Random;

    fn strokes(gain_db: f64, late_samples: usize) -> Vec<Stroke> {
        let mut rng = Random::new(3);
        let frames = ((BEFORE_S + AFTER_S) * 48_000.0) as usize;
        (0..4)
            .map(|_| {
                let sound: Vec<f64> = (0..frames)
                    .map(|i| {
                        let t = i as f64 / 48_000.0 - BEFORE_S - 0.002;
                        let loud = if t < 0.0 { 0.0 } else { (-t / 0.02).exp() };
                        rng.normal(1e-4) + rng.normal(loud)
                    })
                    .collect();
                let gain = crate::units::db_to_ratio(gain_db);
                let mut second = vec![0.0; late_samples];
                second.extend(sound.iter().map(|x| gain * x));
                second.truncate(frames);
                Stroke {
                    first: sound,
                    second,
                }
            })
            .collect()
    }

    fn found(gain_db: f64, late_samples: usize) -> Lean {
        let pair = ["overhead-l".to_owned(), "overhead-r".to_owned()];
        lean(&pair, "tom-1", &strokes(gain_db, late_samples), 48_000).expect("strokes")
    }

    #[test]
    fn earlier_is_a_side_unless_it_is_much_softer() {
        let left = found(-3.0, 24);
        assert!(
            (left.level_db - 3.0).abs() < 0.3 && (left.early_ms - 0.5).abs() < 0.01,
            "{left:?}"
        );
        assert_eq!(left.side(), Some(-1));
        assert_eq!(found(6.0, 24).side(), None);
        assert_eq!(found(-3.0, 1).side(), None);
        assert_eq!(found(1.0, 24).side(), Some(-1));
        let none = ["l".to_owned(), "r".to_owned()];
        assert_eq!(lean(&none, "tom-1", &strokes(-3.0, 24)[..2], 48_000), None);
    }

    fn at(drum: &str, side: i8) -> Lean {
        Lean {
            pair: ["l".into(), "r".into()],
            drum: drum.into(),
            level_db: -3.0 * f64::from(side),
            early_ms: -0.5 * f64::from(side),
            hits: 4,
        }
    }

    #[test]
    fn pairs_are_opposed_only_where_two_drums_and_no_third_say_so() {
        let of = |one: &[Lean], other: &[Lean]| opposed(one.iter(), other.iter());
        let here = [at("hat", -1), at("tom-2", 1), at("snare", 0)];
        assert_eq!(of(&here, &[at("hat", 1), at("tom-2", -1)]), Some(0.65));
        assert_eq!(of(&here, &here), None);
        assert_eq!(of(&here, &[at("hat", 1), at("tom-2", 1)]), None);
        assert_eq!(of(&here, &[at("hat", 1)]), None);
        assert_eq!(of(&here, &[at("snare", 1), at("ride", -1)]), None);
        let there = [at("hat", 1), at("tom-2", -1), at("kick", 1)];
        let here = [at("hat", -1), at("tom-2", 1), at("kick", 1)];
        assert_eq!(of(&here, &there), Some(0.65));
        assert_eq!(of(&here[1..], &there), None);
    }
}
