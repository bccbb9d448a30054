//! How much higher a drum rings in one take than in another: all that rings, laid on that of the other
//! take by a shift in log frequency. The difference of two takes is known far better than the pitch of
//! either: partials, wires and the bottom head pull both pitches alike.

use std::f64::consts::{PI, TAU};

use serde::{Deserialize, Serialize};

use crate::analysis::tuning::boxy::Body;
use crate::dsp::vertex;

/// Steps an octave: ten cents each.
const STEPS: f64 = 120.0;
/// From this times the lowest fundamental up to this times the highest.
const SPAN: (f64, f64) = (0.8, 2.0);
/// No head is turned by more steps within a set-up (10 %).
const MOST: usize = 17;
/// What the shape of two rings counts beside their single lines.
const SHAPE: f64 = 10.0;
/// Steps on either side that a single line stands out from.
const AROUND: usize = 12;
/// What lies so far under the strongest line (20 dB) hardly counts.
const FAINT: f32 = 0.1;
/// Two rings whose shapes correlate less are not of one drum.
const ALIKE: f64 = 0.85;

/// Amplitude by log frequency, summed over strokes.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Ring {
    /// Strokes that it is made of.
    pub strokes: usize,
    /// How much they count all together.
    pub weight: f64,
    /// Of every other stroke, and of those between.
    halves: [Vec<f32>; 2],
    /// What of it may sound boxy.
    pub(crate) body: Body,
}

impl Ring {
    /// Adds a stroke's ring by its [`lines`], as much as it counts; they are as many each time.
    pub(crate) fn add(&mut self, lines: &[(f64, f64)], weight: f64) {
        let norm = lines.iter().map(|(_, a)| a * a).sum::<f64>().sqrt();
        if !norm.is_normal() {
            return;
        }
        let half = &mut self.halves[self.strokes % 2];
        half.resize(lines.len(), 0.0);
        for (sum, (_, a)) in half.iter_mut().zip(lines) {
            *sum += (weight * a / norm) as f32;
        }
        self.strokes += 1;
        self.weight += weight;
    }

    /// Of all strokes.
    fn whole(&self) -> Vec<f32> {
        let [mut whole, more] = self.halves.clone();
        whole.iter_mut().zip(more).for_each(|(a, b)| *a += b);
        whole
    }

    /// By which ratio this ring is higher than another; `None` where they are not alike.
    pub(crate) fn over(&self, other: &Ring) -> Option<f64> {
        over(&self.whole(), &other.whole())
    }

    /// How far that ratio is to be trusted, as a share: half of what the two halves of the strokes
    /// differ by.
    pub(crate) fn unsure(&self, other: &Ring) -> Option<f64> {
        let other = other.whole();
        let [a, b] = &self.halves;
        Some(0.5 * (over(a, &other)? / over(b, &other)?).ln().abs())
    }
}

/// Amplitude by frequency of a stroke's ring, for a drum whose fundamental lies in `range_hz`.
pub(crate) fn lines(sound: &[f64], rate_hz: f64, range_hz: (f64, f64)) -> Vec<(f64, f64)> {
    let faded = faded(sound);
    let (low, high) = (SPAN.0 * range_hz.0, SPAN.1 * range_hz.1);
    let bins = ((high / low).log2() * STEPS) as usize;
    (0..bins)
        .map(|k| low * (k as f64 / STEPS).exp2())
        .map(|hz| (hz, power(&faded, rate_hz, hz).sqrt()))
        .collect()
}

/// By which ratio `a` is higher than `b`: where the shapes of both lie on each other, and the single
/// lines in them. The shape alone is drawn off by whatever stands still beside the drum (bleed, the room),
/// and by which partial a stroke makes the loudest.
fn over(a: &[f32], b: &[f32]) -> Option<f64> {
    if a.is_empty() || a.len() != b.len() {
        return None;
    }
    let [single_a, single_b] = [a, b].map(single);
    let most = MOST as i64;
    let fits: Vec<f64> = (-most..=most)
        .map(|s| SHAPE * fit(a, b, s) + fit(&single_a, &single_b, s))
        .collect();
    let top = (0..fits.len()).max_by(|&i, &j| fits[i].total_cmp(&fits[j]))?;
    let (&before, &after) = (fits.get(top.checked_sub(1)?)?, fits.get(top + 1)?);
    let steps = top as i64 - most;
    if fit(a, b, steps) < ALIKE {
        return None;
    }
    let steps = steps as f64 + vertex(before, fits[top], after)?;
    Some((steps / STEPS).exp2())
}

/// How far each step stands out from those around it, whatever its level: logarithms over their mean.
fn single(amplitudes: &[f32]) -> Vec<f32> {
    let top = amplitudes.iter().copied().fold(0.0, f32::max);
    let logs: Vec<f32> = amplitudes.iter().map(|a| (a / top + FAINT).ln()).collect();
    let around = |k: usize| &logs[k.saturating_sub(AROUND)..(k + AROUND + 1).min(logs.len())];
    let mean = |part: &[f32]| part.iter().sum::<f32>() / part.len() as f32;
    (0..logs.len()).map(|k| logs[k] - mean(around(k))).collect()
}

/// Correlation of `a`, moved down by `steps`, with `b`.
fn fit(a: &[f32], b: &[f32], steps: i64) -> f64 {
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for (k, b) in b.iter().enumerate() {
        let at = usize::try_from(k as i64 + steps).ok();
        if let Some(a) = at.and_then(|at| a.get(at)) {
            let (a, b) = (f64::from(*a), f64::from(*b));
            ab += a * b;
            aa += a * a;
            bb += b * b;
        }
    }
    ab / (aa * bb).sqrt().max(1e-30)
}

/// A piece of sound, faded in and out by a raised cosine.
pub(crate) fn faded(sound: &[f64]) -> Vec<f64> {
    let count = sound.len() as f64;
    let fade = |i: usize| (PI * (i as f64 + 0.5) / count).sin().powi(2);
    sound.iter().enumerate().map(|(i, x)| x * fade(i)).collect()
}

/// The power of a sound at one frequency, by Goertzel's recurrence.
pub(crate) fn power(sound: &[f64], rate_hz: f64, freq_hz: f64) -> f64 {
    let (sin, cos) = (TAU * freq_hz / rate_hz).sin_cos();
    let (mut a, mut b) = (0.0, 0.0);
    for x in sound {
        (a, b) = (x + 2.0 * cos * a - b, a);
    }
    (a - cos * b).powi(2) + (sin * b).powi(2)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::random::Random;

    const RATE: f64 = 2400.0;

    /// Three partials of random force and phase, and noise 26 dB below.
    fn stroke(rng: &mut Random, freq_hz: f64) -> Vec<f64> {
        let mut sound: Vec<f64> = (0..432).map(|_| rng.normal(0.05)).collect();
        for (times, gain) in [(1.0, 1.0), (1.52, 0.6), (1.9, 0.4)] {
            let (phase, gain) = (rng.between(0.0, TAU), gain * rng.between(0.5, 1.5));
            for (i, y) in sound.iter_mut().enumerate() {
                let t = i as f64 / RATE;
                *y += gain * (-t / 0.06).exp() * (TAU * freq_hz * times * t + phase).sin();
            }
        }
        sound
    }

    fn ring(rng: &mut Random, freq_hz: f64, strokes: usize) -> Ring {
        let mut ring = Ring::default();
        for _ in 0..strokes {
            ring.add(&lines(&stroke(rng, freq_hz), RATE, (130.0, 420.0)), 1.0);
        }
        ring
    }

    #[test]
    fn a_head_that_was_turned_is_found_to_a_thousandth() {
        let mut rng = Random::new(5);
        for ratio in [0.93, 0.985, 1.0, 1.012, 1.06] {
            let before = ring(&mut rng, 205.0, 8);
            let after = ring(&mut rng, 205.0 * ratio, 8);
            let found = after.over(&before).expect("alike");
            assert!((found / ratio - 1.0).abs() < 0.0015, "{found} {ratio}");
            let unsure = after.unsure(&before).expect("two halves");
            assert!(unsure < 0.0015, "{unsure} {ratio}");
        }
    }

    #[test]
    fn rings_of_two_drums_and_nothing_are_not_compared() {
        let mut rng = Random::new(6);
        let (a, b) = (ring(&mut rng, 180.0, 6), ring(&mut rng, 300.0, 6));
        assert_eq!(a.over(&b), None);
        assert_eq!(a.over(&Ring::default()), None);
        assert_eq!(Ring::default().over(&a), None);
        let mut silent = Ring::default();
        silent.add(&lines(&[0.0; 400], RATE, (130.0, 420.0)), 1.0);
        assert_eq!(silent, Ring::default());
    }
}
