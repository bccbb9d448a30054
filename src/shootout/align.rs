//! The time map between two performances of one pattern, from their onsets alone.
//!
//! Differences of all onset times, gathered in a histogram for each of many tempo ratios, show where
//! the patterns may coincide; onsets of like colour count more, since on a grid of sixteenths
//! something falls on something everywhere. Each of the best places starts a pairing of hits, whose
//! offset and ratio are fitted again and again while the distance that a pair may have shrinks.

use super::colour::{colours, likeness};
use super::hear::Onset;
use super::starts::starts;
use crate::dsp::maths;
use crate::dsp::median;

/// Tempo ratios that are tried, from 1 − this to 1 + this; beyond, it is another tempo.
pub(super) const RATE_RANGE: f64 = 0.03;
/// Distance that a pair may have, in the first round and in the last.
const FIRST_MS: f64 = 60.0;
pub(super) const LAST_MS: f64 = 25.0;
const ROUNDS: usize = 6;
/// Fewest pairs that make a map.
pub(super) const LEAST_PAIRS: usize = 3;
/// Pairs and span below which the tempo ratio is not fitted.
const FIT_PAIRS: usize = 6;
const FIT_MS: f64 = 2000.0;
/// Share of the onsets where both play, by strength, that must be paired.
const LEAST_SHARE: f64 = 0.55;
/// Share of the onsets of the shorter that must lie where both play.
const LEAST_OVERLAP: f64 = 0.5;
/// Another shift that explains so much of what the best one does makes it ambiguous.
const AS_GOOD: f64 = 0.93;

/// Share of what falls together times its likeness: two different patterns on one grid
/// reach 0.4, one and the same 0.9 (generated performances).
const LEAST_AGREEMENT: f64 = 0.5;

/// b = a · rate + offset, in milliseconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Map {
    pub offset_ms: f64,
    pub rate: f64,
}

impl Map {
    pub fn at(&self, a_ms: f64) -> f64 {
        a_ms * self.rate + self.offset_ms
    }
}

/// Two patterns laid on each other.
#[derive(Clone, Debug)]
pub(super) struct Alignment {
    pub map: Map,
    /// Which onset of the first is which of the second, in order.
    pub pairs: Vec<(usize, usize)>,
    /// Median distance of the pairs from the map, in milliseconds.
    pub residual_ms: f64,
    /// How much of what both play is paired, 0 to 1.
    pub share: f64,
    /// Correlation of the colours of the pairs over the hits: a kick falls on a kick, a snare on a
    /// snare. `None` where all hits are alike.
    pub likeness: Option<f64>,
    /// Another shift explains as much: the pattern repeats.
    pub repeats: bool,
}

impl Alignment {
    fn score(&self) -> f64 {
        let close = maths::exp(-0.5 * (self.residual_ms / 15.0) * (self.residual_ms / 15.0));
        self.pairs.len() as f64
            * close
            * self
                .likeness
                .map_or(1.0, |likeness| 0.1 + 0.9 * likeness.max(0.0))
    }
}

/// Lays pattern `b` on pattern `a`, both in order of time, where it is later by `later_ms`, give or
/// take half a minute. The error says in words why they are not the same pattern.
pub(super) fn align(a: &[Onset], b: &[Onset], later_ms: f64) -> Result<Alignment, String> {
    let (few, many) = (a.len().min(b.len()), a.len().max(b.len()));
    if few < LEAST_PAIRS {
        return Err(match few {
            0 => "no hit was found in one of them".to_owned(),
            1 => "one of them holds one hit only: a pattern needs more to be recognised".to_owned(),
            n => format!("one of them holds {n} hits only, at least {LEAST_PAIRS} are needed"),
        });
    }
    let (a_colours, b_colours) = (colours(a), colours(b));
    let complete = |map| {
        let mut found = pair_up(a, b, map)?;
        found.likeness = likeness(&found.pairs, &a_colours, &b_colours);
        Some(found)
    };
    let mut found: Vec<Alignment> = starts(a, b, later_ms)
        .into_iter()
        .filter_map(complete)
        .collect();
    found.sort_by(|x, y| y.score().total_cmp(&x.score()));
    let middle = 0.5 * (a[0].ms + a[a.len() - 1].ms);
    let mut found = found.into_iter();
    let Some(mut best) = found.next() else {
        return Err(format!(
            "their hits fall together nowhere ({few} and {many} hits)"
        ));
    };
    let elsewhere =
        |other: &Alignment| (other.map.at(middle) - best.map.at(middle)).abs() > 2.0 * LAST_MS;
    best.repeats = found
        .filter(elsewhere)
        .any(|other| other.score() >= AS_GOOD * best.score());
    let inside = overlap(a, b, &best.map);
    if best.share < LEAST_SHARE {
        return Err(format!(
            "at best {:.0} % of what is played falls together, at least {:.0} % are needed",
            100.0 * best.share,
            100.0 * LEAST_SHARE
        ));
    }
    let likeness = best.likeness.unwrap_or(1.0);
    if best.share * likeness < LEAST_AGREEMENT {
        return Err(format!(
            "where their hits fall together, other drums are struck (together {:.2}, alike {likeness:.2} of 1)",
            best.share
        ));
    }
    if (inside.0.len().min(inside.1.len()) as f64) < LEAST_OVERLAP * few as f64 {
        return Err(format!(
            "their hits fall together only where {} and {} of them lie",
            inside.0.len(),
            inside.1.len()
        ));
    }
    Ok(best)
}

/// Pairs of onsets that lie within `within_ms` of the map and are each other's nearest.
pub(super) fn pairs(a: &[Onset], b: &[Onset], map: &Map, within_ms: f64) -> Vec<(usize, usize)> {
    let nearest = |list: &[Onset], value: &dyn Fn(&Onset) -> f64, at: f64| -> Option<usize> {
        let after = list.partition_point(|o| value(o) < at);
        let candidates = [after.checked_sub(1), (after < list.len()).then_some(after)];
        let distance = |i: &usize| (value(&list[*i]) - at).abs();
        candidates
            .into_iter()
            .flatten()
            .min_by(|x, y| distance(x).total_cmp(&distance(y)))
    };
    let in_b = |o: &Onset| map.at(o.ms);
    let own = |o: &Onset| o.ms;
    a.iter()
        .enumerate()
        .filter_map(|(i, onset)| {
            let at = map.at(onset.ms);
            let j = nearest(b, &own, at)?;
            let mutual = nearest(a, &in_b, b[j].ms) == Some(i);
            (mutual && (b[j].ms - at).abs() <= within_ms).then_some((i, j))
        })
        .collect()
}

/// Onsets of both that lie where both play.
fn overlap<'a>(a: &'a [Onset], b: &'a [Onset], map: &Map) -> (&'a [Onset], &'a [Onset]) {
    let (first, last) = (b[0].ms - FIRST_MS, b[b.len() - 1].ms + FIRST_MS);
    let from = a.partition_point(|o| map.at(o.ms) < first);
    let to = a.partition_point(|o| map.at(o.ms) <= last);
    let (low, high) = (
        map.at(a[0].ms) - FIRST_MS,
        map.at(a[a.len() - 1].ms) + FIRST_MS,
    );
    let b_from = b.partition_point(|o| o.ms < low);
    let b_to = b.partition_point(|o| o.ms <= high);
    (&a[from..to.max(from)], &b[b_from..b_to.max(b_from)])
}

fn pair_up(a: &[Onset], b: &[Onset], start: Map) -> Option<Alignment> {
    let mut map = start;
    let mut paired = Vec::new();
    for round in 0..ROUNDS {
        let within = (FIRST_MS * maths::pow(0.7, round as f64)).max(LAST_MS);
        paired = pairs(a, b, &map, within);
        if paired.len() < LEAST_PAIRS {
            return None;
        }
        let points: Vec<(f64, f64)> = paired.iter().map(|&(i, j)| (a[i].ms, b[j].ms)).collect();
        map = fit(&points, map);
        if (map.rate - 1.0).abs() > RATE_RANGE {
            return None;
        }
    }
    let distances = paired
        .iter()
        .map(|&(i, j)| (b[j].ms - map.at(a[i].ms)).abs());
    let residual_ms = median(distances)?;
    let inside = overlap(a, b, &map);
    let weight = |list: &[Onset]| list.iter().map(|o| o.strength).sum::<f64>();
    let together: f64 = paired
        .iter()
        .map(|&(i, j)| a[i].strength + b[j].strength)
        .sum();
    let share = together
        / (weight(inside.0) + weight(inside.1))
            .max(together)
            .max(1e-9);
    Some(Alignment {
        map,
        pairs: paired,
        residual_ms,
        share,
        likeness: None,
        repeats: false,
    })
}

/// A line through points of which some may be wrong: those far from the present map do not count.
/// The ratio stays where the points are few or close together.
pub(super) fn fit(points: &[(f64, f64)], map: Map) -> Map {
    let distance = |p: &(f64, f64)| p.1 - map.at(p.0);
    let Some(shift) = median(points.iter().map(distance)) else {
        return map;
    };
    let Some(spread) = median(points.iter().map(|p| (distance(p) - shift).abs())) else {
        return map;
    };
    let limit = (3.0 * 1.4826 * spread).max(3.0);
    let good: Vec<&(f64, f64)> = points
        .iter()
        .filter(|p| (distance(p) - shift).abs() <= limit)
        .collect();
    let (low, high) = good
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), p| {
            (l.min(p.0), h.max(p.0))
        });
    if good.len() < FIT_PAIRS || high - low < FIT_MS {
        return Map {
            offset_ms: map.offset_ms + shift,
            ..map
        };
    }
    let n = good.len() as f64;
    let (x, y) = good
        .iter()
        .fold((0.0, 0.0), |(x, y), p| (x + p.0 / n, y + p.1 / n));
    let (top, bottom) = good.iter().fold((0.0, 0.0), |(t, b), p| {
        (t + (p.0 - x) * (p.1 - y), b + (p.0 - x) * (p.0 - x))
    });
    let rate = top / bottom;
    Map {
        offset_ms: y - rate * x,
        rate,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::noise;

    fn onsets(times: impl IntoIterator<Item = f64>) -> Vec<Onset> {
        times
            .into_iter()
            .map(|ms| Onset {
                ms,
                strength: 8.0,
                colour_db: [-20.0; 4],
            })
            .collect()
    }

    /// Strokes on a sixteenth grid of 125 ms, of which about half are played.
    fn pattern(seed: u64, steps: usize) -> Vec<f64> {
        let chosen = noise(seed, steps);
        (0..steps)
            .filter(|&i| chosen[i] > 0.0)
            .map(|i| 1000.0 + 125.0 * i as f64)
            .collect()
    }

    #[test]
    fn a_human_second_take_with_strokes_left_out_and_another_tempo_is_found() {
        for seed in 0..8 {
            let times = pattern(seed, 120);
            let scatter = noise(100 + seed, times.len());
            let missing = noise(200 + seed, times.len());
            let a = onsets(times.iter().copied());
            let b = onsets(
                times
                    .iter()
                    .enumerate()
                    .filter(|(i, _)| missing[*i] < 0.94)
                    .map(|(i, t)| t * 1.005 + 2417.0 + 10.0 * scatter[i]),
            );
            let found = align(&a, &b, 0.0).expect("the same pattern");
            assert!(
                (found.map.at(8000.0) - (8000.0 * 1.005 + 2417.0)).abs() < 6.0,
                "{seed}: {:?}",
                found.map
            );
            assert!(
                (found.map.rate - 1.005).abs() < 0.001,
                "{seed}: {:?}",
                found.map
            );
            assert!(found.share > 0.9 && !found.repeats, "{seed}: {found:?}");
        }
    }

    #[test]
    fn the_same_onsets_give_offset_and_ratio_exactly() {
        let times = pattern(3, 60);
        let a = onsets(times.iter().copied());
        let b = onsets(times.iter().map(|t| t + 3217.0));
        let found = align(&a, &b, 0.0).expect("the same pattern");
        assert!((found.map.offset_ms - 3217.0).abs() < 1e-6 && (found.map.rate - 1.0).abs() < 1e-9);
        assert_eq!(found.pairs.len(), times.len());
        assert_eq!(found.residual_ms.round(), 0.0);
    }

    #[test]
    fn a_pattern_that_repeats_is_said_to() {
        let bar = [0.0, 250.0, 500.0, 625.0, 1000.0, 1500.0, 1750.0];
        let times =
            |bars: usize| (0..bars).flat_map(|b| bar.map(|t| 500.0 + t + 2000.0 * b as f64));
        // sixteen bars, of which the second take lacks the last: one bar later fits as well
        let found = align(&onsets(times(16)), &onsets(times(15)), 0.0).expect("the same pattern");
        assert!(found.repeats, "{:?}", found.map);
    }

    #[test]
    fn on_a_full_grid_the_drums_say_where_the_pattern_lies() {
        // sixteenths without a rest: time alone fits at every one of them
        let drums = noise(11, 96);
        let colour = |d: f64, darker: f64| match d {
            d if d > 0.3 => [-10.0 + darker, -30.0, -35.0, -50.0 - darker],
            d if d > -0.3 => [-40.0 + darker, -15.0, -20.0, -25.0 - darker],
            _ => [-60.0 + darker, -50.0, -35.0, -20.0 - darker],
        };
        let play = |late: f64, darker: f64| -> Vec<Onset> {
            let at = |i: usize| late + 125.0 * i as f64;
            drums
                .iter()
                .enumerate()
                .map(|(i, d)| Onset {
                    ms: at(i),
                    strength: 8.0,
                    colour_db: colour(*d, darker),
                })
                .collect()
        };
        let found = align(&play(0.0, 0.0), &play(1003.0, 5.0), 0.0).expect("the same pattern");
        assert!(
            (found.map.at(6000.0) - 7003.0).abs() < 1.0 && !found.repeats,
            "{found:?}"
        );
        let mut other = play(1003.0, 0.0);
        other
            .iter_mut()
            .zip(noise(12, 96))
            .for_each(|(o, d)| o.colour_db = colour(d, 0.0));
        assert!(
            align(&play(0.0, 0.0), &other, 0.0)
                .expect_err("other drums")
                .contains("other drums")
        );
    }

    #[test]
    fn other_tempos_and_too_few_hits_are_refused_with_a_reason() {
        let a = onsets((0..40).map(|i| 500.0 * f64::from(i)));
        let b = onsets(pattern(9, 200).iter().map(|t| t * 1.37));
        assert!(align(&a, &b, 0.0).is_err());
        assert!(
            align(&a[..1], &a, 0.0)
                .expect_err("one hit")
                .contains("one hit only")
        );
        assert!(align(&[], &a, 0.0).expect_err("silence").contains("no hit"));
        assert!(align(&a[..2], &a, 0.0).is_err());
    }
}
