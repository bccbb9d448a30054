//! [`Section`] and [`Cascade`]: what every filter of this crate consists of.
//!
//! - Shape: sections in series, every channel alone, in place; transposed direct form 2 in `f64`;
//!   latency 0. The bits do not depend on how the stream is cut, nor on how sections are grouped.
//! - A state below 1e-30 (−600 dBFS) becomes 0 at every 1024th frame, counted from the start of the
//!   track, so that no filter rings on in denormal numbers; a state that is not finite becomes 0 too.
//!
//! Coefficients are computed here with [`crate::maths`], since they decide every bit that comes out;
//! those of the `biquad` crate come from `num-traits`, which calls the platform's sine wherever any
//! other crate switches its `std` on. Its runner is plain arithmetic: one sample at a time, as in a
//! detector, `DirectForm2Transposed::new(section.into())` gives the bits of a [`Cascade`]; the tests
//! hold both against each other.

use std::f64::consts::PI;

use super::{Running, Settings};
use crate::block::Block;
use crate::maths;

/// `(b0 + b1 z⁻¹ + b2 z⁻²) / (1 + a1 z⁻¹ + a2 z⁻²)`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Section {
    /// b0, b1, b2.
    pub b: [f64; 3],
    /// a1, a2.
    pub a: [f64; 2],
}

impl From<Section> for biquad::Coefficients<f64> {
    fn from(Section { b, a }: Section) -> Self {
        Self {
            b0: b[0],
            b1: b[1],
            b2: b[2],
            a1: a[0],
            a2: a[1],
        }
    }
}

/// tan(π f / rate): where the bilinear transform finds an analogue frequency. Frequencies closer to
/// 0 or to half the rate than a ten-millionth of the rate act as that: beyond, poles would fall on
/// the unit circle.
pub fn warped(rate_hz: f64, freq_hz: f64) -> f64 {
    maths::tan(PI * (freq_hz / rate_hz).clamp(1e-7, 0.5 - 1e-7))
}

impl Section {
    /// The bilinear transform of `(n0 + n1 s + n2 s²) / (d0 + d1 s + d2 s²)`, whose s = j falls on
    /// the frequency that `k` is the [`warped`] value of. Stable where all d are above 0.
    pub fn second_order(n: [f64; 3], d: [f64; 3], k: f64) -> Self {
        let z = |p: [f64; 3]| {
            let (p0, p1) = (p[0] * k * k, p[1] * k);
            [p0 + p1 + p[2], 2.0 * (p0 - p[2]), p0 - p1 + p[2]]
        };
        let a = z(d);
        Self {
            b: z(n).map(|b| b / a[0]),
            a: [a[1] / a[0], a[2] / a[0]],
        }
    }

    /// The same of `(n0 + n1 s) / (d0 + d1 s)`.
    pub fn first_order(n: [f64; 2], d: [f64; 2], k: f64) -> Self {
        let z = |p: [f64; 2]| [p[0] * k + p[1], p[0] * k - p[1]];
        let (b, a) = (z(n), z(d));
        Self {
            b: [b[0] / a[0], b[1] / a[0], 0.0],
            a: [a[1] / a[0], 0.0],
        }
    }

    /// Squared magnitude where sin w and 1 − cos w are these, w = 2π f / rate. Written so that
    /// nothing cancels at low frequencies that does not cancel in the coefficients.
    fn power(&self, sin: f64, versine: f64) -> f64 {
        // p0 + p1 z⁻¹ + p2 z⁻², turned by w
        let of = |p0: f64, p1: f64, p2: f64| {
            let re = (p0 + p2 + p1) - versine * (p0 + p2);
            let im = sin * (p0 - p2);
            re * re + im * im
        };
        let [b0, b1, b2] = self.b;
        of(b0, b1, b2) / of(1.0, self.a[0], self.a[1])
    }
}

/// Magnitude of sections in series, in dB, −300 at least (a notch has −∞ at its centre).
pub fn magnitude_db(sections: &[Section], rate_hz: f64, freq_hz: f64) -> f64 {
    let half = PI * freq_hz / rate_hz;
    let (sin, cos) = (maths::sin(half), maths::cos(half));
    let power = |s: &Section| s.power(2.0 * sin * cos, 2.0 * sin * sin);
    let db = |s: &Section| 10.0 * maths::log10(power(s).max(1e-30));
    sections.iter().map(db).sum::<f64>().max(-300.0)
}

/// Sections at work on one track.
///
/// Arithmetic goes two lanes at a time, which every 64-bit processor has: the two channels of a pair,
/// or two sections of one channel. Section k works on frame n − k while section 0 works on frame n,
/// so that none waits for another; the ends of a block are run section by section, which gives the
/// same bits.
pub struct Cascade {
    pairs: Vec<Vec<Unit>>,
    /// The last of an odd number of channels.
    single: Vec<Unit>,
    sections: usize,
    /// Frames since the start of the track.
    frame: u64,
}

/// States are tidied at multiples of this. More often would interrupt the skewed loop for nothing: it
/// only bounds for how long a filter may ring in denormal numbers.
const TIDY_EVERY: u64 = 1024;

/// Units that run in one pass: as many as keep the processor busy.
const PASS: usize = 8;

impl Cascade {
    /// The sections of a stage that consists of nothing else.
    pub fn start(stage: &dyn Settings, rate_hz: f64, channels: usize) -> Self {
        Self::new(stage.sections(rate_hz).unwrap_or_default(), channels)
    }

    /// The sections in series, at rest.
    pub fn new(sections: Vec<Section>, channels: usize) -> Self {
        let pair: Vec<Unit> = sections.iter().map(|&s| Unit::new([s, s])).collect();
        let idle = Section {
            b: [1.0, 0.0, 0.0],
            a: [0.0, 0.0],
        };
        let single = sections
            .chunks(2)
            .map(|two| Unit::new([two[0], *two.get(1).unwrap_or(&idle)]));
        Self {
            single: single.filter(|_| channels % 2 == 1).collect(),
            pairs: vec![pair; channels / 2],
            sections: sections.len(),
            frame: 0,
        }
    }

    fn tidy(&mut self) {
        for unit in self.pairs.iter_mut().flatten().chain(&mut self.single) {
            unit.s = unit.s.map(|lanes| lanes.map(tidy));
        }
    }
}

impl Running for Cascade {
    fn process(&mut self, block: &mut Block) {
        if self.sections == 0 {
            return;
        }
        let frames = block.frames();
        let mut from = 0;
        while from < frames {
            let left = (TIDY_EVERY - self.frame % TIDY_EVERY) as usize;
            let to = frames.min(from + left);
            let (pairs, single) = block.vectors_mut().as_chunks_mut::<2>();
            for ([left, right], units) in pairs.iter_mut().zip(&mut self.pairs) {
                for units in units.chunks_mut(PASS) {
                    run_pair(units, &mut left[from..to], &mut right[from..to]);
                }
            }
            for samples in single {
                for units in self.single.chunks_mut(PASS) {
                    run_single(units, &mut samples[from..to]);
                }
            }
            self.frame += (to - from) as u64;
            if to - from == left {
                self.tidy();
            }
            from = to;
        }
    }
}

/// 0 for what nobody can hear and for what is not finite.
fn tidy(x: f64) -> f64 {
    if x.abs() > 1e-30 && x.is_finite() {
        x
    } else {
        0.0
    }
}

/// Two sections with their states, side by side.
#[derive(Clone, Copy)]
struct Unit {
    b: [[f64; 2]; 3],
    a: [[f64; 2]; 2],
    s: [[f64; 2]; 2],
}

impl Unit {
    fn new([one, two]: [Section; 2]) -> Self {
        Self {
            b: [0, 1, 2].map(|i| [one.b[i], two.b[i]]),
            a: [0, 1].map(|i| [one.a[i], two.a[i]]),
            s: [[0.0; 2]; 2],
        }
    }

    /// One frame in both lanes.
    #[inline(always)]
    fn step(&mut self, x: [f64; 2]) -> [f64; 2] {
        let Self { b, a, s } = self;
        let y = [0, 1].map(|i| s[0][i] + b[0][i] * x[i]);
        s[0] = [0, 1].map(|i| s[1][i] + b[1][i] * x[i] - a[0][i] * y[i]);
        s[1] = [0, 1].map(|i| b[2][i] * x[i] - a[1][i] * y[i]);
        y
    }

    /// Some frames in one lane.
    fn run(&mut self, lane: usize, samples: &mut [f64]) {
        let [b0, b1, b2] = self.b.map(|b| b[lane]);
        let [a1, a2] = self.a.map(|a| a[lane]);
        let [mut s1, mut s2] = self.s.map(|s| s[lane]);
        for sample in samples {
            let x = *sample;
            let y = s1 + b0 * x;
            s1 = s2 + b1 * x - a1 * y;
            s2 = b2 * x - a2 * y;
            *sample = y;
        }
        self.s[0][lane] = s1;
        self.s[1][lane] = s2;
    }
}

/// A unit is a section in both channels.
fn run_pair(units: &mut [Unit], left: &mut [f64], right: &mut [f64]) {
    match units.len() {
        1 => pair::<1>(units, left, right),
        2 => pair::<2>(units, left, right),
        3 => pair::<3>(units, left, right),
        4 => pair::<4>(units, left, right),
        5 => pair::<5>(units, left, right),
        6 => pair::<6>(units, left, right),
        7 => pair::<7>(units, left, right),
        _ => pair::<8>(units, left, right),
    }
}

fn pair<const N: usize>(units: &mut [Unit], left: &mut [f64], right: &mut [f64]) {
    let frames = left.len().min(right.len());
    let Some(units) = units.first_chunk_mut::<N>() else {
        return;
    };
    // Section k goes N − 1 − k frames ahead …
    for (k, unit) in units.iter_mut().enumerate() {
        let ahead = if frames < N { frames } else { N - 1 - k };
        unit.run(0, &mut left[..ahead]);
        unit.run(1, &mut right[..ahead]);
    }
    if frames < N {
        return;
    }
    // … so that all of them work at once …
    let mut x: [[f64; 2]; N] = std::array::from_fn(|k| [left[N - 1 - k], right[N - 1 - k]]);
    let mut at_work = *units;
    for n in N - 1..frames {
        x[0] = [left[n], right[n]];
        for k in (0..N).rev() {
            let y = at_work[k].step(x[k]);
            if k + 1 < N {
                x[k + 1] = y;
            } else {
                [left[n + 1 - N], right[n + 1 - N]] = y;
            }
        }
    }
    *units = at_work;
    // … and has k frames left at the end.
    for k in 1..N {
        [left[frames - k], right[frames - k]] = x[k];
    }
    for (k, unit) in units.iter_mut().enumerate() {
        unit.run(0, &mut left[frames - k..]);
        unit.run(1, &mut right[frames - k..]);
    }
}

/// A unit is two neighbouring sections in the same channel.
fn run_single(units: &mut [Unit], samples: &mut [f64]) {
    match units.len() {
        1 => single::<1>(units, samples),
        2 => single::<2>(units, samples),
        3 => single::<3>(units, samples),
        4 => single::<4>(units, samples),
        5 => single::<5>(units, samples),
        6 => single::<6>(units, samples),
        7 => single::<7>(units, samples),
        _ => single::<8>(units, samples),
    }
}

fn single<const N: usize>(units: &mut [Unit], samples: &mut [f64]) {
    let frames = samples.len();
    let Some(units) = units.first_chunk_mut::<N>() else {
        return;
    };
    // As in `pair`, with 2 N sections.
    for k in 0..2 * N {
        let ahead = if frames < 2 * N {
            frames
        } else {
            2 * N - 1 - k
        };
        units[k / 2].run(k % 2, &mut samples[..ahead]);
    }
    if frames < 2 * N {
        return;
    }
    let ahead = 2 * N - 1;
    let mut x: [[f64; 2]; N] =
        std::array::from_fn(|u| [samples[ahead - 2 * u], samples[ahead - 2 * u - 1]]);
    let mut at_work = *units;
    for n in ahead..frames {
        x[0][0] = samples[n];
        for u in (0..N).rev() {
            let y = at_work[u].step(x[u]);
            x[u][1] = y[0];
            if u + 1 < N {
                x[u + 1][0] = y[1];
            } else {
                samples[n - ahead] = y[1];
            }
        }
    }
    *units = at_work;
    for k in 1..2 * N {
        samples[frames - k] = x[k / 2][k % 2];
    }
    for k in 1..2 * N {
        units[k / 2].run(k % 2, &mut samples[frames - k..]);
    }
}
