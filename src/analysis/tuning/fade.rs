//! How fast a partial fades: backward integration of its energy (Schroeder, JASA 37, 409, 1965;
//! ISO 3382-1). Drums fade fast at first and slower later, so one figure would be neither.

use std::f64::consts::TAU;

use serde::{Deserialize, Serialize};

use crate::units::round_to;

/// Falls that the two figures are read from, in decibels below the start.
const EARLY_DB: f64 = -10.0;
const LATE_DB: f64 = -25.0;
/// The end of the sound must lie this much lower still, or what is missing behind it would count.
const BEYOND_DB: f64 = 8.0;
/// The partial is told from its neighbours by a Hann window of so many of its periods: their
/// nearest, at 1.4 times its frequency, falls into the window's first zero.
const PERIODS: f64 = 5.0;

/// Times for 60 dB at the pace of a part of the fade; `None` where the sound was over before.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Fade {
    /// Over the first 10 dB, in seconds.
    pub early_s: Option<f64>,
    /// From 10 to 25 dB down.
    pub late_s: Option<f64>,
}

/// The fade of the partial at `freq_hz` from 2½ of its periods after the start of `sound` on, the
/// middle of the first window.
pub(crate) fn fade(sound: &[f64], rate_hz: f64, freq_hz: f64) -> Fade {
    let power = envelope(sound, rate_hz, freq_hz);
    let mut left = power.clone();
    for i in (1..left.len()).rev() {
        left[i - 1] += left[i];
    }
    let Some((&total, &last)) = left.first().zip(power.last()) else {
        return Fade::default();
    };
    let first = power.iter().copied().fold(0.0, f64::max);
    if total <= 0.0 || first <= 0.0 || !total.is_finite() {
        return Fade::default();
    }
    let fallen_db = 10.0 * (last / first).max(1e-30).log10();
    // the place where the curve passes a level, between two samples
    let when = |db: f64| {
        let level = |i: usize| 10.0 * (left[i] / total).max(1e-30).log10();
        let after = (1..left.len()).find(|&i| level(i) <= db)?;
        let (a, b) = (level(after - 1), level(after));
        Some((after as f64 - (db - b) / (a - b).max(1e-12)) / rate_hz)
    };
    let reached = |db: f64| when(db).filter(|_| fallen_db < db - BEYOND_DB);
    let early = reached(EARLY_DB);
    let late = reached(LATE_DB).zip(early).map(|(b, a)| b - a);
    Fade {
        early_s: early.map(|t| round_to(t * 60.0 / -EARLY_DB, 3)),
        late_s: late.map(|t| round_to(t * 60.0 / (EARLY_DB - LATE_DB), 3)),
    }
}

/// Power of the partial over time, only where the window lies wholly inside the sound.
fn envelope(sound: &[f64], rate_hz: f64, freq_hz: f64) -> Vec<f64> {
    let length = (PERIODS * rate_hz / freq_hz.max(1.0)).round() as usize;
    let window: Vec<f64> = (0..length)
        .map(|i| 1.0 - (TAU * (i as f64 + 0.5) / length as f64).cos())
        .collect();
    let turned: Vec<(f64, f64)> = (sound.iter().enumerate())
        .map(|(i, x)| {
            let angle = TAU * freq_hz * i as f64 / rate_hz;
            (x * angle.cos(), x * angle.sin())
        })
        .collect();
    let windows = turned.windows(length.max(1));
    windows
        .map(|piece| {
            let (mut re, mut im) = (0.0, 0.0);
            for ((a, b), w) in piece.iter().zip(&window) {
                re += a * w;
                im += b * w;
            }
            re * re + im * im
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: f64 = 2400.0;
    const LN_1000: f64 = 6.907_755_278_982_137;

    /// A partial that fades in one or two exponentials, with a neighbour at 1.59 times its frequency.
    fn partial(freq_hz: f64, parts: &[(f64, f64)], seconds: f64) -> Vec<f64> {
        (0..(seconds * RATE) as usize)
            .map(|i| {
                let t = i as f64 / RATE;
                let loud: f64 = parts
                    .iter()
                    .map(|(a, t60)| a * (-LN_1000 * t / t60).exp())
                    .sum();
                let beside = 0.4 * (-LN_1000 * t / 0.15).exp() * (TAU * freq_hz * 1.59 * t).sin();
                loud * (TAU * freq_hz * t).sin() + beside
            })
            .collect()
    }

    /// The same figures from the known envelope by backward integration in closed form, from
    /// `start_s` on.
    fn truth(parts: &[(f64, f64)], start_s: f64) -> (f64, f64) {
        let left = |t: f64| -> f64 {
            let t = t + start_s;
            let pairs = parts.iter().flat_map(|a| parts.iter().map(move |b| (a, b)));
            pairs
                .map(|(a, b)| {
                    let pace = LN_1000 * (1.0 / a.1 + 1.0 / b.1);
                    a.0 * b.0 * (-pace * t).exp() / pace
                })
                .sum()
        };
        let when = |db: f64| {
            let level = left(0.0) * 10f64.powf(db / 10.0);
            let (mut a, mut b) = (0.0, 10.0);
            for _ in 0..60 {
                let middle = 0.5 * (a + b);
                if left(middle) > level {
                    a = middle;
                } else {
                    b = middle;
                }
            }
            a
        };
        (6.0 * when(-10.0), 4.0 * (when(-25.0) - when(-10.0)))
    }

    #[test]
    fn known_decays_come_out_of_backward_integration() {
        for (freq_hz, parts, seconds, tolerance) in [
            (81.0, &[(1.0, 0.5)][..], 0.48, 0.01),
            (200.0, &[(1.0, 0.25)], 0.48, 0.01),
            (200.0, &[(1.0, 0.6)], 0.48, 0.01),
            (142.0, &[(1.0, 0.25), (0.25, 0.9)], 0.9, 0.02),
        ] {
            let found = fade(&partial(freq_hz, parts, seconds), RATE, freq_hz);
            // the middle of the first window is where the curve begins
            let (early, late) = truth(parts, 0.5 * PERIODS / freq_hz);
            let near = |found: Option<f64>, truth: f64, what: &str| {
                let found = found.expect(what);
                assert!(
                    (found / truth - 1.0).abs() < tolerance,
                    "{freq_hz} {what}: {found} {truth}"
                );
            };
            near(found.early_s, early, "early");
            near(found.late_s, late, "late");
            // one exponential has one pace, two have two
            assert_eq!(late > 1.2 * early, parts.len() == 2);
        }
    }

    #[test]
    fn a_fade_that_is_cut_off_is_not_guessed() {
        let short = fade(&partial(110.0, &[(1.0, 1.5)], 0.3), RATE, 110.0);
        assert_eq!(short, Fade::default());
        assert_eq!(fade(&[], RATE, 110.0), Fade::default());
        assert_eq!(fade(&[0.0; 700], RATE, 110.0), Fade::default());
        assert_eq!(fade(&[f64::NAN; 700], RATE, 110.0), Fade::default());
    }
}
