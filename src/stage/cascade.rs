//! [`Cascade`]: sections at work.
//!
//! - Shape: sections in series, every channel alone, in place; transposed direct form 2 in `f64`;
//!   latency 0. The bits do not depend on how the stream is cut, how sections are grouped, or on the
//!   processor: every product and sum is the same on all of them.
//! - A state below 1e-30 (−600 dBFS) becomes 0 at every 1024th frame, counted from the start of the
//!   track, so that no filter rings on in denormal numbers; a state that is not finite becomes 0 too.
//!
//! Arithmetic goes four lanes at a time: four neighbouring sections of one channel, or two of both
//! channels of a pair. Section k works on frame n − k while section 0 works on frame n, so that none
//! waits for another; the ends of a span are run section by section, which gives the same bits.

use std::hint::black_box;

use multiversion::multiversion;

use super::envelope::{Tidy, flushed};
use super::{Running, Section};
use crate::block::Block;

/// Sections at work on one track.
pub struct Cascade {
    pairs: Vec<Vec<Unit>>,
    /// The last of an odd number of channels.
    single: Vec<Unit>,
    /// Both channels of a pair, side by side.
    frames: Vec<[f64; 2]>,
    tidy: Tidy,
}

const LANES: usize = 4;

impl Cascade {
    /// The sections in series, at rest.
    pub fn new(sections: Vec<Section>, channels: usize) -> Self {
        let odd = channels % 2 == 1;
        Self {
            pairs: vec![units::<2>(&sections); channels / 2],
            single: units::<1>(if odd { &sections } else { &[] }),
            frames: Vec::new(),
            tidy: Tidy::default(),
        }
    }

    fn flush(&mut self) {
        for unit in self.pairs.iter_mut().flatten().chain(&mut self.single) {
            unit.s = unit.s.map(|Lanes(lanes)| Lanes(lanes.map(flushed)));
        }
    }
}

impl Running for Cascade {
    fn process(&mut self, block: &mut Block) {
        let frames = block.frames();
        let mut from = 0;
        while from < frames {
            let (count, flush) = self.tidy.next(frames - from);
            let to = from + count;
            let (pairs, single) = block.vectors_mut().as_chunks_mut::<2>();
            for ([left, right], units) in pairs.iter_mut().zip(&mut self.pairs) {
                let (left, right) = (&mut left[from..to], &mut right[from..to]);
                let both = left.iter().zip(&*right);
                self.frames.clear();
                self.frames.extend(both.map(|(&l, &r)| [l, r]));
                run(units, &mut self.frames);
                let both = left.iter_mut().zip(right);
                for ((l, r), frame) in both.zip(&self.frames) {
                    [*l, *r] = *frame;
                }
            }
            for samples in single {
                run(&mut self.single, samples[from..to].as_chunks_mut::<1>().0);
            }
            if flush {
                self.flush();
            }
            from = to;
        }
    }

    fn settle(&mut self, constants: &mut [f64]) {
        let (pairs, single) = constants.as_chunks_mut::<2>();
        for (pair, units) in pairs.iter_mut().zip(&mut self.pairs) {
            settle(units, pair);
        }
        for constant in single {
            settle(&mut self.single, std::array::from_mut(constant));
        }
    }
}

/// The states in which a constant has been coming in for ever; what comes out of the last section.
/// Where y no longer changes, s₁ = y − b₀x and s₂ = b₂x − a₂y.
fn settle<const CHANNELS: usize>(units: &mut [Unit], constants: &mut [f64; CHANNELS]) {
    for section in 0..units.len() * LANES / CHANNELS {
        for (channel, constant) in constants.iter_mut().enumerate() {
            let (unit, lane) = place::<CHANNELS>(section, channel);
            let Unit { k, s } = &mut units[unit];
            let [b0, b1, b2, a1, a2] = k.map(|k| k.0[lane]);
            let x = *constant;
            let y = x * (b0 + b1 + b2) / (1.0 + a1 + a2);
            s[0].0[lane] = y - b0 * x;
            s[1].0[lane] = b2 * x - a2 * y;
            *constant = y;
        }
    }
}

/// Aligned so that the processor can use them from memory.
#[derive(Clone, Copy)]
#[repr(align(32))]
struct Lanes([f64; LANES]);

impl Lanes {
    #[inline(always)]
    fn with(self, other: Self, f: impl Fn(f64, f64) -> f64) -> Self {
        let (x, y) = (self.0, other.0);
        Self([f(x[0], y[0]), f(x[1], y[1]), f(x[2], y[2]), f(x[3], y[3])])
    }
}

/// Neighbouring sections side by side, each in all channels: section, then channel.
#[derive(Clone, Copy)]
struct Unit {
    k: Coefficients,
    s: [Lanes; 2],
}

/// b0, b1, b2, a1, a2.
type Coefficients = [Lanes; 5];

/// Units of all sections for one channel or a pair, the last one filled up with sections that change
/// nothing.
fn units<const CHANNELS: usize>(sections: &[Section]) -> Vec<Unit> {
    let idle = Section {
        b: [1.0, 0.0, 0.0],
        a: [0.0, 0.0],
    };
    let unit = |some: &[Section]| {
        let of_lane = |lane: usize| some.get(lane / CHANNELS).unwrap_or(&idle);
        let lanes = |value: &dyn Fn(&Section) -> f64| {
            Lanes(std::array::from_fn(|lane| value(of_lane(lane))))
        };
        let b = [0, 1, 2].map(|i| lanes(&|section| section.b[i]));
        let a = [0, 1].map(|i| lanes(&|section| section.a[i]));
        Unit {
            k: [b[0], b[1], b[2], a[0], a[1]],
            s: [Lanes([0.0; LANES]); 2],
        }
    };
    sections.chunks(LANES / CHANNELS).map(unit).collect()
}

/// One frame in every lane: y = s₁ + b₀x, s₁ = s₂ + b₁x − a₁y, s₂ = b₂x − a₂y.
#[inline(always)]
fn step(k: &Coefficients, s: &mut [Lanes; 2], x: Lanes) -> Lanes {
    let (add, sub, mul) = (|a, b| a + b, |a, b| a - b, |a, b| a * b);
    let [b0, b1, b2, a1, a2] = k;
    let y = s[0].with(b0.with(x, mul), add);
    s[0] = s[1].with(b1.with(x, mul), add).with(a1.with(y, mul), sub);
    s[1] = b2.with(x, mul).with(a2.with(y, mul), sub);
    y
}

/// Some frames through section `k` alone.
fn run_section<const CHANNELS: usize>(
    units: &mut [Unit],
    k: usize,
    frames: &mut [[f64; CHANNELS]],
) {
    for channel in 0..CHANNELS {
        let (unit, lane) = place::<CHANNELS>(k, channel);
        let Unit { k, s } = &mut units[unit];
        let [b0, b1, b2, a1, a2] = k.map(|k| k.0[lane]);
        let [mut s1, mut s2] = s.map(|s| s.0[lane]);
        for frame in &mut *frames {
            let x = frame[channel];
            let y = s1 + b0 * x;
            s1 = s2 + b1 * x - a1 * y;
            s2 = b2 * x - a2 * y;
            frame[channel] = y;
        }
        s[0].0[lane] = s1;
        s[1].0[lane] = s2;
    }
}

/// Unit and lane of section `k` in a channel.
fn place<const CHANNELS: usize>(k: usize, channel: usize) -> (usize, usize) {
    (k * CHANNELS / LANES, k * CHANNELS % LANES + channel)
}

fn run<const CHANNELS: usize>(units: &mut [Unit], frames: &mut [[f64; CHANNELS]]) {
    // As many in one pass as keep the processor busy and their states in its registers.
    for units in units.chunks_mut(4) {
        match units.len() {
            1 => pass::<1, CHANNELS>(units, frames),
            2 => pass::<2, CHANNELS>(units, frames),
            3 => pass::<3, CHANNELS>(units, frames),
            _ => pass::<4, CHANNELS>(units, frames),
        }
    }
}

fn pass<const UNITS: usize, const CHANNELS: usize>(
    units: &mut [Unit],
    frames: &mut [[f64; CHANNELS]],
) {
    let Some(units) = units.first_chunk_mut::<UNITS>() else {
        return;
    };
    let length = frames.len();
    let sections = UNITS * LANES / CHANNELS;
    // Section k goes sections − 1 − k frames ahead …
    for k in 0..sections {
        let ahead = if length < sections {
            length
        } else {
            sections - 1 - k
        };
        run_section(units, k, &mut frames[..ahead]);
    }
    if length < sections {
        return;
    }
    // … so that all of them work at once …
    let mut y = [Lanes([0.0; LANES]); UNITS];
    for k in 1..sections {
        for (channel, &sample) in frames[sections - 1 - k].iter().enumerate() {
            let (unit, lane) = place::<CHANNELS>(k - 1, channel);
            y[unit].0[lane] = sample;
        }
    }
    skewed(units, &mut y, frames);
    // … and has k frames left at the end.
    for k in 1..sections {
        for (channel, sample) in frames[length - k].iter_mut().enumerate() {
            let (unit, lane) = place::<CHANNELS>(k - 1, channel);
            *sample = y[unit].0[lane];
        }
    }
    for k in 1..sections {
        run_section(units, k, &mut frames[length - k..]);
    }
}

/// All sections at once, from the first frame for which each of them has an input. `y` is what each
/// gave a frame ago, and the next one takes now.
#[multiversion(targets("x86_64+avx2"))]
fn skewed<const UNITS: usize, const CHANNELS: usize>(
    units: &mut [Unit; UNITS],
    y: &mut [Lanes; UNITS],
    frames: &mut [[f64; CHANNELS]],
) {
    let ahead = UNITS * LANES / CHANNELS - 1;
    let k = units.map(|unit| unit.k);
    let mut s = units.map(|unit| unit.s);
    let mut y_now = *y;
    for n in ahead..frames.len() {
        // Read from memory anew: kept in registers they would push the states out of these.
        let k = black_box(&k);
        for unit in (0..UNITS).rev() {
            let first = match unit.checked_sub(1) {
                None => frames[n],
                Some(below) => tail(y_now[below]),
            };
            let on = y_now[unit].0;
            // Made anew as a whole: copies of parts would become calls.
            let x = std::array::from_fn(|lane| match lane.checked_sub(CHANNELS) {
                None => first[lane],
                Some(before) => on[before],
            });
            y_now[unit] = step(&k[unit], &mut s[unit], Lanes(x));
        }
        frames[n - ahead] = tail(y_now[UNITS - 1]);
    }
    *y = y_now;
    for (unit, s) in units.iter_mut().zip(s) {
        unit.s = s;
    }
}

/// What leaves the last section of a unit, in every channel.
#[inline(always)]
fn tail<const CHANNELS: usize>(y: Lanes) -> [f64; CHANNELS] {
    std::array::from_fn(|channel| y.0[LANES - CHANNELS + channel])
}

#[cfg(test)]
mod tests {
    use biquad::{Biquad, DirectForm2Transposed};

    use super::*;
    use crate::stage::biquad::magnitude_db;
    use crate::stage::{HighPass, Peak, Settings};
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
            let sections = high_pass.sections(48_000.0).expect("a filter");
            let mut cascade = Cascade::new(sections, channels);
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
    fn settled_sections_go_on_with_a_constant_as_if_it_had_never_begun() {
        let mut sections = sections(5);
        let high_pass = HighPass {
            freq_hz: 30.0,
            order: 3,
            shape: Default::default(),
        };
        for blocked in [false, true] {
            if blocked {
                sections.extend(high_pass.sections(44_100.0).expect("a filter"));
            }
            for channels in 1..=3 {
                let mut constants: Vec<f64> =
                    (0..channels).map(|c| 0.1 * c as f64 - 0.05).collect();
                let input: Vec<_> = constants.iter().map(|&x| vec![x; 3000]).collect();
                let mut cascade = Cascade::new(sections.clone(), channels);
                cascade.settle(&mut constants);
                let out = run(&mut cascade, &input, 700);
                for (samples, constant) in out.iter().zip(constants) {
                    // peaks pass a constant, a high-pass does not
                    assert_eq!(constant.abs() < 1e-9, blocked);
                    let off = samples.iter().map(|y| (y - constant).abs());
                    assert!(off.fold(0.0, f64::max) < 1e-9);
                }
            }
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
