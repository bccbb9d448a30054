//! The plainest filters, for noise and for air.

use crate::dsp::maths::exp;

/// Colours noise: one pole at each end.
pub struct Band {
    low: f64,
    high: f64,
    slow: f64,
    fast: f64,
}

impl Band {
    /// Keeps what lies between the two corners (−3 dB each).
    pub fn new(low_hz: f64, high_hz: f64, rate_hz: f64) -> Self {
        Self {
            low: one_pole(low_hz, rate_hz),
            high: one_pole(high_hz, rate_hz),
            slow: 0.0,
            fast: 0.0,
        }
    }

    /// Next sample.
    pub fn next(&mut self, x: f64) -> f64 {
        self.fast += self.high * (x + TINY - self.fast);
        self.slow += self.low * (self.fast - self.slow);
        self.fast - self.slow
    }
}

/// Added where a filter would otherwise die away into numbers that are slow to compute with.
pub const TINY: f64 = 1e-25;

/// Coefficient of a one-pole low-pass, y += c·(x − y).
pub fn one_pole(freq_hz: f64, rate_hz: f64) -> f64 {
    1.0 - exp(-std::f64::consts::TAU * freq_hz / rate_hz)
}
