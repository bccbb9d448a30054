//! Pseudo-random numbers.

use std::f64::consts::TAU;

/// A small generator of pseudo-random numbers (splitmix64; Steele, Lea, Flood, OOPSLA 2014).
#[derive(Clone, Debug)]
pub struct Rng(u64);

impl Rng {
    /// From a seed.
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0xD1B5_4A32_D192_ED03)
    }

    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Evenly distributed in `low..high`.
    pub fn uniform(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Normally distributed around 0 (Box and Muller).
    pub fn normal(&mut self, deviation: f64) -> f64 {
        let u = 1.0 - self.uniform(0.0, 1.0);
        let v = self.uniform(0.0, TAU);
        deviation * (-2.0 * u.ln()).sqrt() * v.cos()
    }

    /// A whole number below `count`.
    pub fn index(&mut self, count: usize) -> usize {
        (self.bits() % count.max(1) as u64) as usize
    }
}

/// Decibels → amplitude ratio.
pub fn ratio(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}
