//! Microphones in a room.

use std::f64::consts::{PI, TAU};

use realfft::RealFftPlanner;

use super::play::{SOUND_M_S, Stroke, VOICES, Voice, distance};
use super::rng::{Rng, ratio};
use super::sound::{Kit, band_pass, one_pole, second_order};
use crate::session::Family;

/// A simulated microphone.
#[derive(Clone, Debug)]
pub struct SimMic {
    /// `kick-in`, `overhead-l`, …
    pub name: &'static str,
    /// Its family.
    pub family: Family,
    /// The drum that it stands at.
    pub voice: Option<Voice>,
    /// What it heard.
    pub samples: Vec<f64>,
    /// What it would have heard without any other drum.
    pub own: Vec<f64>,
}

/// A simulated take.
#[derive(Clone, Debug)]
pub struct SimTake {
    /// Frames a second.
    pub rate_hz: u32,
    /// Close mics and overheads.
    pub mics: Vec<SimMic>,
    /// What was played; times are those of the stroke, a close mic hears it 0.2 ms later.
    pub strokes: Vec<Stroke>,
}

/// How a take is recorded.
#[derive(Clone, Copy, Debug)]
pub struct Rig {
    /// Peak of every foreign drum in a close mic over that mic's own at equal force, ± 3 dB a path;
    /// cymbals are 2 dB hotter.
    pub bleed_db: f64,
    /// Level of the noise.
    pub noise_db: f64,
    /// Level at which toms ring along.
    pub sympathy_db: f64,
    /// Scatter of level and balance of each stroke's bleed.
    pub scatter_db: f64,
    /// Length in seconds.
    pub seconds: f64,
    /// Decides levels, low-passes and tails of all paths: takes with one number share a room.
    pub room: u64,
}

impl Rig {
    /// The usual difficulty at this bleed.
    pub fn with_bleed(bleed_db: f64) -> Self {
        Self {
            bleed_db,
            noise_db: -70.0,
            sympathy_db: -26.0,
            scatter_db: 1.5,
            seconds: 24.0,
            room: 0,
        }
    }
}

/// Peak level of a stroke of force 1 in its own mic.
const OWN_PEAK: f64 = 0.4;

/// Strokes of one voice in a row; `scatter_db` > 0 varies level and balance from stroke to stroke.
fn dry(
    kit: &Kit,
    strokes: &[(usize, usize, f64)],
    voice: usize,
    frames: usize,
    scatter_db: f64,
    rng: &mut Rng,
) -> Vec<f64> {
    let mut y = vec![0.0; frames];
    let low: Vec<Vec<f64>> = if scatter_db > 0.0 {
        kit.strokes[voice]
            .iter()
            .map(|s| one_pole(s, 500.0, kit.rate_hz))
            .collect()
    } else {
        Vec::new()
    };
    for &(at, variant, force) in strokes {
        let sound = &kit.strokes[voice][variant];
        let mut gain = force;
        let mut tilt = 0.0;
        if scatter_db > 0.0 {
            tilt = rng.normal(scatter_db * 0.12);
            gain *= ratio(rng.normal(scatter_db));
        }
        let end = frames.min(at + sound.len());
        for (i, y) in y[at..end].iter_mut().enumerate() {
            let mut x = sound[i];
            if scatter_db > 0.0 {
                x += low[variant][i] * tilt;
            }
            *y += x * gain;
        }
    }
    y
}

/// Impulse response of a path: a delay in samples (any fraction), an optional low-pass, a tail.
pub(super) fn path(
    delay: f64,
    low_pass_hz: Option<f64>,
    tail: f64,
    rate_hz: f64,
    rng: &mut Rng,
) -> Vec<f64> {
    let mut direct = vec![0.0; delay as usize + 64];
    let half = 16;
    let whole = delay.floor();
    for k in -half..=half {
        let x = f64::from(k) - (delay - whole);
        let sinc = if x.abs() < 1e-12 {
            1.0
        } else {
            (PI * x).sin() / (PI * x)
        };
        let window = 0.5 + 0.5 * (PI * x / f64::from(half + 1)).cos();
        let at = whole + f64::from(k);
        if at >= 0.0 {
            direct[at as usize] += sinc * window;
        }
    }
    if let Some(freq) = low_pass_hz {
        direct = one_pole(&direct, freq, rate_hz);
    }
    let count = (0.25 * rate_hz) as usize;
    let mut room: Vec<f64> = (0..count)
        .map(|i| rng.normal(1.0) * (-6.9 * i as f64 / rate_hz / 0.35).exp())
        .collect();
    room[..(0.003 * rate_hz) as usize].fill(0.0);
    let room = band_pass(&room, 120.0, 9000.0, rate_hz);
    let norm = room.iter().map(|x| x * x).sum::<f64>().sqrt();
    let from = delay as usize;
    direct.resize(from + count, 0.0);
    for (i, x) in room.iter().enumerate() {
        direct[from + i] += tail * x / norm;
    }
    direct
}

/// Adds signals convolved with their paths, block by block in the frequency domain.
pub(super) fn mix_paths(parts: &[(Vec<f64>, Vec<f64>)], frames: usize) -> Vec<f64> {
    const SIZE: usize = 32_768;
    let longest = parts.iter().map(|(_, h)| h.len()).max().unwrap_or(1);
    let hop = SIZE - longest;
    let mut planner = RealFftPlanner::<f64>::new();
    let (forward, inverse) = (
        planner.plan_fft_forward(SIZE),
        planner.plan_fft_inverse(SIZE),
    );
    let spectrum = |x: &[f64]| {
        let mut buffer = forward.make_input_vec();
        buffer[..x.len()].copy_from_slice(x);
        let mut out = forward.make_output_vec();
        let _ = forward.process(&mut buffer, &mut out);
        out
    };
    let paths: Vec<_> = parts.iter().map(|(_, h)| spectrum(h)).collect();
    let mut y = vec![0.0; frames];
    for from in (0..frames).step_by(hop) {
        let mut sum = forward.make_output_vec();
        for ((x, _), h) in parts.iter().zip(&paths) {
            let part = &x[from..frames.min(from + hop)];
            if part.iter().all(|&x| x == 0.0) {
                continue;
            }
            for ((s, a), b) in sum.iter_mut().zip(spectrum(part)).zip(h) {
                *s += a * b;
            }
        }
        let mut out = inverse.make_output_vec();
        let _ = inverse.process(&mut sum, &mut out);
        for (y, x) in y[from..].iter_mut().zip(&out) {
            *y += x / SIZE as f64;
        }
    }
    y
}

/// Sums two resonances of a drum, driven by others.
fn resonate(drive: &[f64], freq_hz: f64, rate_hz: f64) -> Vec<f64> {
    let mut y = vec![0.0; drive.len()];
    for factor in [1.0, 1.55] {
        let w = TAU * freq_hz * factor / rate_hz;
        let q = (-6.9 / (0.7 * rate_hz)).exp();
        let mut x = drive.to_vec();
        second_order(
            &mut x,
            [1.0 - q, 0.0, 0.0],
            [1.0, -2.0 * q * w.cos(), q * q],
        );
        for (y, x) in y.iter_mut().zip(x) {
            *y += x;
        }
    }
    y
}

/// Records a performance: `kick-in`, `snare-top`, `tom-1`, `tom-2`, `overhead-l`, `overhead-r`.
pub fn record(kit: &Kit, strokes: &[Stroke], rig: Rig, rng: &mut Rng) -> SimTake {
    let rate = kit.rate_hz;
    let frames = (rig.seconds * rate) as usize;
    let mut plan: Vec<Vec<(usize, usize, f64)>> = vec![Vec::new(); VOICES.len()];
    let mut played = Vec::new();
    for s in strokes {
        let at = (s.at_s * rate).round() as usize;
        if at + 64 < frames {
            let voice = s.voice as usize;
            plan[voice].push((at, rng.index(kit.strokes[voice].len()), s.force));
            played.push(Stroke {
                at_s: at as f64 / rate,
                ..*s
            });
        }
    }
    let clean: Vec<Vec<f64>> = (0..VOICES.len())
        .map(|v| dry(kit, &plan[v], v, frames, 0.0, rng))
        .collect();
    let mut room = Rng::new(rig.room ^ 0xA5A5);
    let mut mics = Vec::new();
    for (name, family, voice) in [
        ("kick-in", Family::Kick, Voice::Kick),
        ("snare-top", Family::Snare, Voice::Snare),
        ("tom-1", Family::Tom, Voice::Tom1),
        ("tom-2", Family::Tom, Voice::Tom2),
    ] {
        let own_path = {
            let mut direct = path(0.06 / SOUND_M_S * rate, None, 0.0, rate, &mut room);
            direct.truncate(96);
            direct
        };
        let own = mix_paths(&[(clean[voice as usize].clone(), own_path)], frames);
        let mut parts = Vec::new();
        for other in VOICES {
            if other == voice {
                continue;
            }
            let level = if other.is_drum() {
                rig.bleed_db
            } else {
                rig.bleed_db + 2.0
            };
            let level = ratio(level + room.uniform(-3.0, 3.0));
            let low_pass = other.is_drum().then(|| room.uniform(5000.0, 9000.0));
            let delay = (distance(other.place(), voice.place()) + 0.05) / SOUND_M_S * rate;
            let mut h = path(delay, low_pass, 0.35, rate, &mut room);
            h.iter_mut().for_each(|x| *x *= level);
            let x = dry(
                kit,
                &plan[other as usize],
                other as usize,
                frames,
                rig.scatter_db,
                rng,
            );
            parts.push((x, h));
        }
        let mut samples = mix_paths(&parts, frames);
        let ring = kit.ring_hz[voice as usize];
        if ring > 0.0 {
            let drive: Vec<f64> = clean[0].iter().zip(&clean[1]).map(|(a, b)| a + b).collect();
            let y = resonate(&drive, ring, rate);
            let mut sorted: Vec<f64> = y.iter().map(|x| x.abs()).collect();
            sorted.sort_by(f64::total_cmp);
            let peak = sorted[(sorted.len() as f64 * 0.995) as usize].max(1e-9);
            for (s, y) in samples.iter_mut().zip(y) {
                *s += y / peak * ratio(rig.sympathy_db);
            }
        }
        for (s, o) in samples.iter_mut().zip(&own) {
            *s = OWN_PEAK * (*s + o + rng.normal(ratio(rig.noise_db)));
        }
        mics.push(SimMic {
            name,
            family,
            voice: Some(voice),
            samples,
            own: own.iter().map(|x| x * OWN_PEAK).collect(),
        });
    }
    for (name, place) in [
        ("overhead-l", [-0.75, 0.25, 1.95]),
        ("overhead-r", [0.75, 0.25, 1.95]),
    ] {
        let parts: Vec<_> = VOICES
            .iter()
            .map(|&voice| {
                let d = distance(voice.place(), place);
                let mut h = path(d / SOUND_M_S * rate, None, 0.5, rate, &mut room);
                h.iter_mut().for_each(|x| *x *= voice.overhead_gain() / d);
                (clean[voice as usize].clone(), h)
            })
            .collect();
        let mut samples = mix_paths(&parts, frames);
        for s in &mut samples {
            *s = OWN_PEAK * (*s + rng.normal(ratio(rig.noise_db)));
        }
        mics.push(SimMic {
            name,
            family: Family::Overhead,
            voice: None,
            own: Vec::new(),
            samples,
        });
    }
    SimTake {
        rate_hz: rate as u32,
        mics,
        strokes: played,
    }
}
