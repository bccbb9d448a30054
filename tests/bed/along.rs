//! What sounds along with the strokes: heads in sympathy, talk.

use std::f64::consts::TAU;

use batterhead::dsp::random::Random;

use super::RATE_HZ;

/// Adds what a mode of this pitch makes of a drive.
pub fn resonate(drive: &[f32], hz: f64, t60_s: f64, gain: f32, out: &mut [f32]) {
    let w = TAU * hz / RATE_HZ;
    let q = (-6.908 / (t60_s * RATE_HZ)).exp();
    let (b, a1, a2) = (1.0 - q, 2.0 * q * w.cos(), q * q);
    let (mut y1, mut y2) = (0.0f64, 0.0f64);
    for (out, x) in out.iter_mut().zip(drive) {
        let y = b * f64::from(*x) + a1 * y1 - a2 * y2;
        (y2, y1) = (y1, y);
        *out += gain * y as f32;
    }
}

/// Brings what is loud in a signal (its 99.5 % quantile) to a level.
pub fn level(x: &mut [f32], to: f64) {
    let mut sorted: Vec<f32> = x.iter().step_by(7).map(|x| x.abs()).collect();
    sorted.sort_by(f32::total_cmp);
    let loud = f64::from(sorted[(sorted.len() as f64 * 0.995) as usize]).max(1e-9);
    x.iter_mut().for_each(|x| *x *= (to / loud) as f32);
}

/// Syllables: pulses through two formants that wander.
pub fn talk(frames: usize, seconds: f64, rng: &mut Random) -> Vec<f32> {
    let mut out = vec![0.0f32; frames];
    let mut at = 0.3;
    while at < seconds {
        let length = rng.between(0.08, 0.22);
        let (pitch, first, second) = (
            rng.between(95.0, 140.0),
            rng.between(300.0, 800.0),
            rng.between(900.0, 2_300.0),
        );
        let from = (at * RATE_HZ) as usize;
        let count = ((length * RATE_HZ) as usize).min(frames.saturating_sub(from));
        for i in 0..count {
            let t = i as f64 / RATE_HZ;
            let since = (t * pitch).fract() / pitch;
            let voiced = (TAU * first * since).sin() * (-since / 0.004).exp()
                + 0.5 * (TAU * second * since).sin() * (-since / 0.002).exp();
            let shape = (std::f64::consts::PI * t / length).sin();
            out[from + i] += (shape * (voiced + rng.normal(0.05))) as f32;
        }
        at += length + rng.between(0.03, 0.25);
    }
    out
}
