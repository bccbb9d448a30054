//! Drums and cymbals.

use std::f64::consts::{PI, TAU};

use super::rng::{Rng, ratio};

/// What one struck membrane sounds like.
#[derive(Clone, Debug)]
pub struct Drum {
    /// Lowest mode in hertz.
    pub fundamental_hz: f64,
    /// Frequencies of all modes over the lowest.
    pub ratios: Vec<f64>,
    /// Time in which each falls by 60 dB, in seconds.
    pub t60_s: Vec<f64>,
    /// Amplitude of each.
    pub gains: Vec<f64>,
    /// How much higher the pitch starts, as a fraction.
    pub glide: f64,
    /// Level of the click of the stick.
    pub stick: f64,
    /// Level of the wires.
    pub wires: f64,
}

impl Drum {
    /// The same drum, struck at another place by another stroke: partials differ by 2 dB, stick and
    /// wires by 3 dB.
    fn elsewhere(&self, rng: &mut Rng) -> Self {
        let mut drum = self.clone();
        for gain in &mut drum.gains[1..] {
            *gain *= ratio(rng.normal(2.0));
        }
        drum.stick *= ratio(rng.normal(3.0));
        drum.wires *= ratio(rng.normal(3.0));
        drum
    }

    /// One stroke of `seconds`, with random phases.
    pub fn stroke(&self, rng: &mut Rng, rate_hz: f64, seconds: f64) -> Vec<f64> {
        let count = (seconds * rate_hz) as usize;
        let mut y = vec![0.0; count];
        let glide_s = 0.03;
        for ((&r, &t60), &gain) in self.ratios.iter().zip(&self.t60_s).zip(&self.gains) {
            let phase = rng.uniform(0.0, TAU);
            for (i, y) in y.iter_mut().enumerate() {
                let t = i as f64 / rate_hz;
                let decay = (-6.907_755 * t / t60).exp();
                if decay < 1e-7 {
                    break;
                }
                let turns = self.fundamental_hz
                    * r
                    * (t + self.glide * glide_s * (1.0 - (-t / glide_s).exp()));
                *y += gain * decay * (TAU * turns + phase).sin();
            }
        }
        for (i, y) in y.iter_mut().enumerate() {
            let t = i as f64 / rate_hz;
            *y *= 1.0 - (-t / 0.0004).exp();
            if t < 0.04 {
                *y += self.stick * rng.normal(1.0) * (-t / 0.002).exp();
            }
        }
        if self.wires > 0.0 {
            let noise: Vec<f64> = (0..count.min((0.6 * rate_hz) as usize))
                .map(|_| rng.normal(1.0))
                .collect();
            let noise = band_pass(&noise, 1500.0, 11000.0, rate_hz);
            for (i, n) in noise.iter().enumerate() {
                y[i] += self.wires * n * (-(i as f64) / rate_hz / 0.05).exp();
            }
        }
        y
    }
}

/// A cymbal: noise in a band that dies away.
fn cymbal(rng: &mut Rng, rate_hz: f64, t60_s: f64, low_hz: f64, high_hz: f64) -> Vec<f64> {
    let count = (2.0 * rate_hz) as usize;
    let noise: Vec<f64> = (0..count).map(|_| rng.normal(1.0)).collect();
    let mut y = band_pass(&noise, low_hz, high_hz, rate_hz);
    for (i, y) in y.iter_mut().enumerate() {
        *y *= (-6.9 * i as f64 / rate_hz / t60_s).exp();
    }
    y
}

/// Second-order filter in place; `b` and `a` as usual, `a[0]` = 1.
pub(super) fn second_order(x: &mut [f64], b: [f64; 3], a: [f64; 3]) {
    let (mut s1, mut s2) = (0.0, 0.0);
    for x in x {
        let y = b[0] * *x + s1;
        s1 = b[1] * *x - a[1] * y + s2;
        s2 = b[2] * *x - a[2] * y;
        *x = y;
    }
}

fn butterworth(x: &mut [f64], freq_hz: f64, rate_hz: f64, high_pass: bool) {
    let k = (PI * freq_hz.min(0.45 * rate_hz) / rate_hz).tan();
    let norm = 1.0 / (1.0 + 2f64.sqrt() * k + k * k);
    let a = [
        1.0,
        2.0 * (k * k - 1.0) * norm,
        (1.0 - 2f64.sqrt() * k + k * k) * norm,
    ];
    let b = if high_pass {
        [norm, -2.0 * norm, norm]
    } else {
        [k * k * norm, 2.0 * k * k * norm, k * k * norm]
    };
    second_order(x, b, a);
}

/// Butterworth low-pass of the second order, in place.
pub(super) fn low_pass(x: &mut [f64], freq_hz: f64, rate_hz: f64) {
    butterworth(x, freq_hz, rate_hz, false);
}

/// Butterworth of the second order at both ends.
pub fn band_pass(x: &[f64], low_hz: f64, high_hz: f64, rate_hz: f64) -> Vec<f64> {
    let mut y = x.to_vec();
    butterworth(&mut y, low_hz, rate_hz, true);
    butterworth(&mut y, high_hz, rate_hz, false);
    y
}

/// First-order low-pass.
pub(super) fn one_pole(x: &[f64], freq_hz: f64, rate_hz: f64) -> Vec<f64> {
    let mut y = x.to_vec();
    let k = (PI * freq_hz / rate_hz).tan();
    let b = k / (1.0 + k);
    second_order(&mut y, [b, b, 0.0], [1.0, (k - 1.0) / (k + 1.0), 0.0]);
    y
}

/// Recorded or synthetic strokes of every voice, peak 1, several of each.
#[derive(Clone, Debug)]
pub struct Kit {
    /// By voice number.
    pub strokes: Vec<Vec<Vec<f64>>>,
    /// Frequency at which each tom rings along, by voice number (0: none).
    pub ring_hz: [f64; 7],
    /// Lowest mode of each drum, by voice number (0: none or unknown).
    pub fundamental_hz: [f64; 7],
    /// Frames a second.
    pub rate_hz: f64,
}

impl Kit {
    /// A synthetic kit; each seed has drums of another size, damping and sound.
    pub fn synthetic(seed: u64, rate_hz: f64) -> Self {
        let mut rng = Rng::new(seed);
        let r = &mut rng;
        let kick = Drum {
            fundamental_hz: r.uniform(48.0, 66.0),
            ratios: vec![1.0, r.uniform(1.6, 1.8), r.uniform(2.2, 2.6)],
            t60_s: vec![r.uniform(0.2, 0.45), 0.2, 0.15],
            gains: vec![1.0, r.uniform(0.2, 0.5), r.uniform(0.1, 0.4)],
            glide: r.uniform(0.1, 0.3),
            stick: r.uniform(0.15, 0.6),
            wires: 0.0,
        };
        let snare_t60 = r.uniform(0.15, 0.35);
        let snare = Drum {
            fundamental_hz: r.uniform(170.0, 265.0),
            ratios: vec![1.0, r.uniform(1.5, 1.75), r.uniform(2.1, 2.4)],
            t60_s: vec![snare_t60, snare_t60 * r.uniform(0.6, 1.0), 0.12],
            gains: vec![1.0, r.uniform(0.3, 0.9), r.uniform(0.1, 0.4)],
            glide: r.uniform(0.0, 0.04),
            stick: r.uniform(0.3, 0.8),
            wires: r.uniform(0.3, 0.8),
        };
        let tom = |r: &mut Rng, low: f64, high: f64| {
            let t60 = r.uniform(0.5, 1.3);
            Drum {
                fundamental_hz: r.uniform(low, high),
                ratios: vec![1.0, r.uniform(1.5, 1.65), r.uniform(2.0, 2.3)],
                t60_s: vec![t60, t60 * 0.75, t60 * 0.4],
                gains: vec![1.0, r.uniform(0.2, 0.6), r.uniform(0.1, 0.3)],
                glide: r.uniform(0.02, 0.08),
                stick: r.uniform(0.15, 0.5),
                wires: 0.0,
            }
        };
        let tom_1 = tom(r, 105.0, 150.0);
        let tom_2 = tom(r, 66.0, 95.0);
        let ring_hz = [
            0.0,
            0.0,
            tom_1.fundamental_hz,
            tom_2.fundamental_hz,
            0.0,
            0.0,
            0.0,
        ];
        let mut strokes: Vec<Vec<Vec<f64>>> = [&kick, &snare, &tom_1, &tom_2]
            .iter()
            .map(|d| {
                (0..4)
                    .map(|_| d.elsewhere(r).stroke(r, rate_hz, 1.5))
                    .collect()
            })
            .collect();
        for (t60, low, high, scatter) in [
            (0.25, 4000.0, 16000.0, 0.3),
            (2.5, 700.0, 16000.0, 0.3),
            (1.8, 1500.0, 14000.0, 0.3),
        ] {
            let (t60, low) = (
                t60 * r.uniform(1.0 - scatter, 1.0 + scatter),
                low * r.uniform(1.0 - scatter, 1.0 + scatter),
            );
            strokes.push((0..4).map(|_| cymbal(r, rate_hz, t60, low, high)).collect());
        }
        let mut kit = Self::from_strokes(strokes, ring_hz, rate_hz);
        for (hz, drum) in kit
            .fundamental_hz
            .iter_mut()
            .zip([&kick, &snare, &tom_1, &tom_2])
        {
            *hz = drum.fundamental_hz;
        }
        kit
    }

    /// From strokes by voice number.
    pub fn from_strokes(mut strokes: Vec<Vec<Vec<f64>>>, ring_hz: [f64; 7], rate_hz: f64) -> Self {
        for stroke in strokes.iter_mut().flatten() {
            let peak = stroke.iter().fold(1e-9f64, |m, x| m.max(x.abs()));
            let fade = stroke.len().min(480);
            let from = stroke.len() - fade;
            for (i, x) in stroke.iter_mut().enumerate() {
                *x /= peak;
                if i >= from {
                    *x *= 1.0 - (i - from) as f64 / fade as f64;
                }
            }
        }
        Self {
            strokes,
            fundamental_hz: ring_hz,
            ring_hz,
            rate_hz,
        }
    }
}
