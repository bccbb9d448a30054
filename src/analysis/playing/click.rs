//! Strokes beside the beats of a click track.

use super::robust::{Estimate, Line};
use super::{Against, Placed, Tempo};
use crate::dsp::median;

/// Beats that make a click, and the seconds between them.
const FEWEST_BEATS: usize = 8;
const BEAT_S: std::ops::RangeInclusive<f64> = 0.15..=2.0;
/// How far a beat may lie from where the ones before it say, in beats.
const NEAR: f64 = 0.15;
/// Share of the ticks that have to be beats.
const LEAST_SHARE: f64 = 0.8;
/// Even parts of a beat that strokes may lie on.
const DIVISIONS: [u32; 7] = [1, 2, 3, 4, 6, 8, 12];
/// Length of the mean vector of the strokes' phases from which on a division explains them.
const LEAST_VECTOR: f64 = 0.3;
/// A finer division has to be better by this factor: it always is a little.
const BETTER: f64 = 1.05;

/// The beats of a click track with their numbers, from its ticks in order; a beat that is missing is
/// counted. `None` where the ticks are not even: then they are no click that could be followed.
pub(super) fn beats(ticks_s: &[f64]) -> Option<Vec<(i64, f64)>> {
    let period = median(ticks_s.windows(2).map(|w| w[1] - w[0]))?;
    if ticks_s.len() < FEWEST_BEATS || !BEAT_S.contains(&period) {
        return None;
    }
    // the chain that starts at each of the first ticks; the longest counts
    let chain = |first: usize| {
        let mut beats: Vec<(i64, f64)> = vec![(0, ticks_s[first])];
        let mut local = period;
        for &tick in &ticks_s[first + 1..] {
            let &(number, at) = beats.last()?;
            let steps = ((tick - at) / local).round();
            if steps >= 1.0 && ((tick - at) / local - steps).abs() <= NEAR * steps.min(2.0) {
                local += 0.3 * ((tick - at) / steps - local);
                beats.push((number + steps as i64, tick));
            }
        }
        Some(beats)
    };
    let best = (0..FEWEST_BEATS.min(ticks_s.len() - 1))
        .filter_map(chain)
        .max_by_key(Vec::len)?;
    (best.len() as f64 >= LEAST_SHARE * ticks_s.len() as f64).then_some(best)
}

/// Beats and parts of a beat at a time; `None` more than a beat outside.
fn phase(beats: &[(i64, f64)], at_s: f64) -> Option<(f64, f64)> {
    let next = beats
        .partition_point(|b| b.1 <= at_s)
        .clamp(1, beats.len() - 1);
    let (before, after) = (beats[next - 1], beats[next]);
    let period = (after.1 - before.1) / (after.0 - before.0) as f64;
    let from = (at_s - before.1) / period;
    let within = from >= -1.0 && from <= (after.0 - before.0) as f64 + 1.0;
    within.then_some((before.0 as f64 + from, period))
}

/// Where strokes lie beside the nearest even part of a beat.
pub(super) fn place(times: &[f64], beats: &[(i64, f64)]) -> Option<Placed> {
    let phases: Vec<Option<(f64, f64)>> = times.iter().map(|&t| phase(beats, t)).collect();
    let known: Vec<f64> = phases.iter().flatten().map(|p| p.0).collect();
    let mut best: Option<(u32, f64)> = None;
    for division in DIVISIONS {
        let vector = super::grid::vector(known.iter().copied(), 1.0 / f64::from(division));
        if best.is_none_or(|(_, length)| vector > BETTER * length) {
            best = Some((division, vector));
        }
    }
    let (division, length) = best?;
    if length < LEAST_VECTOR {
        return None;
    }
    let parts = f64::from(division);
    let late = |(phase, period): (f64, f64)| {
        let nearest = (phase * parts).round() / parts;
        (phase - nearest) * period
    };
    let line = Line::fit(beats.iter().map(|b| (b.0 as f64, b.1)))?;
    let off: f64 = (beats.iter())
        .map(|b| (b.1 - line.at(b.0 as f64)).powi(2))
        .sum();
    let deviation = (off / (beats.len() - 2) as f64).sqrt();
    let bpm = |parts: f64| Estimate {
        value: 60.0 * parts / line.slope,
        error: 60.0 * parts / line.slope * deviation / line.sxx.sqrt() / line.slope,
    };
    Some(Placed {
        against: Against::Click,
        tempo: Tempo {
            bpm: Some(bpm(1.0)),
            pulse_bpm: bpm(parts),
            drift_percent: super::grid::drift(&blocks(beats)),
        },
        late_s: phases.into_iter().map(|p| p.map(late)).collect(),
    })
}

/// Seconds a beat, over runs of eight beats: their middle and the period.
fn blocks(beats: &[(i64, f64)]) -> Vec<(f64, f64)> {
    let of = |run: &[(i64, f64)]| {
        let line = Line::fit(run.iter().map(|b| (b.0 as f64, b.1)))?;
        Some((line.mean_y, line.slope))
    };
    beats
        .chunks(8)
        .filter(|run| run.len() >= 4)
        .filter_map(of)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_click_is_followed_over_missing_and_extra_ticks() {
        let mut ticks: Vec<f64> = (0..60).map(|i| 1.0 + 0.4 * f64::from(i)).collect();
        ticks.remove(30);
        ticks.insert(10, 1.0 + 0.4 * 9.5);
        let found = beats(&ticks).unwrap();
        assert_eq!(found.len(), 59);
        assert_eq!(found.last().map(|b| b.0), Some(59));
    }

    #[test]
    fn uneven_ticks_are_no_click() {
        let mut rng = crate::dsp::random::Random::new(4);
        let mut at = 0.0;
        let ticks: Vec<f64> = (0..80)
            .map(|_| {
                at += rng.between(0.2, 0.9);
                at
            })
            .collect();
        assert_eq!(beats(&ticks), None);
        assert_eq!(beats(&ticks[..3]), None);
    }
}
