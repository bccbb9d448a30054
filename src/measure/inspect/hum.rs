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

use realfft::{RealFftPlanner, RealToComplex};

use super::{Sure, Trace, found};
use crate::finding::{Code, Finding, Severity};
use crate::{maths, units};

/// Rate of the decimated data, nearly.
const LOW_HZ: f64 = 2000.0;
/// Length of the decimation filter (a Hann window) in its output samples: its response first
/// vanishes at half the output rate, and what folds onto hum is 40 dB down and more.
const FILTER: usize = 4;
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
const QUIET_PIECES: usize = 40;
const QUIET_RATIO: f64 = 4.0;
/// Harmonics of a hum, and how many lines make one: of mains, and of another fundamental.
const HARMONICS: usize = 8;
const LINES: usize = 2;
const LINES_ELSEWHERE: usize = 3;
/// Least level.
const LEAST_DBFS: f64 = -100.0;
/// Harmonics this far below the strongest line do not count: those of a rounded test tone.
const FAINT: f64 = 0.003;
/// A line stands 12 dB over the median beside it and 6 dB over the largest value there.
const OVER_MEDIAN: f64 = 4.0;
const OVER_LARGEST: f64 = 2.0;

/// Mains frequencies, and what they look like where the header's rate is wrong: the true rate, and
/// the one in the header, in kHz.
const FUNDAMENTALS: [(f64, f64, f64); 10] = [
    (50.0, 1.0, 1.0),
    (60.0, 1.0, 1.0),
    (50.0, 48.0, 44.1),
    (50.0, 44.1, 48.0),
    (60.0, 48.0, 44.1),
    (60.0, 44.1, 48.0),
    (50.0, 96.0, 48.0),
    (50.0, 48.0, 96.0),
    (60.0, 96.0, 48.0),
    (60.0, 48.0, 96.0),
];

/// A hum: a fundamental with its harmonics.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
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
        let what = format!(
            "hum of {:.2} Hz and harmonics ({} lines), {:.1} dBFS RMS{}",
            self.frequency_hz,
            self.lines,
            self.level_dbfs,
            if self.in_a_gap {
                ""
            } else {
                ", estimated under the playing"
            },
        );
        let message = match self.wrong_rate {
            None => format!("{what}: check ground and cables; a notch at each line takes it out"),
            Some((mains_hz, ratio)) => format!(
                "{what}: {mains_hz:.0} Hz mains seen through a wrong sample rate in the header; the true rate is probably {ratio:.4} times as high"
            ),
        };
        found(Code::Hum, severity, sure, message, Vec::new())
    }
}

/// Gathers spectra of one channel.
pub(super) struct Listener {
    /// Input samples for one of the decimated ones.
    factor: usize,
    low_hz: f64,
    filter: Vec<f64>,
    /// First frame of the next filter window.
    next: u64,
    /// Decimated samples of the present segment, and how many came in all.
    low: Vec<f64>,
    segments: u64,
    fft: Option<Arc<dyn RealToComplex<f64>>>,
    kept: Vec<Weighted>,
    quiet: Quiet,
}

impl std::fmt::Debug for Listener {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Listener")
            .field("low_hz", &self.low_hz)
            .finish_non_exhaustive()
    }
}

/// The spectrum of a segment, and how quiet that was (sum of the weights).
struct Weighted {
    quietness: f64,
    amplitudes: Vec<f32>,
}

/// The quietest stretch so far.
#[derive(Default)]
struct Quiet {
    /// The last samples, up to [`QUIET_PIECES`] pieces, and the power of each piece.
    samples: Vec<f64>,
    powers: Vec<f64>,
    best: Option<(f64, Vec<f64>)>,
}

/// Amplitudes of sines at multiples of `step_hz`.
struct Spectrum {
    amplitudes: Vec<f64>,
    step_hz: f64,
    /// How far a line may lie from where it is looked for, and where its neighbourhood begins and ends.
    search_hz: f64,
    near_hz: f64,
    far_hz: f64,
}

impl Listener {
    pub fn new(rate_hz: u32) -> Self {
        let factor = (f64::from(rate_hz) / LOW_HZ).round().max(1.0) as usize;
        let taps = FILTER * factor;
        let window = |i: usize| 1.0 - maths::cos(TAU * (i as f64 + 0.5) / taps as f64);
        Self {
            factor,
            low_hz: f64::from(rate_hz) / factor as f64,
            filter: (0..taps).map(|i| window(i) / taps as f64).collect(),
            next: 0,
            low: Vec::new(),
            segments: 0,
            fft: None,
            kept: Vec::new(),
            quiet: Quiet::default(),
        }
    }

    pub fn scan(&mut self, trace: &Trace) {
        let segment = (SEGMENT_S * self.low_hz) as usize;
        let piece = (PIECE_S * self.low_hz) as usize;
        while let Some(window) = trace.get(self.next, self.next + self.filter.len() as u64) {
            let x = dot(window, &self.filter);
            self.next += self.factor as u64;
            self.low.push(x);
            self.quiet.push(x, piece);
            if self.low.len() == segment {
                self.transform();
                self.low.drain(..segment / 2);
            }
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
        let weights = weights(&self.low, mean, (ENVELOPE_S * self.low_hz) as usize);
        let quietness: f64 = weights.iter().sum();
        if !quietness.is_normal() {
            return;
        }
        let length = self.fft_length();
        let fft = self
            .fft
            .get_or_insert_with(|| RealFftPlanner::new().plan_fft_forward(length));
        let mut input = fft.make_input_vec();
        for ((slot, x), w) in input.iter_mut().zip(&self.low).zip(&weights) {
            *slot = (x - mean) * w;
        }
        let mut output = fft.make_output_vec();
        if fft.process(&mut input, &mut output).is_err() {
            return; // cannot be: both buffers come from the transform itself
        }
        let bins = ((TOP_HZ / self.low_hz * length as f64) as usize).min(output.len());
        let amplitude =
            |c: &realfft::num_complex::Complex<f64>| (2.0 * c.norm() / quietness) as f32;
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

    /// Four times a segment: a line is then several steps wide.
    fn fft_length(&self) -> usize {
        (4 * (SEGMENT_S * self.low_hz) as usize).next_power_of_two()
    }

    /// The hum, if there is one.
    pub fn finish(mut self) -> Option<Hum> {
        if let Some(hum) = self.quiet_spectrum().and_then(|s| self.read(&s, true)) {
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
        self.read(&spectrum, false)
    }

    fn quiet_spectrum(&self) -> Option<Spectrum> {
        let (_, samples) = self.quiet.best.as_ref()?;
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
                .map(|c| 4.0 * c.norm() / n as f64)
                .collect(),
            step_hz: self.low_hz / length as f64,
            search_hz: 0.3,
            near_hz: 2.0 * resolution_hz,
            far_hz: 10.0,
        })
    }

    /// The strongest hum of a spectrum.
    fn read(&self, spectrum: &Spectrum, in_a_gap: bool) -> Option<Hum> {
        let mut best: Option<Hum> = None;
        for (mains_hz, truth, header) in FUNDAMENTALS {
            let ratio = truth / header;
            let wrong = ratio != 1.0;
            let Some(hum) = self.series(spectrum, mains_hz / ratio, in_a_gap) else {
                continue;
            };
            let enough = if wrong { LINES_ELSEWHERE } else { LINES };
            // half a fundamental explains all lines of the whole one: it must explain more
            let least = best.map_or(LEAST_DBFS, |b| b.level_dbfs + if wrong { 1.0 } else { 0.0 });
            if hum.lines >= enough && hum.level_dbfs > least {
                best = Some(Hum {
                    wrong_rate: wrong.then_some((mains_hz, ratio)),
                    ..hum
                });
            }
        }
        best
    }

    /// The lines of one fundamental.
    fn series(&self, spectrum: &Spectrum, nominal_hz: f64, in_a_gap: bool) -> Option<Hum> {
        // mains wander by 0.2 Hz: the strongest harmonic tells by how much
        let wide = |h: usize| spectrum.largest(nominal_hz * h as f64, 0.2 * h as f64);
        let near = (1..=HARMONICS)
            .filter_map(|h| spectrum.line(wide(h)?).map(|(hz, a)| (hz / h as f64, a)));
        let (base_hz, _) = near.max_by(|a, b| a.1.total_cmp(&b.1))?;
        let mut lines = Vec::new();
        for h in 1..=HARMONICS {
            let target = base_hz * h as f64;
            if let Some((hz, amplitude)) = spectrum
                .largest(target, spectrum.search_hz)
                .and_then(|i| spectrum.line(i))
            {
                lines.push((h, hz, amplitude / self.response(hz)));
            }
        }
        let strongest = lines.iter().map(|(.., a)| *a).fold(0.0, f64::max);
        lines.retain(|(.., a)| *a >= FAINT * strongest);
        if lines.first().is_none_or(|&(h, ..)| h > 3) || spectrum.others(base_hz) > lines.len() {
            return None;
        }
        let power: f64 = lines.iter().map(|(_, _, a)| a * a / 2.0).sum();
        let weight: f64 = lines.iter().map(|(h, _, a)| a * *h as f64).sum();
        let frequency_hz = lines
            .iter()
            .map(|(h, hz, a)| hz / *h as f64 * (a * *h as f64) / weight)
            .sum();
        Some(Hum {
            frequency_hz: units::round_to(frequency_hz, 2),
            level_dbfs: units::round_to(units::power_to_db(power)?, 1),
            lines: lines.len(),
            in_a_gap,
            wrong_rate: None,
        })
    }

    /// Gain of the decimation filter.
    fn response(&self, hz: f64) -> f64 {
        let centre = (self.filter.len() - 1) as f64 / 2.0;
        let w = TAU * hz / (self.low_hz * self.factor as f64);
        self.filter
            .iter()
            .enumerate()
            .map(|(i, t)| t * maths::cos(w * (i as f64 - centre)))
            .sum()
    }
}

impl Spectrum {
    fn bin(&self, hz: f64) -> usize {
        (hz / self.step_hz).max(0.0) as usize
    }

    /// The largest bin within `span_hz` of a frequency.
    fn largest(&self, hz: f64, span_hz: f64) -> Option<usize> {
        let from = self.bin(hz - span_hz);
        let to = (self.bin(hz + span_hz) + 2).min(self.amplitudes.len());
        (from..to).max_by(|&a, &b| self.amplitudes[a].total_cmp(&self.amplitudes[b]))
    }

    /// Frequency and amplitude of a bin, if it is a line.
    fn line(&self, bin: usize) -> Option<(f64, f64)> {
        let a = &self.amplitudes;
        let (near, far) = (self.bin(self.near_hz), self.bin(self.far_hz));
        let below = &a[bin.saturating_sub(far)..bin.saturating_sub(near)];
        let above = a.get(bin + near..(bin + far).min(a.len()))?;
        let mut beside: Vec<f64> = below.iter().chain(above).copied().collect();
        let largest = beside.iter().copied().fold(0.0, f64::max);
        if beside.len() < 8 || a[bin] <= OVER_LARGEST * largest {
            return None;
        }
        let middle = beside.len() / 2;
        let median = *beside.select_nth_unstable_by(middle, f64::total_cmp).1;
        if a[bin] <= OVER_MEDIAN * median {
            return None;
        }
        // vertex of the parabola through the three bins
        let (left, top, right) = (*a.get(bin.wrapping_sub(1))?, a[bin], *a.get(bin + 1)?);
        let bend = left - 2.0 * top + right;
        let shift = if bend < 0.0 {
            0.5 * (left - right) / bend
        } else {
            0.0
        };
        let shift = shift.clamp(-0.5, 0.5);
        Some((
            (bin as f64 + shift) * self.step_hz,
            top - 0.25 * (left - right) * shift,
        ))
    }

    /// Lines that are no multiples of a fundamental: a pattern played to a strict tempo has lines
    /// at all its multiples, among them some at those of mains.
    fn others(&self, base_hz: f64) -> usize {
        let a = &self.amplitudes;
        let peak = |i: &usize| a[*i] > a[i - 1] && a[*i] >= a[i + 1];
        let mut count = 0;
        for bin in
            (self.bin(20.0).max(1)..a.len().saturating_sub(1 + self.bin(self.far_hz))).filter(peak)
        {
            let multiple = bin as f64 * self.step_hz / base_hz;
            let off_hz = (multiple - multiple.round()).abs() * base_hz;
            if off_hz > 2.0 * self.search_hz && self.line(bin).is_some() {
                count += 1;
            }
        }
        count
    }
}

impl Quiet {
    fn push(&mut self, x: f64, piece: usize) {
        self.samples.push(x);
        if self.samples.len() % piece != 0 {
            return;
        }
        let last = &self.samples[self.samples.len() - piece..];
        self.powers
            .push(last.iter().map(|x| x * x).sum::<f64>() / piece as f64);
        if self.powers.len() < QUIET_PIECES {
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

/// The weights of a segment, times a Hann window.
fn weights(low: &[f64], mean: f64, envelope: usize) -> Vec<f64> {
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
        .map(|(i, p)| hann(i, n) / (p + quiet + 1e-14))
        .collect();
    sorted.copy_from_slice(&weights);
    let cap = CAP * *sorted.select_nth_unstable_by(n / 2, f64::total_cmp).1;
    weights.iter_mut().for_each(|w| *w = w.min(cap));
    weights
}

fn hann(i: usize, n: usize) -> f64 {
    0.5 - 0.5 * maths::cos(TAU * i as f64 / n as f64)
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    const LANES: usize = 4;
    let mut sums = [0.0; LANES];
    let (a_chunks, a_rest) = a.as_chunks::<LANES>();
    let (b_chunks, b_rest) = b.as_chunks::<LANES>();
    for (a, b) in a_chunks.iter().zip(b_chunks) {
        for lane in 0..LANES {
            sums[lane] += a[lane] * b[lane];
        }
    }
    let rest: f64 = a_rest.iter().zip(b_rest).map(|(a, b)| a * b).sum();
    sums.iter().sum::<f64>() + rest
}
