//! Synthetic takes with exact truth: what the methods of this module are measured on.
//!
//! Seven sources (kick, snare, two toms, hat, crash, ride), close mics on the four drums, two
//! overheads. Paths have a geometric delay, an off-axis low-pass and a diffuse tail; each stroke's
//! bleed scatters in level and in balance below and above 500 Hz, so that bleed is no fixed filter
//! of the close mic; toms ring along with kick and snare; all mics have noise. Everything follows
//! from seeds.

use std::f64::consts::{PI, TAU};

use realfft::RealFftPlanner;

use crate::session::Family;

/// A small generator of pseudo-random numbers (splitmix64; Steele, Lea, Flood, OOPSLA 2014).
#[derive(Clone, Debug)]
pub struct Rng(u64);

impl Rng {
    /// From a seed.
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0xD1B5_4A32_D192_ED03)
    }

    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Evenly distributed in `low..high`.
    pub fn uniform(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Normally distributed around 0 (Box and Muller).
    pub fn normal(&mut self, deviation: f64) -> f64 {
        let u = 1.0 - self.uniform(0.0, 1.0);
        let v = self.uniform(0.0, TAU);
        deviation * (-2.0 * u.ln()).sqrt() * v.cos()
    }

    /// A whole number below `count`.
    pub fn index(&mut self, count: usize) -> usize {
        (self.bits() % count.max(1) as u64) as usize
    }
}

/// Decibels → amplitude ratio.
pub fn ratio(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

/// What is struck.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[allow(missing_docs)]
pub enum Voice {
    Kick,
    Snare,
    Tom1,
    Tom2,
    Hat,
    Crash,
    Ride,
}

/// All voices, in the order of their numbers.
pub const VOICES: [Voice; 7] = [
    Voice::Kick,
    Voice::Snare,
    Voice::Tom1,
    Voice::Tom2,
    Voice::Hat,
    Voice::Crash,
    Voice::Ride,
];

impl Voice {
    /// Position in metres.
    fn place(self) -> [f64; 3] {
        match self {
            Voice::Kick => [0.0, 0.0, 0.3],
            Voice::Snare => [-0.35, 0.35, 0.65],
            Voice::Tom1 => [0.0, 0.25, 0.85],
            Voice::Tom2 => [0.55, 0.45, 0.6],
            Voice::Hat => [-0.8, 0.35, 0.9],
            Voice::Crash => [-0.45, -0.15, 1.3],
            Voice::Ride => [0.75, 0.0, 1.15],
        }
    }

    fn is_drum(self) -> bool {
        self <= Voice::Tom2
    }

    /// Level in the overheads at one metre.
    fn overhead_gain(self) -> f64 {
        match self {
            Voice::Kick => 0.35,
            Voice::Snare => 0.6,
            Voice::Tom1 | Voice::Tom2 => 0.5,
            Voice::Hat => 0.7,
            Voice::Crash => 1.0,
            Voice::Ride => 0.8,
        }
    }
}

/// Speed of sound at 20 °C in metres a second.
const SOUND_M_S: f64 = 343.0;

fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    (0..3).map(|i| (a[i] - b[i]).powi(2)).sum::<f64>().sqrt()
}

// ------------------------------------------------------------------ sounds

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
fn second_order(x: &mut [f64], b: [f64; 3], a: [f64; 3]) {
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

/// Butterworth of the second order at both ends.
pub fn band_pass(x: &[f64], low_hz: f64, high_hz: f64, rate_hz: f64) -> Vec<f64> {
    let mut y = x.to_vec();
    butterworth(&mut y, low_hz, rate_hz, true);
    butterworth(&mut y, high_hz, rate_hz, false);
    y
}

/// First-order low-pass.
pub fn one_pole(x: &[f64], freq_hz: f64, rate_hz: f64) -> Vec<f64> {
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
        Self::from_strokes(strokes, ring_hz, rate_hz)
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
            ring_hz,
            rate_hz,
        }
    }
}

// ------------------------------------------------------------------ playing

/// One stroke of a performance.
#[derive(Clone, Copy, Debug)]
pub struct Stroke {
    /// Seconds from the start.
    pub at_s: f64,
    /// What is struck.
    pub voice: Voice,
    /// How hard, about 0 to 1.
    pub force: f64,
}

/// A way of playing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Style {
    /// Kick and snare in turn, 16 strokes a second, ride with the kick.
    Blast,
    /// Sixteenths on the kick at 16 a second, a snare on the off-beat, crash quarters.
    Double,
    /// Sixteenths over snare and toms at 12 a second, kick below.
    Fill,
    /// Rock with ghost strokes 15 dB down, hat eighths.
    Groove,
}

/// Strokes of one style, with 4 ms of scatter in time and 1.5 dB in force.
pub fn pattern(style: Style, seconds: f64, rng: &mut Rng) -> Vec<Stroke> {
    let tempo = match style {
        Style::Blast | Style::Double => 240.0,
        Style::Fill => 180.0,
        Style::Groove => 120.0,
    };
    let step_s = 60.0 / tempo / 4.0;
    let mut out = Vec::new();
    for i in 0..(seconds / step_s) as usize {
        let mut plan: Vec<(Voice, f64)> = Vec::new();
        match style {
            Style::Blast if i % 2 == 0 => {
                plan.extend([(Voice::Kick, 0.85), (Voice::Ride, 0.6)]);
            }
            Style::Blast => plan.push((Voice::Snare, 0.75)),
            Style::Double => {
                plan.push((Voice::Kick, 0.8));
                if i % 8 == 4 {
                    plan.push((Voice::Snare, 0.95));
                }
                if i % 4 == 0 {
                    plan.push((Voice::Crash, 0.8));
                }
            }
            Style::Fill => {
                let voice = match i % 16 {
                    0..=3 | 12 => Voice::Snare,
                    4..=7 | 13 => Voice::Tom1,
                    _ => Voice::Tom2,
                };
                plan.push((voice, rng.uniform(0.55, 1.0)));
                if i % 2 == 0 {
                    plan.push((Voice::Kick, 0.85));
                }
                if i % 16 == 0 {
                    plan.push((Voice::Crash, 0.9));
                }
            }
            Style::Groove => {
                if i % 2 == 0 {
                    plan.push((Voice::Hat, 0.6));
                }
                if [0, 3, 6, 8, 11].contains(&(i % 16)) {
                    plan.push((Voice::Kick, 0.85));
                }
                if i % 8 == 4 {
                    plan.push((Voice::Snare, 0.95));
                } else if [7, 9, 15].contains(&(i % 16)) {
                    plan.push((Voice::Snare, 0.18));
                }
            }
        }
        for (voice, force) in plan {
            out.push(Stroke {
                at_s: (i as f64 * step_s + rng.normal(0.004)).max(0.0),
                voice,
                force: (force * ratio(rng.normal(1.5))).clamp(0.05, 1.2),
            });
        }
    }
    out.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    out
}

/// A take of metal: 6 s blast, a fill, 6 s double kick, a fill, 6 s groove, and again.
pub fn performance(seconds: f64, rng: &mut Rng) -> Vec<Stroke> {
    let plan = [
        (Style::Blast, 6.0),
        (Style::Fill, 2.67),
        (Style::Double, 6.0),
        (Style::Fill, 2.67),
        (Style::Groove, 6.0),
    ];
    let mut out = Vec::new();
    let mut at = 0.25;
    for (style, length) in plan.iter().cycle() {
        if at >= seconds - 0.5 {
            break;
        }
        let length = f64::min(*length, seconds - 0.5 - at);
        out.extend(pattern(*style, length, rng).into_iter().map(|s| Stroke {
            at_s: s.at_s + at,
            ..s
        }));
        at += length;
    }
    out
}

// ------------------------------------------------------------------ the room

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
fn path(delay: f64, low_pass_hz: Option<f64>, tail: f64, rate_hz: f64, rng: &mut Rng) -> Vec<f64> {
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
fn mix_paths(parts: &[(Vec<f64>, Vec<f64>)], frames: usize) -> Vec<f64> {
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

// ------------------------------------------------------------------ as material of a take

use super::drums::TakeTrack;
use super::take::Material;
use super::trace::{Listener, Trace};
use crate::block::Block;
use crate::error::Result;
use crate::session::Side;

/// A simulated take as the engine would hand it over; the overheads are one stereo track.
#[derive(Clone, Debug)]
pub struct Recorded {
    /// What the tracks are.
    pub tracks: Vec<TakeTrack>,
    sound: Vec<Vec<Vec<f64>>>,
    traces: Vec<Trace>,
}

impl Recorded {
    /// From tracks and their channels.
    pub fn new(tracks: Vec<TakeTrack>, sound: Vec<Vec<Vec<f64>>>) -> Self {
        let traces = tracks
            .iter()
            .zip(&sound)
            .map(|(track, channels)| {
                let mut listener = Listener::new(track.family, track.rate_hz, channels.len());
                listener.push(&Block::from_channels(channels.clone()));
                listener.finish()
            })
            .collect();
        Self {
            tracks,
            sound,
            traces,
        }
    }

    /// From a simulated take.
    pub fn from_take(take: &SimTake) -> Self {
        let mut tracks: Vec<TakeTrack> = Vec::new();
        let mut sound: Vec<Vec<Vec<f64>>> = Vec::new();
        for mic in &take.mics {
            if mic.name == "overhead-r" {
                if let Some(pair) = sound.last_mut() {
                    pair.push(mic.samples.clone());
                }
                continue;
            }
            let name = mic.name.strip_suffix("-l").unwrap_or(mic.name);
            tracks.push(TakeTrack {
                label: name.to_owned(),
                mic: name.to_owned(),
                family: mic.family,
                side: None::<Side>,
                rate_hz: take.rate_hz,
                frames: mic.samples.len() as u64,
                offset_frames: 0,
            });
            sound.push(vec![mic.samples.clone()]);
        }
        Self::new(tracks, sound)
    }

    /// The sound of a track.
    pub fn sound(&self, track: usize) -> &[Vec<f64>] {
        &self.sound[track]
    }
}

impl Material for Recorded {
    fn trace(&mut self, track: usize) -> Result<Trace> {
        Ok(self.traces[track].clone())
    }

    fn samples(&mut self, track: usize, first: i64, frames: usize) -> Result<Vec<Vec<f64>>> {
        Ok(self.sound[track]
            .iter()
            .map(|x| {
                (first..first + frames as i64)
                    .map(|i| {
                        usize::try_from(i)
                            .ok()
                            .and_then(|i| x.get(i))
                            .copied()
                            .unwrap_or(0.0)
                    })
                    .collect()
            })
            .collect())
    }
}
