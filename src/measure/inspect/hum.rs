//! Hum: mains lines under the playing, measured on decimated data.
//!
//! Two ways. Where the track holds two seconds that are quiet throughout, the lines are read there.
//! Elsewhere spectra of 8 s are taken of the signal weighted by 1/(envelope² + quiet²), the least
//! squares weight for a line in noise of known, changing power: loud strokes count little, gaps
//! much; a line must stand in the median of the spectra (statistics over time: Brandt and Bitzer,
//! JAES 62(9), 2014). Other fundamentals than 50 and 60 Hz are looked for as well: mains seen
//! through a wrong sample rate in the header.

use std::f64::consts::TAU;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use super::lines::Spectrum;
use super::{Sure, found};
use crate::dsp::maths;
use crate::finding::{Finding, FindingKind, Severity};

/// Spectra: seconds each, most of them kept (those of the quietest stretches), highest frequency.
const SEGMENT_S: f64 = 8.0;
const LEAST_S: f64 = 3.0;
const SPECTRA: usize = 32;
const TOP_HZ: f64 = 520.0;
/// The envelope behind the weight, and how much more than the median weight a gap may get.
const ENVELOPE_S: f64 = 0.06;
const CAP: f64 = 20.0;
/// A quiet stretch: pieces of 50 ms that lie within 6 dB of one another.
const PIECE_S: f64 = 0.05;
/// Two seconds of them, or at least one.
const QUIET_PIECES: [usize; 2] = [40, 22];
const QUIET_RATIO: f64 = 4.0;
/// Below this a hum of the mains is said of the session as a whole, not of each track.
const FAINT_DBFS: f64 = -75.0;

/// A hum: a fundamental with its harmonics.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Hum {
    /// Fundamental in hertz of the header's rate, to 0.01.
    pub frequency_hz: f64,
    /// RMS of all its lines, to 0.1.
    pub level_dbfs: f64,
    /// How many harmonics stand out.
    pub lines: usize,
    /// Read in a stretch without playing: the level is exact. Otherwise it may be a few dB off.
    pub in_a_gap: bool,
    /// Frequency of the mains (50 or 60) and the ratio of the true to the header's rate, where the
    /// fundamental is neither: the header's rate is probably wrong.
    pub wrong_rate: Option<(f64, f64)>,
}

impl Hum {
    /// Too faint to be said of the track alone.
    pub fn faint(&self) -> bool {
        self.level_dbfs <= FAINT_DBFS && self.wrong_rate.is_none()
    }

    pub(super) fn finding(&self) -> Finding {
        let sure = match (self.in_a_gap, self.lines) {
            (true, 3..) => Sure::Certain,
            (true, _) | (false, 3..) => Sure::Probable,
            _ => Sure::Possible,
        };
        let severity = if self.level_dbfs > -60.0 {
            Severity::Warning
        } else {
            Severity::Note
        };
        let kind = match self.wrong_rate {
            None => FindingKind::Hum {
                frequency_hz: self.frequency_hz,
                harmonics: self.lines.saturating_sub(1),
                level_dbfs: self.level_dbfs,
                exact: self.in_a_gap,
            },
            Some((mains_hz, rate_ratio)) => FindingKind::HumOffMains {
                frequency_hz: self.frequency_hz,
                mains_hz,
                rate_ratio,
                level_dbfs: self.level_dbfs,
            },
        };
        found(kind, severity, sure, Vec::new())
    }
}

/// Gathers spectra of one channel.
pub(super) struct Listener {
    low_hz: f64,
    /// Decimated samples of the present segment, and how many came in all.
    low: Vec<f64>,
    segments: u64,
    /// Set up for the first segment.
    tools: Option<Tools>,
    kept: Vec<Weighted>,
    quiet: [Quiet; 2],
}

impl std::fmt::Debug for Listener {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Listener")
            .field("low_hz", &self.low_hz)
            .finish_non_exhaustive()
    }
}

/// What all segments need. There is one of fewer samples where it is the only one.
struct Tools {
    window: Vec<f64>,
    fft: Arc<dyn RealToComplex<f64>>,
    input: Vec<f64>,
    output: Vec<Complex<f64>>,
    scratch: Vec<Complex<f64>>,
}

impl Tools {
    fn new(samples: usize, length: usize) -> Self {
        let fft = RealFftPlanner::new().plan_fft_forward(length);
        Self {
            window: (0..samples).map(|i| hann(i, samples)).collect(),
            input: fft.make_input_vec(),
            output: fft.make_output_vec(),
            scratch: fft.make_scratch_vec(),
            fft,
        }
    }
}

/// The spectrum of a segment, and how quiet that was (sum of the weights).
struct Weighted {
    quietness: f64,
    amplitudes: Vec<f32>,
}

/// The quietest stretch so far.
struct Quiet {
    /// How many pieces it is long.
    pieces: usize,
    /// The last samples, up to so many pieces, and the power of each piece.
    samples: Vec<f64>,
    powers: Vec<f64>,
    best: Option<(f64, Vec<f64>)>,
}

impl Listener {
    pub fn new(low_hz: f64) -> Self {
        Self {
            low_hz,
            low: Vec::new(),
            segments: 0,
            tools: None,
            kept: Vec::new(),
            quiet: QUIET_PIECES.map(Quiet::new),
        }
    }

    /// The next decimated sample.
    pub fn push(&mut self, x: f64) {
        let segment = (SEGMENT_S * self.low_hz) as usize;
        self.low.push(x);
        for quiet in &mut self.quiet {
            quiet.push(x, (PIECE_S * self.low_hz) as usize);
        }
        if self.low.len() == segment {
            self.transform();
            self.low.drain(..segment / 2);
        }
    }

    /// A short track is one segment.
    pub fn end(&mut self) {
        if self.segments == 0 && self.low.len() as f64 >= LEAST_S * self.low_hz {
            self.transform();
        }
    }

    /// The weighted spectrum of the present segment.
    fn transform(&mut self) {
        self.segments += 1;
        let n = self.low.len();
        let mean = self.low.iter().sum::<f64>() / n as f64;
        let length = self.fft_length();
        let tools = self.tools.get_or_insert_with(|| Tools::new(n, length));
        let envelope = (ENVELOPE_S * self.low_hz) as usize;
        let weights = weights(&self.low, mean, envelope, &tools.window);
        let quietness: f64 = weights.iter().sum();
        if !quietness.is_normal() {
            return;
        }
        let Tools {
            fft,
            input,
            output,
            scratch,
            ..
        } = tools;
        input.fill(0.0);
        for ((slot, x), w) in input.iter_mut().zip(&self.low).zip(&weights) {
            *slot = (x - mean) * w;
        }
        fft.process_with_scratch(input, output, scratch)
            .expect("the buffers come from the transform itself");
        let bins = ((TOP_HZ / self.low_hz * length as f64) as usize).min(output.len());
        let amplitude = |c: &Complex<f64>| (2.0 * c.norm_sqr().sqrt() / quietness) as f32;
        let new = Weighted {
            quietness,
            amplitudes: output[..bins].iter().map(amplitude).collect(),
        };
        if self.kept.len() < SPECTRA {
            self.kept.push(new);
        } else if let Some(least) = self
            .kept
            .iter_mut()
            .min_by(|a, b| a.quietness.total_cmp(&b.quietness))
            && least.quietness < new.quietness
        {
            *least = new;
        }
    }

    /// Twice a segment and more: a line is then several steps wide.
    fn fft_length(&self) -> usize {
        (2 * (SEGMENT_S * self.low_hz) as usize).next_power_of_two()
    }

    /// The hum, if there is one.
    pub fn finish(mut self, response: impl Fn(f64) -> f64) -> Option<Hum> {
        // the longer gap tells more exactly, the shorter is more often free of ringing
        let in_gap = |quiet| self.quiet_spectrum(quiet)?.hum(true, &response);
        if let Some(hum) = self.quiet.iter().find_map(in_gap) {
            return Some(hum);
        }
        let bins = self.kept.first()?.amplitudes.len();
        let middle = self.kept.len() / 2;
        let kept = std::mem::take(&mut self.kept);
        let median = |bin: usize| {
            let mut values: Vec<f32> = kept.iter().map(|s| s.amplitudes[bin]).collect();
            f64::from(*values.select_nth_unstable_by(middle, f32::total_cmp).1)
        };
        let spectrum = Spectrum {
            amplitudes: (0..bins).map(median).collect(),
            step_hz: self.low_hz / self.fft_length() as f64,
            search_hz: 0.15,
            near_hz: 0.6,
            far_hz: 6.0,
        };
        spectrum.hum(false, &response)
    }

    fn quiet_spectrum(&self, quiet: &Quiet) -> Option<Spectrum> {
        let (_, samples) = quiet.best.as_ref()?;
        let n = samples.len();
        let length = (4 * n).next_power_of_two();
        let fft = RealFftPlanner::new().plan_fft_forward(length);
        let mut input = fft.make_input_vec();
        let mean = samples.iter().sum::<f64>() / n as f64;
        for (i, (slot, x)) in input.iter_mut().zip(samples).enumerate() {
            *slot = (x - mean) * hann(i, n);
        }
        let mut output = fft.make_output_vec();
        fft.process(&mut input, &mut output).ok()?;
        let bins = ((TOP_HZ / self.low_hz * length as f64) as usize).min(output.len());
        let resolution_hz = 2.0 * self.low_hz / n as f64;
        Some(Spectrum {
            amplitudes: output[..bins]
                .iter()
                .map(|c| 4.0 * c.norm_sqr().sqrt() / n as f64)
                .collect(),
            step_hz: self.low_hz / length as f64,
            search_hz: 0.3,
            near_hz: 2.0 * resolution_hz,
            far_hz: 10.0,
        })
    }
}

impl Quiet {
    fn new(pieces: usize) -> Self {
        Self {
            pieces,
            samples: Vec::new(),
            powers: Vec::new(),
            best: None,
        }
    }

    fn push(&mut self, x: f64, piece: usize) {
        self.samples.push(x);
        if !self.samples.len().is_multiple_of(piece) {
            return;
        }
        let last = &self.samples[self.samples.len() - piece..];
        self.powers
            .push(last.iter().map(|x| x * x).sum::<f64>() / piece as f64);
        if self.powers.len() < self.pieces {
            return;
        }
        let largest = self.powers.iter().copied().fold(0.0, f64::max);
        let smallest = self.powers.iter().copied().fold(f64::INFINITY, f64::min);
        let quieter = self.best.as_ref().is_none_or(|(power, _)| largest < *power);
        // digital silence is quiet, but holds no hum
        if quieter && smallest > 1e-13 && largest < QUIET_RATIO * smallest {
            self.best = Some((largest, self.samples.clone()));
        }
        self.samples.drain(..piece);
        self.powers.remove(0);
    }
}

/// The weights of a segment, times a window.
fn weights(low: &[f64], mean: f64, envelope: usize, window: &[f64]) -> Vec<f64> {
    let n = low.len();
    let squares: Vec<f64> = low.iter().map(|x| (x - mean) * (x - mean)).collect();
    let half = envelope / 2;
    let mut sums = vec![0.0; n + 1];
    for (i, s) in squares.iter().enumerate() {
        sums[i + 1] = sums[i] + s;
    }
    let power: Vec<f64> = (0..n)
        .map(|i| {
            let (from, to) = (i.saturating_sub(half), (i + half + 1).min(n));
            (sums[to] - sums[from]).max(0.0) / (to - from) as f64
        })
        .collect();
    let mut sorted = power.clone();
    let quiet = *sorted.select_nth_unstable_by(n / 10, f64::total_cmp).1;
    let mut weights: Vec<f64> = power
        .iter()
        .enumerate()
        .map(|(i, p)| window[i] / (p + quiet + 1e-14))
        .collect();
    sorted.copy_from_slice(&weights);
    let cap = CAP * *sorted.select_nth_unstable_by(n / 2, f64::total_cmp).1;
    weights.iter_mut().for_each(|w| *w = w.min(cap));
    weights
}

fn hann(i: usize, n: usize) -> f64 {
    0.5 - 0.5 * maths::cos(TAU * i as f64 / n as f64)
}
