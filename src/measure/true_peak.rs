//! [`TruePeak`]: the largest value of the waveform, between the samples too (ITU-R BS.1770-5
//! Annex 2), with fourfold oversampling at every rate.
//!
//! The Annex leaves the filter open and prints an example of 4 × 12 taps, none of whose phases
//! gives the samples back and which is up to 0.3 dB off. Here phase 0 is the samples themselves,
//! so a true peak is never below the sample peak, and three phases of 32 taps (sinc, Kaiser window,
//! β 5) stand between them: within ±0.02 dB up to 0.42 of the rate and −0.04 dB at 0.45. What is
//! left is the coarseness of any fourfold grid, at most 0.17 dB at a quarter of the rate
//! (Attachment 1 to Annex 2). The signals of EBU Tech 3341 (15 to 23) scale with the rate, so
//! they ask for four times at 192 kHz as well.
//!
//! No output of a filter can exceed the largest input times the sum of the magnitudes of its taps;
//! nor can it leave the straight line between its two samples by more than the largest bend (second
//! difference) allows. A piece whose bounds do not exceed the peak found so far is therefore left
//! out: the result is the same to the bit, and on drums nearly everything is left out.

use multiversion::multiversion;

use super::lanes;
use crate::dsp::maths;

/// Taps of a phase: 16 samples to each side.
const TAPS: usize = 32;
/// Shape of the window.
const BETA: f64 = 5.0;
/// Frames that are interpolated or left out together.
const PIECE: usize = 32;
/// Outputs computed side by side.
const LANES: usize = 4;
/// Places between two samples.
const FRACTIONS: [f64; 3] = [0.25, 0.5, 0.75];
/// Room for rounding in the bounds.
const MARGIN: f64 = 1.0 + 1e-12;

/// Running true peak of one channel.
#[derive(Clone, Debug)]
pub struct TruePeak {
    phases: Box<[[f64; TAPS]; 3]>,
    bounds: Bounds,
    /// The last `TAPS − 1` samples, then the ones being looked at.
    window: Vec<f64>,
    /// Largest |x| in the samples kept from before.
    kept_peak: f64,
    peak: f64,
    #[cfg(test)]
    skips: bool,
}

impl Default for TruePeak {
    fn default() -> Self {
        Self::new()
    }
}

impl TruePeak {
    /// With silence before the first sample.
    pub fn new() -> Self {
        let phases = Box::new(FRACTIONS.map(phase));
        Self {
            bounds: Bounds::new(&phases),
            phases,
            window: vec![0.0; TAPS - 1],
            kept_peak: 0.0,
            peak: 0.0,
            #[cfg(test)]
            skips: true,
        }
    }

    /// The next samples, all finite, in pieces of any size.
    pub fn push(&mut self, samples: &[f64]) {
        let here = lanes::peak(samples);
        self.push_known(samples, here);
    }

    /// The same where the largest |sample| is known already.
    pub(crate) fn push_known(&mut self, samples: &[f64], sample_peak: f64) {
        self.peak = self.peak.max(sample_peak);
        if self.skips(|bounds| bounds.by_size(sample_peak.max(self.kept_peak))) {
            self.pass(samples);
            return;
        }
        self.window.extend_from_slice(samples);
        let mut before = lanes::peak(&self.window[..TAPS - 1]);
        for at in (0..samples.len()).step_by(PIECE) {
            let end = (at + PIECE).min(samples.len());
            let here = lanes::peak(&self.window[at + TAPS - 1..end + TAPS - 1]);
            let largest = here.max(before);
            let piece = &self.window[at..end + TAPS - 1];
            if !self.skips(|bounds| bounds.by_size(largest))
                && !self.skips(|bounds| bounds.by_bend(largest, piece))
            {
                self.peak = self.peak.max(interpolate(&self.phases, piece));
            }
            // a short piece does not hide the one before it
            before = if end - at < TAPS - 1 {
                here.max(before)
            } else {
                here
            };
        }
        self.keep();
    }

    /// Samples that cannot hold the peak.
    fn pass(&mut self, samples: &[f64]) {
        let kept = samples.len().saturating_sub(TAPS - 1);
        self.window.extend_from_slice(&samples[kept..]);
        self.keep();
    }

    /// Whether what has this bound can be left out.
    fn skips(&self, bound: impl Fn(&Bounds) -> f64) -> bool {
        #[cfg(test)]
        if !self.skips {
            return false;
        }
        bound(&self.bounds) * MARGIN <= self.peak
    }

    fn keep(&mut self) {
        let old = self.window.len() - (TAPS - 1);
        self.window.copy_within(old.., 0);
        self.window.truncate(TAPS - 1);
        self.kept_peak = lanes::peak(&self.window);
    }

    /// The peak as an amplitude ratio, after silence behind the last sample.
    pub fn finish(mut self) -> f64 {
        self.push_known(&[0.0; TAPS - 1], 0.0);
        self.peak
    }
}

/// What the values between the samples cannot exceed, for all phases.
#[derive(Clone, Copy, Debug)]
struct Bounds {
    /// The sum of |taps|.
    size: f64,
    /// By how much the largest |second difference| pulls a value away from the straight line, and
    /// by how much the largest |sample| does, since the taps do not reproduce a slope exactly.
    bend: f64,
    slope: f64,
}

impl Bounds {
    fn new(phases: &[[f64; TAPS]; 3]) -> Self {
        let mut bounds = Self {
            size: 0.0,
            bend: 0.0,
            slope: 0.0,
        };
        for (taps, fraction) in phases.iter().zip(FRACTIONS) {
            let mut rest = *taps;
            rest[TAPS / 2 - 1] -= 1.0 - fraction;
            rest[TAPS / 2] -= fraction;
            // summed by parts, twice: Σ rest·x = Σ twice·x″ − (last of twice)·x′
            let once = running_sum(&rest[..TAPS - 1]);
            let twice = running_sum(&once);
            let (slope, bends) = twice.split_last().expect("there are more taps");
            let sum = |values: &[f64]| values.iter().map(|v| v.abs()).sum::<f64>();
            bounds.size = bounds.size.max(sum(taps));
            bounds.bend = bounds.bend.max(sum(bends));
            bounds.slope = bounds.slope.max(2.0 * slope.abs());
        }
        bounds
    }

    fn by_size(&self, largest: f64) -> f64 {
        largest * self.size
    }

    /// `largest`: of all |samples| of `window`. The straight lines stay below those in its middle.
    fn by_bend(&self, largest: f64, window: &[f64]) -> f64 {
        let between = lanes::peak(&window[TAPS / 2 - 1..window.len() - TAPS / 2 + 1]);
        between + self.bend * lanes::bend(window) + self.slope * largest
    }
}

fn running_sum(values: &[f64]) -> Vec<f64> {
    let sum = |sum: &mut f64, value: &f64| {
        *sum += value;
        Some(*sum)
    };
    values.iter().scan(0.0, sum).collect()
}

/// Largest |value| between the samples of `window`, `TAPS − 1` fewer than it is long, a phase.
#[multiversion(targets("x86_64+avx2"))]
fn interpolate(phases: &[[f64; TAPS]; 3], window: &[f64]) -> f64 {
    let outputs = window.len() + 1 - TAPS;
    let mut padded = [0.0; PIECE + TAPS - 1];
    padded[..window.len()].copy_from_slice(window);
    let mut peak = [0.0f64; LANES];
    for at in (0..outputs).step_by(LANES) {
        let mut sums = [[0.0f64; LANES]; 3];
        for tap in 0..TAPS {
            let x: &[f64; LANES] = padded[at + tap..]
                .first_chunk()
                .expect("the padding holds a lane");
            for (sum, taps) in sums.iter_mut().zip(phases) {
                for lane in 0..LANES {
                    sum[lane] += taps[tap] * x[lane];
                }
            }
        }
        for lane in 0..LANES.min(outputs - at) {
            for sum in &sums {
                peak[lane] = peak[lane].max(sum[lane].abs());
            }
        }
    }
    peak.into_iter().fold(0.0, f64::max)
}

/// The taps for a place `fraction` after the sample that has 16 samples before and with it; they
/// add up to 1.
fn phase(fraction: f64) -> [f64; TAPS] {
    let half = (TAPS / 2) as f64;
    let mut taps: [f64; TAPS] = std::array::from_fn(|i| {
        let t = i as f64 - (half - 1.0) - fraction;
        let angle = std::f64::consts::PI * t;
        let edge = t / half;
        maths::sin(angle) / angle * bessel_i0(BETA * (1.0 - edge * edge).sqrt())
    });
    let sum: f64 = taps.iter().sum();
    taps.iter_mut().for_each(|t| *t /= sum);
    taps
}

/// Modified Bessel function of the first kind, order 0, by its power series.
fn bessel_i0(x: f64) -> f64 {
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..60 {
        let half = x / (2.0 * f64::from(k));
        term *= half * half;
        sum += term;
    }
    sum
}

#[cfg(test)]
mod tests;
