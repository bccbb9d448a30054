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
    /// Both channels of a pair, side by side.
    frames: Vec<Lanes>,
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
            frames: Vec::new(),
            frame: 0,
        }
    }

    fn tidy(&mut self) {
        for unit in self.pairs.iter_mut().flatten().chain(&mut self.single) {
            unit.s = unit.s.map(|Lanes(lanes)| Lanes(lanes.map(tidy)));
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
                let (left, right) = (&mut left[from..to], &mut right[from..to]);
                let both = left.iter().zip(&*right);
                self.frames.clear();
                self.frames.extend(both.map(|(&l, &r)| Lanes([l, r])));
                for units in units.chunks_mut(PASS) {
                    run_pair(units, &mut self.frames);
                }
                let both = left.iter_mut().zip(right);
                for ((l, r), frame) in both.zip(&self.frames) {
                    [*l, *r] = frame.0;
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

/// Two lanes, aligned so that the processor can use them from memory.
#[derive(Clone, Copy)]
#[repr(align(16))]
struct Lanes([f64; 2]);

impl Lanes {
    #[inline(always)]
    fn with(self, other: Self, f: impl Fn(f64, f64) -> f64) -> Self {
        Self([f(self.0[0], other.0[0]), f(self.0[1], other.0[1])])
    }
}

/// Two sections with their states, side by side.
#[derive(Clone, Copy)]
struct Unit {
    b: [Lanes; 3],
    a: [Lanes; 2],
    s: [Lanes; 2],
}

impl Unit {
    fn new([one, two]: [Section; 2]) -> Self {
        Self {
            b: [0, 1, 2].map(|i| Lanes([one.b[i], two.b[i]])),
            a: [0, 1].map(|i| Lanes([one.a[i], two.a[i]])),
            s: [Lanes([0.0; 2]); 2],
        }
    }

    /// One frame in both lanes.
    #[inline(always)]
    fn step(&mut self, x: Lanes) -> Lanes {
        let (add, sub, mul) = (|a, b| a + b, |a, b| a - b, |a, b| a * b);
        let Self { b, a, s } = self;
        let y = s[0].with(b[0].with(x, mul), add);
        s[0] = s[1]
            .with(b[1].with(x, mul), add)
            .with(a[0].with(y, mul), sub);
        s[1] = b[2].with(x, mul).with(a[1].with(y, mul), sub);
        y
    }

    /// Some frames in both lanes.
    fn run_both(&mut self, frames: &mut [Lanes]) {
        for frame in frames {
            *frame = self.step(*frame);
        }
    }

    /// Some frames in one lane.
    fn run(&mut self, lane: usize, samples: &mut [f64]) {
        let [b0, b1, b2] = self.b.map(|b| b.0[lane]);
        let [a1, a2] = self.a.map(|a| a.0[lane]);
        let [mut s1, mut s2] = self.s.map(|s| s.0[lane]);
        for sample in samples {
            let x = *sample;
            let y = s1 + b0 * x;
            s1 = s2 + b1 * x - a1 * y;
            s2 = b2 * x - a2 * y;
            *sample = y;
        }
        self.s[0].0[lane] = s1;
        self.s[1].0[lane] = s2;
    }
}

/// A unit is a section in both channels.
fn run_pair(units: &mut [Unit], frames: &mut [Lanes]) {
    match units.len() {
        1 => pair::<1>(units, frames),
        2 => pair::<2>(units, frames),
        3 => pair::<3>(units, frames),
        4 => pair::<4>(units, frames),
        5 => pair::<5>(units, frames),
        6 => pair::<6>(units, frames),
        7 => pair::<7>(units, frames),
        _ => pair::<8>(units, frames),
    }
}

fn pair<const N: usize>(units: &mut [Unit], frames: &mut [Lanes]) {
    let length = frames.len();
    let Some(units) = units.first_chunk_mut::<N>() else {
        return;
    };
    // Section k goes N − 1 − k frames ahead …
    for (k, unit) in units.iter_mut().enumerate() {
        let ahead = if length < N { length } else { N - 1 - k };
        unit.run_both(&mut frames[..ahead]);
    }
    if length < N {
        return;
    }
    // … so that all of them work at once …
    let mut x: [Lanes; N] = std::array::from_fn(|k| frames[N - 1 - k]);
    let mut at_work = *units;
    for n in N - 1..length {
        x[0] = frames[n];
        for k in (0..N).rev() {
            let y = at_work[k].step(x[k]);
            if k + 1 < N {
                x[k + 1] = y;
            } else {
                frames[n + 1 - N] = y;
            }
        }
    }
    *units = at_work;
    // … and has k frames left at the end.
    for k in 1..N {
        frames[length - k] = x[k];
    }
    for (k, unit) in units.iter_mut().enumerate() {
        unit.run_both(&mut frames[length - k..]);
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
    let mut x: [Lanes; N] =
        std::array::from_fn(|u| Lanes([samples[ahead - 2 * u], samples[ahead - 2 * u - 1]]));
    let mut at_work = *units;
    for n in ahead..frames {
        x[0].0[0] = samples[n];
        for u in (0..N).rev() {
            let y = at_work[u].step(x[u]);
            x[u].0[1] = y.0[0];
            if u + 1 < N {
                x[u + 1].0[0] = y.0[1];
            } else {
                samples[n - ahead] = y.0[1];
            }
        }
    }
    *units = at_work;
    for k in 1..2 * N {
        samples[frames - k] = x[k / 2].0[k % 2];
    }
    for k in 1..2 * N {
        units[k / 2].run(k % 2, &mut samples[frames - k..]);
    }
}

#[cfg(test)]
mod tests {
    use biquad::{Biquad, DirectForm2Transposed};

    use super::*;
    use crate::stage::{HighPass, Peak};
    use crate::testing::{burst, noise};

    fn sections(count: usize) -> Vec<Section> {
        let peak = |i| Peak {
            freq_hz: 60.0 + 613.0 * i as f64,
            gain_db: if i % 2 == 0 { 6.0 } else { -5.0 },
            q: 0.8,
        };
        let all = (0..count).filter_map(|i| peak(i).sections(44_100.0));
        all.flatten().collect()
    }

    fn run(cascade: &mut Cascade, input: &[Vec<f64>], frames: usize) -> Vec<Vec<f64>> {
        let mut out = vec![Vec::new(); input.len()];
        for from in (0..input[0].len()).step_by(frames) {
            let to = input[0].len().min(from + frames);
            let cut = input.iter().map(|samples| samples[from..to].to_vec());
            let mut block = Block::from_channels(cut.collect());
            cascade.process(&mut block);
            for (all, more) in out.iter_mut().zip(block.channels()) {
                all.extend_from_slice(more);
            }
        }
        out
    }

    #[test]
    fn gives_the_bits_of_the_biquad_crate_however_it_is_cut() {
        for count in [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 13, 17, 24] {
            let sections = sections(count);
            for channels in [1, 2, 3, 4] {
                let input: Vec<_> = (0..channels).map(|c| noise(c, 2500)).collect();
                let wanted: Vec<Vec<f64>> = input
                    .iter()
                    .map(|samples| {
                        let runner = |&s: &Section| DirectForm2Transposed::new(s.into());
                        let mut chain: Vec<_> = sections.iter().map(runner).collect();
                        let through = |&x: &f64| chain.iter_mut().fold(x, |x, s| s.run(x));
                        samples.iter().map(through).collect()
                    })
                    .collect();
                for frames in [1, 5, 16, 700, 2500] {
                    let mut cascade = Cascade::new(sections.clone(), channels as usize);
                    let out = run(&mut cascade, &input, frames);
                    assert!(
                        out == wanted,
                        "{count} sections, {channels} channels, {frames}"
                    );
                }
            }
        }
    }

    #[test]
    fn rings_out_to_zero_and_not_in_denormal_numbers() {
        let high_pass = HighPass {
            freq_hz: 30.0,
            order: 8,
            shape: Default::default(),
        };
        for channels in [1, 2] {
            let mut cascade = Cascade::start(&high_pass, 48_000.0, channels);
            let out = run(&mut cascade, &vec![burst(1, 400_000); channels], 4096);
            let is_zero = |x: &f64| *x == 0.0;
            assert!(
                out.iter()
                    .all(|samples| samples[390_000..].iter().all(is_zero))
            );
            let late = |samples: &Vec<f64>| samples[110_000..].iter().any(|x| *x != 0.0);
            assert!(out.iter().all(late), "the tail is cut off");
        }
    }

    #[test]
    fn recovers_from_what_is_not_finite() {
        for bad in [f64::NAN, f64::INFINITY] {
            let mut cascade = Cascade::new(sections(3), 1);
            let mut input = noise(2, 4096);
            input[10] = bad;
            let out = run(&mut cascade, &[input], 4096);
            assert!(out[0][1024 + 1..].iter().all(|x| x.is_finite()));
        }
    }

    #[test]
    fn says_the_magnitude_that_a_fourier_sum_measures() {
        let sections = sections(5);
        let mut cascade = Cascade::new(sections.clone(), 1);
        let out = run(&mut cascade, &[crate::testing::impulse(1 << 15)], 1 << 15);
        for hz in [1.0, 60.0, 999.0, 15_000.0, 22_000.0] {
            let measured = crate::testing::magnitude_at(&out[0], hz, 44_100.0);
            let said = magnitude_db(&sections, 44_100.0, hz);
            crate::testing::assert_close(said, 20.0 * measured.log10(), 1e-6, "magnitude");
        }
    }
}
