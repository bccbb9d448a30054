//! Two mics of one drum with a known delay and polarity.

use std::f64::consts::TAU;

use realfft::RealFftPlanner;

use super::play::Voice;
use super::rng::{Rng, ratio};
use super::room::{mix_paths, path};
use super::sound::{Kit, band_pass, low_pass};
use crate::analysis::PairKind;

/// Both mics, and what is true of them.
#[derive(Clone, Debug)]
pub struct Couple {
    /// What each hears.
    pub sound: [Vec<f64>; 2],
    /// First samples of the strokes.
    pub hits: Vec<usize>,
    /// How much later the second hears; a darker mic is later by its group delay.
    pub delay_samples: f64,
    /// Whether the second is turned over.
    pub inverted: bool,
}

/// Records `count` strokes of a drum with two mics: early reflections, bleed of another drum, and
/// between the mics a random smooth response of 3 dB and 0.6 rad per half octave times `colour`.
pub fn couple(
    kit: &Kit,
    kind: PairKind,
    count: usize,
    bleed_db: f64,
    colour: f64,
    rng: &mut Rng,
) -> Couple {
    let rate = kit.rate_hz;
    let gap = (0.35 * rate) as usize;
    let frames = (count + 1) * gap;
    let voice = match kind {
        PairKind::Kick => Voice::Kick,
        PairKind::Snare => Voice::Snare,
        _ if rng.index(2) == 0 => Voice::Snare,
        _ => Voice::Tom1,
    };
    let other = if voice == Voice::Kick {
        Voice::Snare
    } else {
        Voice::Kick
    };
    let at_48k = |samples: f64| samples * rate / 48_000.0;
    let delay = at_48k(match kind {
        PairKind::Snare | PairKind::Tom => rng.uniform(5.0, 40.0),
        PairKind::Kick => rng.uniform(20.0, 90.0),
        PairKind::CloseOverhead => rng.uniform(90.0, 300.0),
        PairKind::Sides => rng.uniform(-40.0, 40.0),
    });
    let inverted = rng.index(2) == 0;
    let sign = if inverted { -1.0 } else { 1.0 };
    let (mut a, mut b) = (vec![0.0; frames], vec![0.0; frames]);
    let mut starts = Vec::new();
    let dark_hz = match kind {
        PairKind::Snare => Some(2500.0),
        PairKind::Kick => Some(900.0),
        _ => None,
    };
    for i in 0..count {
        let strokes = &kit.strokes[voice as usize];
        let stroke = &strokes[rng.index(strokes.len())];
        let force = rng.uniform(0.5, 1.0);
        let at = gap / 2 + i * gap;
        starts.push(at);
        let length = stroke.len().min(frames - at);
        let mut heard: Vec<f64> = stroke[..length].iter().map(|x| x * force).collect();
        for (y, x) in a[at..].iter_mut().zip(&heard) {
            *y += x;
        }
        if let Some(freq) = dark_hz {
            low_pass(&mut heard, freq, rate);
        }
        if kind == PairKind::Snare {
            // wires are heard from below only, and are not what the upper mic hears
            let noise: Vec<f64> = (0..length.min((0.5 * rate) as usize))
                .map(|_| rng.normal(1.0))
                .collect();
            for (i, (y, n)) in heard
                .iter_mut()
                .zip(band_pass(&noise, 1500.0, 9000.0, rate))
                .enumerate()
            {
                *y += sign * 0.35 * force * n * (-(i as f64) / rate / 0.06).exp();
            }
        }
        for (y, x) in b[at..].iter_mut().zip(&heard) {
            *y += x;
        }
    }
    if colour > 0.0 {
        b = coloured(&b, colour, rate, rng);
    }
    let near = matches!(kind, PairKind::Snare | PairKind::Kick);
    let (echoes, strength) = if near { (3, 0.35) } else { (7, 0.8) };
    // both start later by this, so that delays may be negative
    let lead = 64.0;
    let a_path = if kind == PairKind::Sides {
        room(lead, echoes, strength, rate, rng)
    } else {
        direct(lead, rate, rng)
    };
    let b_path = room(lead + delay, echoes, strength, rate, rng);
    let mut bleed = vec![0.0; frames];
    for _ in 0..count * 2 {
        let strokes = &kit.strokes[other as usize];
        let stroke = &strokes[rng.index(strokes.len())];
        let at = rng.index(frames - 2000);
        for (y, x) in bleed[at..].iter_mut().zip(stroke) {
            *y += x;
        }
    }
    let peak = |x: &[f64]| x.iter().fold(0.0f64, |m, x| m.max(x.abs()));
    let late = direct(lead + rng.uniform(0.0, 200.0), rate, rng);
    let far = mix_paths(&[(bleed.clone(), late)], frames);
    a = mix_paths(&[(a, a_path)], frames);
    b = mix_paths(&[(b, b_path)], frames);
    let (pa, pb) = (peak(&a), peak(&b));
    for (y, x) in a.iter_mut().zip(&bleed) {
        *y += ratio(bleed_db) * pa * x + rng.normal(pa * 1e-3);
    }
    for (y, x) in b.iter_mut().zip(&far) {
        *y = sign * *y + ratio(bleed_db) * pb * x + rng.normal(pb * 1e-3);
    }
    let group = dark_hz.map_or(0.0, |f| 2f64.sqrt() * rate / (TAU * f));
    Couple {
        sound: [a, b],
        hits: starts.iter().map(|s| s + lead as usize).collect(),
        delay_samples: delay + group,
        inverted,
    }
}

/// A delay alone.
fn direct(delay: f64, rate: f64, rng: &mut Rng) -> Vec<f64> {
    let mut h = path(delay, None, 0.0, rate, rng);
    h.truncate(delay as usize + 64);
    h
}

/// A delay, early reflections in the first 9 ms, and a short diffuse tail.
fn room(delay: f64, echoes: usize, strength: f64, rate: f64, rng: &mut Rng) -> Vec<f64> {
    let one = direct(delay, rate, rng);
    let count = (0.03 * rate) as usize;
    let mut h = vec![0.0; one.len() + count];
    let mut add = |at: usize, gain: f64| {
        for (y, x) in h[at..].iter_mut().zip(&one) {
            *y += gain * x;
        }
    };
    add(0, 1.0);
    for _ in 0..echoes {
        let ms = rng.uniform(0.4, 9.0);
        let sign = if rng.index(2) == 0 { -1.0 } else { 1.0 };
        let gain = strength * rng.uniform(0.3, 1.0) * (-ms / 8.0).exp();
        add((ms * rate / 1000.0) as usize, sign * gain);
    }
    let noise: Vec<f64> = (0..count)
        .map(|i| {
            if i < (0.003 * rate) as usize {
                0.0
            } else {
                rng.normal((-6.9 * i as f64 / rate / 0.3).exp())
            }
        })
        .collect();
    let tail = band_pass(&noise, 120.0, 9000.0, rate);
    let norm = tail.iter().map(|x| x * x).sum::<f64>().sqrt();
    for (y, x) in h[delay as usize..].iter_mut().zip(tail) {
        *y += 0.25 * x / norm;
    }
    h
}

/// A random smooth response: a knot every half octave.
fn coloured(x: &[f64], strength: f64, rate: f64, rng: &mut Rng) -> Vec<f64> {
    let size = (x.len() + (rate / 10.0) as usize).next_power_of_two();
    let knots: Vec<(f64, f64)> = (0..20)
        .map(|_| (rng.normal(3.0 * strength), rng.normal(0.6 * strength)))
        .collect();
    let mut planner = RealFftPlanner::<f64>::new();
    let (forward, inverse) = (
        planner.plan_fft_forward(size),
        planner.plan_fft_inverse(size),
    );
    let mut input = forward.make_input_vec();
    input[..x.len()].copy_from_slice(x);
    let mut bins = forward.make_output_vec();
    let _ = forward.process(&mut input, &mut bins);
    let last = bins.len() - 1;
    for (k, bin) in bins.iter_mut().enumerate() {
        let f = (k as f64 * rate / size as f64).max(20.0);
        let at = (2.0 * (f / 30.0).log2()).clamp(0.0, 18.999);
        let (i, u) = (at as usize, at.fract());
        let db = knots[i].0 + (knots[i + 1].0 - knots[i].0) * u;
        let phase = knots[i].1 + (knots[i + 1].1 - knots[i].1) * u;
        *bin *= realfft::num_complex::Complex::from_polar(ratio(db), phase);
        if k == 0 || k == last {
            bin.im = 0.0;
        }
    }
    let mut out = inverse.make_output_vec();
    let _ = inverse.process(&mut bins, &mut out);
    out.truncate(x.len());
    out.iter_mut().for_each(|x| *x /= size as f64);
    out
}
