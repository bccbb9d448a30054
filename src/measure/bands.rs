//! Third-octave bands from a Fourier transform.
//!
//! Mid-band frequencies are the exact ones of the base-ten system of IEC 61260-1:2014,
//! 1000 · 10^(k/10) Hz, band edges at 10^(±1/20) times the mid-band frequency. The energy of a band
//! is the sum of the power of the bins between its edges; a bin on an edge is shared.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use crate::dsp::maths;

/// Lowest and highest band of [`Analyser::energies`] by their numbers: 50 Hz and 16 kHz.
const FIRST: i32 = -13;
const LAST: i32 = 12;
/// Number of these bands.
pub const COUNT: usize = (LAST - FIRST + 1) as usize;

/// Exact mid-band frequency of band k, 0 for the one at 1 kHz, in hertz.
fn middle_hz(k: i32) -> f64 {
    1000.0 * maths::pow(10.0, f64::from(k) / 10.0)
}

/// Lower and upper edge of band k, in hertz.
pub fn edges_hz(k: i32) -> (f64, f64) {
    let edge = maths::pow(10.0, 0.05);
    (middle_hz(k) / edge, middle_hz(k) * edge)
}

/// Nominal frequency of band k (IEC 61260-1, annex on nominal frequencies), for people, in hertz.
pub fn nominal_hz(k: i32) -> f64 {
    const NOMINAL: [f64; 10] = [1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0];
    let scale = 10f64.powi(k.div_euclid(10) + 3);
    crate::units::round_to(NOMINAL[k.rem_euclid(10) as usize] * scale, 1)
}

/// Numbers of the bands of [`Analyser::energies`].
pub fn numbers() -> [i32; COUNT] {
    std::array::from_fn(|i| FIRST + i as i32)
}

/// Their exact mid-band frequencies in hertz.
pub fn middles_hz() -> [f64; COUNT] {
    numbers().map(middle_hz)
}

/// Transforms pieces of sound at one rate into band energies.
pub struct Analyser {
    rate_hz: f64,
    planner: RealFftPlanner<f64>,
}

impl Analyser {
    /// At a sample rate.
    pub fn new(rate_hz: u32) -> Self {
        Self {
            rate_hz: f64::from(rate_hz),
            planner: RealFftPlanner::new(),
        }
    }

    /// A transform long enough for `frames`, and for bins that the lowest band has eight of.
    fn plan(&mut self, frames: usize) -> Arc<dyn RealToComplex<f64>> {
        let least = (self.rate_hz / 1.5) as usize;
        self.planner
            .plan_fft_forward(frames.max(least).next_power_of_two())
    }

    /// Energy (sum of squares) of a piece of sound in each band. A band beyond half the rate has
    /// what there is of it.
    pub fn energies(&mut self, samples: &[f64]) -> [f64; COUNT] {
        let fft = self.plan(samples.len());
        self.within(fft, samples, numbers().map(edges_hz))
    }

    /// The same between any frequencies, as finely as the piece is long.
    pub fn ranges<const N: usize>(
        &mut self,
        samples: &[f64],
        ranges_hz: [(f64, f64); N],
    ) -> [f64; N] {
        let fft = self
            .planner
            .plan_fft_forward(samples.len().next_power_of_two().max(2));
        self.within(fft, samples, ranges_hz)
    }

    fn within<const N: usize>(
        &self,
        fft: Arc<dyn RealToComplex<f64>>,
        samples: &[f64],
        ranges_hz: [(f64, f64); N],
    ) -> [f64; N] {
        let mut input = fft.make_input_vec();
        input[..samples.len()].copy_from_slice(samples);
        let mut bins = fft.make_output_vec();
        if fft.process(&mut input, &mut bins).is_err() {
            return [0.0; N]; // the lengths fit by construction
        }
        let size = input.len() as f64;
        // both halves of the spectrum; the sum over all bins is the energy (Parseval)
        let power = |c: &Complex<f64>| 2.0 * c.norm_sqr() / size;
        let mut sums = Vec::with_capacity(bins.len() + 1);
        sums.push(0.0);
        let mut sum = 0.0;
        for bin in &bins {
            sum += power(bin);
            sums.push(sum);
        }
        // energy below a frequency: bin i covers i ± ½
        let below = |hz: f64| {
            let at = (hz * size / self.rate_hz + 0.5).clamp(0.0, bins.len() as f64);
            let whole = (at as usize).min(bins.len() - 1);
            sums[whole] + (at - whole as f64) * (sums[whole + 1] - sums[whole])
        };
        ranges_hz.map(|(low, high)| below(high) - below(low))
    }

    /// The same sound with nothing but what lies between two frequencies: zero phase, edges a sixth
    /// of an octave wide.
    pub fn between(&mut self, samples: &[f64], low_hz: f64, high_hz: f64) -> Vec<f64> {
        let fft = self.plan(samples.len() + samples.len() / 4);
        let mut input = fft.make_input_vec();
        input[..samples.len()].copy_from_slice(samples);
        let mut bins = fft.make_output_vec();
        let back = self.planner.plan_fft_inverse(input.len());
        if fft.process(&mut input, &mut bins).is_err() {
            return vec![0.0; samples.len()];
        }
        let size = input.len() as f64;
        let ramp = |octaves: f64| {
            let x = (octaves * 6.0 + 0.5).clamp(0.0, 1.0);
            0.5 - 0.5 * (std::f64::consts::PI * x).cos()
        };
        for (i, bin) in bins.iter_mut().enumerate() {
            let hz = (i as f64 * self.rate_hz / size).max(1e-3);
            *bin *= ramp((hz / low_hz).log2()) * ramp((high_hz / hz).log2()) / size;
        }
        if let Some(bin) = bins.first_mut() {
            bin.im = 0.0;
        }
        if let Some(bin) = bins.last_mut() {
            bin.im = 0.0;
        }
        if back.process(&mut bins, &mut input).is_err() {
            return vec![0.0; samples.len()];
        }
        input.truncate(samples.len());
        input
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{noise, sine};

    fn db(x: f64) -> f64 {
        10.0 * x.max(1e-30).log10()
    }

    /// A tone that has no edges of its own.
    fn tone(hz: f64, rate_hz: u32) -> Vec<f64> {
        let frames = rate_hz as usize;
        let mut samples = sine(hz, f64::from(rate_hz), frames);
        for (i, x) in samples.iter_mut().enumerate() {
            *x *= 0.5 - 0.5 * (std::f64::consts::TAU * i as f64 / frames as f64).cos();
        }
        samples
    }

    #[test]
    fn mid_bands_are_those_of_the_standard() {
        let middles = middles_hz();
        // IEC 61260-1:2014: exact and nominal mid-band frequencies (values from memory)
        for (index, exact, nominal) in [
            (0, 50.119, 50.0),
            (5, 158.489, 160.0),
            (13, 1000.0, 1000.0),
            (19, 3981.072, 4000.0),
            (25, 15848.93, 16000.0),
        ] {
            assert!((middles[index] - exact).abs() < 0.01, "{index}");
            assert_eq!(nominal_hz(numbers()[index]), nominal);
        }
    }

    #[test]
    fn a_sine_lies_in_its_own_band_by_more_than_60_db() {
        for rate in [44_100, 48_000, 96_000] {
            let mut analyser = Analyser::new(rate);
            for (index, hz) in middles_hz().into_iter().enumerate() {
                let samples = tone(hz, rate);
                let energies = analyser.energies(&samples);
                let whole: f64 = samples.iter().map(|x| x * x).sum();
                assert!(db(energies[index] / whole).abs() < 0.01, "{rate} {hz}");
                for (other, energy) in energies.iter().enumerate().filter(|(i, _)| *i != index) {
                    assert!(db(energies[index] / energy) > 60.0, "{rate} {hz} {other}");
                }
            }
        }
    }

    /// Relative attenuation limits of class 1, IEC 61260-1:2014 Table 1, carried over to a third of
    /// an octave by its equation for fractional bands. Values from memory.
    #[test]
    fn the_filters_keep_within_class_1() {
        let g = 10f64.powf(0.3);
        let mut analyser = Analyser::new(48_000);
        let middle = middles_hz()[13];
        let mut attenuation = |omega: f64| {
            let samples = tone(middle * omega, 48_000);
            let whole: f64 = samples.iter().map(|x| x * x).sum();
            -db(analyser.energies(&samples)[13] / whole)
        };
        let third = |octaves: f64| {
            let high = g.powf(octaves);
            1.0 + (g.powf(1.0 / 6.0) - 1.0) / (g.powf(0.5) - 1.0) * (high - 1.0)
        };
        for (octaves, least, most) in [
            (0.0, -0.4, 0.4),
            (0.125, -0.4, 0.5),
            (0.25, -0.4, 0.7),
            (0.375, -0.4, 1.4),
            (0.5, 1.6, 5.3), // at the edge: just inside reads 0 to 5.3, just outside 1.6 and more
            (1.0, 16.6, f64::INFINITY),
            (2.0, 40.5, f64::INFINITY),
            (3.0, 60.0, f64::INFINITY),
            (4.0, 70.0, f64::INFINITY),
        ] {
            for omega in [third(octaves), 1.0 / third(octaves)] {
                let db = attenuation(omega);
                assert!(
                    db >= least && db <= most,
                    "{octaves} octaves ({omega}): {db} dB"
                );
            }
        }
    }

    #[test]
    fn white_noise_rises_by_one_decibel_a_band() {
        let mut analyser = Analyser::new(48_000);
        let mut mean = [0.0; COUNT];
        for seed in 0..20 {
            let energies = analyser.energies(&noise(seed, 48_000));
            mean.iter_mut()
                .zip(energies)
                .for_each(|(sum, e)| *sum += e / 20.0);
        }
        // least squares over the number of the band
        let n = COUNT as f64;
        let x = (n - 1.0) / 2.0;
        let y = mean.iter().map(|e| db(*e)).sum::<f64>() / n;
        let (top, bottom) = mean.iter().enumerate().fold((0.0, 0.0), |(t, b), (i, e)| {
            let dx = i as f64 - x;
            (t + dx * (db(*e) - y), b + dx * dx)
        });
        assert!((top / bottom - 1.0).abs() < 0.05, "{}", top / bottom);
    }

    #[test]
    fn between_keeps_what_lies_inside_and_nothing_else() {
        let mut analyser = Analyser::new(48_000);
        let energy = |x: &[f64]| x.iter().map(|x| x * x).sum::<f64>();
        for (hz, inside) in [(80.0, false), (250.0, true), (900.0, false)] {
            let samples = tone(hz, 48_000);
            let kept = db(energy(&analyser.between(&samples, 100.0, 500.0)) / energy(&samples));
            assert!(
                if inside {
                    kept.abs() < 0.01
                } else {
                    kept < -60.0
                },
                "{hz}: {kept}"
            );
        }
    }
}
