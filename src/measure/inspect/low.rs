//! [`Low`]: the track at about 2 kHz, for what is slow: hum and DC.

use std::f64::consts::TAU;

use multiversion::multiversion;

use super::Trace;
use crate::dsp::maths;

/// Rate of the decimated data, nearly.
const LOW_HZ: f64 = 2000.0;
/// Length of the filter (a Hann window) in its output samples: its response first vanishes at half
/// the output rate, and what folds onto hum is 40 dB down and more.
const LENGTH: usize = 4;

#[derive(Clone, Debug)]
pub(super) struct Low {
    /// Input samples for one of the decimated ones.
    factor: usize,
    rate_hz: f64,
    filter: Vec<f64>,
    /// First frame of the next filter window.
    next: u64,
}

impl Low {
    pub fn new(rate_hz: u32) -> Self {
        let factor = (f64::from(rate_hz) / LOW_HZ).round().max(1.0) as usize;
        let taps = LENGTH * factor;
        let window = |i: usize| 1.0 - maths::cos(TAU * (i as f64 + 0.5) / taps as f64);
        Self {
            factor,
            rate_hz: f64::from(rate_hz) / factor as f64,
            filter: (0..taps).map(|i| window(i) / taps as f64).collect(),
            next: 0,
        }
    }

    /// Decimated samples a second.
    pub fn rate_hz(&self) -> f64 {
        self.rate_hz
    }

    /// Gives what the trace holds by now to `each`.
    pub fn scan(&mut self, trace: &Trace, mut each: impl FnMut(f64)) {
        while let Some(window) = trace.get(self.next, self.next + self.filter.len() as u64) {
            each(dot(window, &self.filter));
            self.next += self.factor as u64;
        }
    }

    /// Gain at a frequency, 1 at 0 Hz.
    pub fn response(&self, hz: f64) -> f64 {
        let centre = (self.filter.len() - 1) as f64 / 2.0;
        let w = TAU * hz / (self.rate_hz * self.factor as f64);
        let taps = self.filter.iter().enumerate();
        taps.map(|(i, t)| t * maths::cos(w * (i as f64 - centre)))
            .sum()
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn dot(a: &[f64], b: &[f64]) -> f64 {
    const LANES: usize = 8;
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
