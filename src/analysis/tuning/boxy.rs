//! Where a drum sounds boxy: what stands out of its early ring between 250 and 600 Hz (common practice,
//! no source).
//!
//! The cut that takes it away is wide, so it is no single line that is looked for but where lines crowd:
//! the spectrum is smoothed to a quarter of an octave, in which both halves of the strokes have to agree.

use serde::{Deserialize, Serialize};

use crate::analysis::attribution::take::TakeEvidence;
use crate::analysis::tuning::ring::{faded, power};
use crate::dsp::vertex;
use crate::units::{power_to_db, round_to};

/// The sound of a stroke that it is read from, in seconds after it: the stick is gone by then.
pub(crate) const WINDOW_S: (f64, f64) = (0.020, 0.120);
/// Where it may lie, in hertz.
const RANGE_HZ: (f64, f64) = (250.0, 600.0);
/// Nor so near to the fundamental: the first overtone of a head, at 1.6 times that, is its ring.
const OVER_FUNDAMENTAL: f64 = 1.8;
/// Lines an octave, and so many all together: a third of an octave more than the range on either side.
const STEPS: f64 = 24.0;
const LINES: usize = 47;
/// The surroundings that it stands out of, in lines: a third of an octave on either side.
const AROUND: usize = 8;
/// Full width at half height of what smooths the spectrum, in lines: a quarter of an octave.
const WIDTH: f64 = 6.0;
/// So far it stands above the lowest place of its surroundings on either side, in decibels,
const STANDS_DB: f64 = 2.0;
/// and no further under the strongest in the range.
const UNDER_DB: f64 = 6.0;
/// Both halves of the strokes have it within this (logarithm of the ratio).
const SAME: f64 = 0.06;
/// Strokes that it needs.
const LEAST_HITS: usize = 4;

/// The early ring of a drum where it may sound boxy: power by log frequency.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Body {
    strokes: usize,
    /// Of every other stroke, and of those between.
    halves: [Vec<f32>; 2],
}

/// What stands out of the early ring of a drum where it may sound boxy.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BoxyPartial {
    /// Label of the track that it was read from.
    pub label: String,
    /// Where it lies.
    pub hz: f64,
    /// How far it stands out, in decibels.
    pub stands_db: f64,
    /// Strokes that it rests on.
    pub hits: usize,
}

impl Body {
    /// Adds a stroke, as much as it counts, by its sound within [`WINDOW_S`].
    pub(crate) fn add(&mut self, sound: &[f64], rate_hz: f64, weight: f64) {
        let faded = faded(sound);
        let powers: Vec<f64> = (0..LINES)
            .map(|k| power(&faded, rate_hz, hz(k as f64)))
            .collect();
        let sum: f64 = powers.iter().sum();
        if !sum.is_normal() {
            return;
        }
        let half = &mut self.halves[self.strokes % 2];
        half.resize(LINES, 0.0);
        for (all, power) in half.iter_mut().zip(powers) {
            *all += (weight * power / sum) as f32;
        }
        self.strokes += 1;
    }

    /// The strokes of several takes, again in two halves of as many.
    fn join<'b>(bodies: impl Iterator<Item = &'b Self>) -> Self {
        let mut all = Self::default();
        for body in bodies {
            let next = all.strokes % 2;
            for (i, half) in body.halves.iter().enumerate() {
                let sum = &mut all.halves[(i + next) % 2];
                sum.resize(sum.len().max(half.len()), 0.0);
                sum.iter_mut().zip(half).for_each(|(all, x)| *all += x);
            }
            all.strokes += body.strokes;
        }
        all
    }

    /// Where it stands out, and by how many decibels; `None` where nothing does or the halves differ.
    fn stands_out(&self, fundamental_hz: Option<f64>) -> Option<(f64, f64)> {
        let least_hz = fundamental_hz.map_or(0.0, |hz| hz * OVER_FUNDAMENTAL);
        let [a, b] = &self.halves;
        let whole: Vec<f32> = a.iter().zip(b).map(|(a, b)| a + b).collect();
        let (hz, stands_db) = peak(&whole, least_hz)?;
        let same = |half: &Vec<f32>| {
            peak(half, least_hz).is_some_and(|(own, _)| (own / hz).ln().abs() < SAME)
        };
        let clear = self.strokes >= LEAST_HITS && stands_db >= STANDS_DB;
        (clear && self.halves.iter().all(same)).then_some((hz, stands_db))
    }
}

/// The boxy partial of a drum over the takes of a set-up, from one of its tracks.
pub(crate) fn boxy(
    takes: &[&TakeEvidence],
    label: &str,
    fundamental_hz: Option<f64>,
) -> Option<BoxyPartial> {
    let tracks = takes.iter().flat_map(|take| &take.tracks);
    let own = tracks.filter(|track| track.label == label);
    let body = Body::join(own.map(|track| &track.ring.body));
    let (hz, stands_db) = body.stands_out(fundamental_hz)?;
    Some(BoxyPartial {
        label: label.to_owned(),
        hz: round_to(hz, 1),
        stands_db: round_to(stands_db, 1),
        hits: body.strokes,
    })
}

/// Frequency of a line.
fn hz(line: f64) -> f64 {
    RANGE_HZ.0 * ((line - AROUND as f64) / STEPS).exp2()
}

/// The strongest peak of a smoothed spectrum in the range and above `least_hz`, and how far it stands out.
fn peak(powers: &[f32], least_hz: f64) -> Option<(f64, f64)> {
    if powers.len() != LINES {
        return None;
    }
    let smooth = smoothed_db(powers);
    let inside = |k: &usize| hz(*k as f64) >= least_hz.max(RANGE_HZ.0 - 0.1);
    let range = || (AROUND..LINES - AROUND).filter(inside);
    let most = range().map(|k| smooth[k]).fold(f64::MIN, f64::max);
    let peaks = range().filter(|&k| smooth[k] > smooth[k - 1] && smooth[k] >= smooth[k + 1]);
    let top = peaks.max_by(|&a, &b| smooth[a].total_cmp(&smooth[b]).then(b.cmp(&a)))?;
    if smooth[top] < most - UNDER_DB {
        return None;
    }
    let lowest = |part: &[f64]| part.iter().copied().fold(f64::MAX, f64::min);
    let below = lowest(&smooth[top - AROUND..top]);
    let above = lowest(&smooth[top + 1..=top + AROUND]);
    let off = vertex(smooth[top - 1], smooth[top], smooth[top + 1]).unwrap_or(0.0);
    Some((hz(top as f64 + off), smooth[top] - below.max(above)))
}

/// A spectrum as a filter of a quarter of an octave would give it, in decibels.
fn smoothed_db(powers: &[f32]) -> Vec<f64> {
    let weight = |from: usize, to: usize| {
        let widths = (from as f64 - to as f64) / WIDTH;
        (-4.0 * std::f64::consts::LN_2 * widths * widths).exp()
    };
    let at = |k: usize| {
        let (mut sum, mut all) = (0.0, 0.0);
        for (i, power) in powers.iter().enumerate() {
            sum += weight(i, k) * f64::from(*power);
            all += weight(i, k);
        }
        power_to_db((sum / all).max(1e-30)).unwrap_or(-300.0)
    };
    (0..powers.len()).map(at).collect()
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;
    use crate::dsp::random::Random;

    const RATE_HZ: f64 = 2400.0;

    /// The early ring of a stroke: a fundamental, overtones, noise, and a partial where one is given.
    fn stroke(random: &mut Random, boxy_hz: Option<f64>) -> Vec<f64> {
        let mut partials = vec![(130.0, 1.0), (207.0, 0.5)];
        partials.extend(boxy_hz.map(|hz| (hz, 0.3)));
        let phases: Vec<f64> = partials.iter().map(|_| random.between(0.0, TAU)).collect();
        let force = random.between(0.1, 1.0);
        (0..240)
            .map(|i| {
                let t = f64::from(i) / RATE_HZ;
                let one = |(&(hz, gain), phase): (&(f64, f64), &f64)| {
                    gain * (-t / 0.08).exp() * (TAU * hz * t + phase).sin()
                };
                let ring: f64 = partials.iter().zip(&phases).map(one).sum();
                force * (ring + random.normal(0.02))
            })
            .collect()
    }

    fn body(random: &mut Random, strokes: &[Option<f64>]) -> Body {
        let mut body = Body::default();
        for hz in strokes {
            body.add(&stroke(random, *hz), RATE_HZ, 20.0);
        }
        body
    }

    #[test]
    fn a_partial_that_was_planted_is_found_within_two_percent() {
        let mut random = Random::new(11);
        for hz in [290.0, 330.0, 405.0, 477.0, 580.0] {
            let body = body(&mut random, &[Some(hz); 6]);
            let (found, stands_db) = body.stands_out(Some(130.0)).expect("a partial");
            assert!((found / hz - 1.0).abs() < 0.02, "{found} {hz}");
            assert!(stands_db > 4.0, "{stands_db} {hz}");
        }
    }

    #[test]
    fn noise_few_strokes_and_halves_that_differ_have_none() {
        let mut random = Random::new(12);
        for _ in 0..20 {
            assert_eq!(body(&mut random, &[None; 8]).stands_out(Some(130.0)), None);
        }
        assert_eq!(body(&mut random, &[Some(400.0); 3]).stands_out(None), None);
        assert_eq!(Body::default().stands_out(None), None);
        let every_other = [Some(300.0), Some(460.0)].repeat(4);
        assert_eq!(body(&mut random, &every_other).stands_out(None), None);
        // the ring of the head itself
        let near = body(&mut random, &[Some(400.0); 6]);
        assert!(near.stands_out(Some(220.0)).is_some());
        assert_eq!(near.stands_out(Some(240.0)), None);
    }

    #[test]
    fn single_strokes_of_many_takes_come_in_two_halves_too() {
        let mut random = Random::new(13);
        let takes: Vec<Body> = (0..4).map(|_| body(&mut random, &[Some(350.0)])).collect();
        let all = Body::join(takes.iter());
        assert_eq!(all.strokes, 4);
        assert!(all.stands_out(None).is_some());
    }
}
