//! [`Waveform`]: the outline and the spectrum of a track, for the eye.

use std::sync::Arc;

use multiversion::multiversion;
use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};
use serde::{Deserialize, Serialize};

use super::lanes;
use crate::block::Block;
use crate::dsp::maths;
use crate::units::{power_to_db, round_to};

/// Columns of an outline at most.
pub const COLUMNS: u64 = 200;

/// Third-octave bands from 20 Hz to 20 kHz.
pub const BANDS: usize = 31;

/// Steps of an outline at full scale; ±16 of it can be held.
pub const STEPS: f64 = 2000.0;

/// Samples beyond this, 180 dB over full scale, are drawn as if they were no larger.
const MOST: f64 = 1e9;

/// What a track looks like. Over all channels: the outermost sample, the mean power.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Waveform {
    /// The lowest sample of each column, in steps of 1/[`STEPS`] of full scale.
    pub low: Vec<i16>,
    /// The highest.
    pub high: Vec<i16>,
    /// Level of each band over the whole track, dB re full scale (a full-scale sine reads −3.0),
    /// rounded to 0.1; absent where the band is silent or lies above half the rate.
    pub bands_db: Vec<Option<f64>>,
}

/// The exact mid-band frequency of a band, base ten: 10^(n/10) kHz, n from −17 to 13
/// (IEC 61260-1:2014, 5.3).
pub fn mid_hz(band: usize) -> f64 {
    1000.0 * 10f64.powf((band as f64 - 17.0) / 10.0)
}

impl Waveform {
    /// Where the column with the largest sample begins, in a track of so many frames.
    pub fn loudest_frame(&self, frames: u64) -> u64 {
        let height = |i: &usize| {
            self.low[*i]
                .unsigned_abs()
                .max(self.high[*i].unsigned_abs())
        };
        let columns = self.low.len().min(self.high.len());
        // The first of several.
        let column = (0..columns).rev().max_by_key(height).unwrap_or(0) as u64;
        (column * frames).div_ceil(columns.max(1) as u64)
    }
}

/// Gathers a [`Waveform`] while the stream passes. How it is cut does not matter.
pub struct Painter {
    frames: u64,
    at: u64,
    low: Vec<f64>,
    high: Vec<f64>,
    /// Windows of `size` frames every `hop`, flat but for sine slopes over the part in which two of
    /// them lie: their squares add up to one, so that the bands of a track hold its whole energy,
    /// wherever a hit falls.
    size: usize,
    hop: usize,
    window: Vec<f32>,
    /// Single precision: what it adds lies some 140 dB below the loudest band.
    fft: Arc<dyn Fft<f32>>,
    /// Of each channel: the frames not done with.
    waiting: Vec<Vec<f32>>,
    /// Two windows at once, one in the real and one in the imaginary part: a bin and its mirror image
    /// together hold the energy of both windows there.
    pair: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    /// Energy of each bin, mirror images too, over all windows and channels.
    energy: Vec<f64>,
    rate_hz: f64,
}

impl Painter {
    /// For a track of so many frames at this rate.
    pub fn new(rate_hz: u32, channels: usize, frames: u64) -> Self {
        // About a third of a second: three bins in the lowest band.
        let size = ((f64::from(rate_hz) * 0.25) as usize)
            .next_power_of_two()
            .max(4);
        let hop = size / 4 * 3;
        let fft = FftPlanner::<f32>::new().plan_fft_forward(size);
        let slope = (size - hop) as f64;
        let window = (0..size).map(|i| {
            let from_edge = (i.min(size - 1 - i) as f64 + 0.5) / slope;
            maths::sin(std::f64::consts::FRAC_PI_2 * from_edge.min(1.0)) as f32
        });
        let columns = frames.min(COLUMNS) as usize;
        Self {
            frames,
            at: 0,
            low: vec![f64::INFINITY; columns],
            high: vec![f64::NEG_INFINITY; columns],
            size,
            hop,
            window: window.collect(),
            waiting: vec![vec![0.0; size - hop]; channels],
            pair: vec![Complex::default(); size],
            scratch: vec![Complex::default(); fft.get_inplace_scratch_len()],
            energy: vec![0.0; size],
            fft,
            rate_hz: f64::from(rate_hz),
        }
    }

    /// The next frames; finite samples only.
    pub fn push(&mut self, block: &Block) {
        self.outline(block);
        self.at += block.frames() as u64;
        for (waiting, samples) in self.waiting.iter_mut().zip(block.channels()) {
            let held = |&x: &f64| x.clamp(-MOST, MOST) as f32;
            waiting.extend(samples.iter().map(held));
        }
        self.windows();
    }

    fn outline(&mut self, block: &Block) {
        let columns = self.low.len() as u64;
        let mut from = 0;
        while from < block.frames() && columns > 0 {
            let frame = self.at + from as u64;
            let column = frame.saturating_mul(columns) / self.frames;
            // A stream longer than was said stays in the last column.
            let column = column.min(columns - 1);
            let end = match column + 1 == columns {
                true => u64::MAX,
                false => ((column + 1) * self.frames).div_ceil(columns),
            };
            let to = (end - frame).min((block.frames() - from) as u64) as usize + from;
            let (low, high) = (
                &mut self.low[column as usize],
                &mut self.high[column as usize],
            );
            for samples in block.channels() {
                (*low, *high) = lanes::widened((*low, *high), &samples[from..to]);
            }
            from = to;
        }
    }

    fn windows(&mut self) {
        let Self {
            size,
            hop,
            window,
            fft,
            waiting,
            pair,
            scratch,
            energy,
            ..
        } = self;
        for samples in waiting {
            let mut done = 0;
            while let Some(both) = samples.get(done..done + *hop + *size) {
                windowed(window, (&both[..*size], &both[*hop..]), pair);
                fft.process_with_scratch(pair, scratch);
                add_energy(pair, energy);
                done += 2 * *hop;
            }
            samples.drain(..done);
        }
    }

    /// The waveform of all that passed.
    pub fn finish(mut self) -> Waveform {
        // The last frames lie in two windows as all others do, and each window in a pair.
        for samples in &mut self.waiting {
            let whole = samples.len().next_multiple_of(2 * self.hop) + self.size - self.hop;
            samples.resize(whole, 0.0);
        }
        self.windows();
        let step = |v: f64| {
            if v.is_finite() {
                (v * STEPS).round().clamp(-32_000.0, 32_000.0) as i16
            } else {
                0
            }
        };
        Waveform {
            low: self.low.iter().map(|&v| step(v)).collect(),
            high: self.high.iter().map(|&v| step(v)).collect(),
            bands_db: (0..BANDS).map(|band| self.band(band)).collect(),
        }
    }

    /// Mean power of a band. A bin stands for its width and is shared between bands by it.
    fn band(&self, band: usize) -> Option<f64> {
        let half_band = 10f64.powf(0.05);
        let (from, to) = (mid_hz(band) / half_band, mid_hz(band) * half_band);
        if to > self.rate_hz / 2.0 || self.at == 0 {
            return None;
        }
        let width = self.rate_hz / self.size as f64;
        let bins =
            (from / width - 0.5).floor().max(0.0) as usize..=(to / width + 0.5).ceil() as usize;
        let part = |bin: usize| {
            let middle = bin as f64 * width;
            let shared =
                (to.min(middle + width / 2.0) - from.max(middle - width / 2.0)).max(0.0) / width;
            let energy = |bin: usize| self.energy.get(bin).copied().unwrap_or(0.0);
            match bin <= self.size / 2 {
                true => shared * (energy(bin) + energy((self.size - bin) % self.size)),
                false => 0.0,
            }
        };
        let energy: f64 = bins.map(part).sum::<f64>() / self.size as f64;
        power_to_db(energy / (self.at as f64 * self.waiting.len() as f64))
            .filter(|&db| db > -200.0)
            .map(|db| round_to(db, 1))
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn windowed(window: &[f32], (first, second): (&[f32], &[f32]), out: &mut [Complex<f32>]) {
    let samples = first.iter().zip(second);
    for ((out, w), (a, b)) in out.iter_mut().zip(window).zip(samples) {
        *out = Complex::new(w * a, w * b);
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn add_energy(spectrum: &[Complex<f32>], energy: &mut [f64]) {
    for (sum, bin) in energy.iter_mut().zip(spectrum) {
        *sum += f64::from(bin.norm_sqr());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn waveform(channels: Vec<Vec<f64>>, cut: usize) -> Waveform {
        let frames = channels[0].len();
        let mut painter = Painter::new(48_000, channels.len(), frames as u64);
        let mut from = 0;
        while from < frames {
            let to = (from + cut).min(frames);
            painter.push(&Block::from_channels(
                channels.iter().map(|c| c[from..to].to_vec()).collect(),
            ));
            from = to;
        }
        painter.finish()
    }

    fn sine(hz: f64, peak: f64, frames: usize) -> Vec<f64> {
        (0..frames)
            .map(|i| peak * (std::f64::consts::TAU * hz * i as f64 / 48_000.0).sin())
            .collect()
    }

    #[test]
    fn mid_bands_are_those_of_the_standard() {
        // IEC 61260-1:2014, table of exact base-ten frequencies.
        for (band, hz) in [
            (0, 19.953),
            (7, 100.0),
            (17, 1000.0),
            (27, 10_000.0),
            (30, 19_953.0),
        ] {
            assert!((mid_hz(band) / hz - 1.0).abs() < 1e-4);
        }
    }

    #[test]
    fn a_sine_stands_in_its_band_with_its_level() {
        for band in [3, 8, 17, 25] {
            let found = waveform(vec![sine(mid_hz(band), 0.5, 480_000)], 4096).bands_db;
            // 0.5 is −6.02 dB, its RMS −9.03.
            let level = found[band].unwrap();
            assert!((level + 9.03).abs() < 0.3, "band {band}: {level}");
            for (other, db) in found
                .iter()
                .enumerate()
                .filter(|(o, _)| o.abs_diff(band) > 3)
            {
                assert!(
                    db.is_none_or(|db| db < level - 30.0),
                    "band {other}: {db:?}"
                );
            }
        }
    }

    #[test]
    fn one_click_has_the_same_energy_wherever_it_falls() {
        let at = |frame: usize| {
            let mut samples = vec![0.0; 100_000];
            samples[frame] = 1.0;
            waveform(vec![samples], 1000).bands_db
        };
        let (first, middle, last) = (at(0), at(45_678), at(99_999));
        for ((a, b), c) in first.iter().zip(&middle).zip(&last) {
            let (a, b, c) = (a.unwrap(), b.unwrap(), c.unwrap());
            assert!((a - b).abs() <= 0.2 && (b - c).abs() <= 0.2, "{a} {b} {c}");
        }
        // White: energy 1 over 100,000 frames, the share of 10 kHz ± half a third of 24 kHz.
        let share = mid_hz(27) * (10f64.powf(0.05) - 10f64.powf(-0.05)) / 24_000.0;
        assert!((middle[27].unwrap() - 10.0 * (share / 100_000.0).log10()).abs() < 0.1);
    }

    #[test]
    fn the_waveform_does_not_depend_on_how_the_stream_is_cut() {
        let stereo = vec![sine(100.0, 0.8, 70_001), sine(3000.0, 0.3, 70_001)];
        let whole = waveform(stereo.clone(), 70_001);
        for cut in [1, 63, 4096] {
            assert_eq!(waveform(stereo.clone(), cut), whole);
        }
        assert_eq!(whole.low.len(), COLUMNS as usize);
    }

    #[test]
    fn each_column_holds_the_outermost_samples_of_its_frames() {
        let mut samples = vec![0.0; 2000];
        samples[10] = 0.5;
        samples[1999] = -2.5;
        let found = waveform(vec![samples], 7);
        assert_eq!((found.high[0], found.high[1], found.high[2]), (0, 1000, 0));
        assert_eq!((found.low[198], found.low[199]), (0, -5000));
        assert_eq!(
            (
                found.loudest_frame(2000),
                Waveform::default().loudest_frame(2000)
            ),
            (1990, 0)
        );
        assert!(
            waveform(vec![vec![0.0; 500]], 100)
                .bands_db
                .iter()
                .all(Option::is_none)
        );
        assert_eq!(waveform(vec![vec![0.1, 0.2]], 1).high, [200, 400]);
        assert_eq!(Painter::new(48_000, 1, 0).finish().low.len(), 0);
    }
}
