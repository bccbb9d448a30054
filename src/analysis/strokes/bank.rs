//! Six band-pass filters side by side, in lanes that the compiler turns into vector instructions.

use multiversion::multiversion;

use crate::dsp::maths;

/// Number of bands.
pub const BANDS: usize = 6;

/// Lower and upper edge of each band in hertz: boom, body, low mids, mids, attack, sizzle.
pub const EDGES_HZ: [(f64, f64); BANDS] = [
    (40.0, 110.0),
    (110.0, 250.0),
    (250.0, 600.0),
    (600.0, 1800.0),
    (1800.0, 5000.0),
    (5000.0, 12000.0),
];

/// The bands that an attack is heard in, above the ring of any drum.
pub(crate) const ATTACK_BANDS: std::ops::Range<usize> = 4..BANDS;

/// One band a lane, and two empty lanes that make whole vectors.
const LANES: usize = 8;
type Lanes = [f64; LANES];

/// Second-order sections, one a lane: `y = x + c·x₁ + x₂ − a1·y₁ − a2·y₂`, with c = −2 for a
/// high-pass and 2 for a low-pass.
#[derive(Clone, Debug)]
struct Section {
    a1: Lanes,
    a2: Lanes,
}

impl Section {
    /// Butterworth sections by the bilinear transform (Oppenheim & Schafer, Discrete-Time Signal
    /// Processing, ch. 7): k = tan(π f / rate). Beside them the gains that are left out of them.
    fn new(freq_hz: [f64; BANDS], rate_hz: f64, high_pass: bool) -> (Self, [f64; BANDS]) {
        let mut gains = [0.0; BANDS];
        let mut section = Self {
            a1: [0.0; LANES],
            a2: [0.0; LANES],
        };
        for (band, &freq) in freq_hz.iter().enumerate() {
            let k = maths::tan(std::f64::consts::PI * freq / rate_hz);
            let norm = 1.0 / (1.0 + std::f64::consts::SQRT_2 * k + k * k);
            gains[band] = if high_pass { norm } else { k * k * norm };
            section.a1[band] = 2.0 * (k * k - 1.0) * norm;
            section.a2[band] = (1.0 - std::f64::consts::SQRT_2 * k + k * k) * norm;
        }
        (section, gains)
    }
}

/// The filters of one channel.
#[derive(Clone, Debug)]
pub struct Bank {
    high: Section,
    low: Section,
    /// What the energy of each band is to be multiplied by; 0 where it lies above half the rate.
    scale: [f64; BANDS],
    state: [Lanes; 4],
}

impl Bank {
    /// For a rate in hertz; a band that begins above 0.45 of it gives nothing.
    pub fn new(rate_hz: u32) -> Self {
        let rate = f64::from(rate_hz);
        let top = 0.45 * rate;
        let (high, high_gains) = Section::new(EDGES_HZ.map(|(lo, _)| lo.min(top)), rate, true);
        let (low, low_gains) = Section::new(EDGES_HZ.map(|(_, hi)| hi.min(top)), rate, false);
        let scale = |band: usize| {
            let gain = high_gains[band] * low_gains[band];
            if EDGES_HZ[band].0 < top {
                gain * gain
            } else {
                0.0
            }
        };
        Self {
            scale: std::array::from_fn(scale),
            high,
            low,
            state: [[0.0; LANES]; 4],
        }
    }

    /// Filters `samples` and adds the energy of each band to `sums`.
    pub fn run(&mut self, samples: &[f64], sums: &mut [f64; BANDS]) {
        let energies = energies(&self.high, &self.low, &mut self.state, samples);
        for ((sum, energy), scale) in sums.iter_mut().zip(energies).zip(self.scale) {
            *sum += energy * scale;
        }
    }

    /// Ends what has rung below any audible level, so that silence costs no slow arithmetic.
    /// To be called at fixed frame numbers only.
    pub fn settle(&mut self) {
        for lanes in &mut self.state {
            for value in lanes {
                if value.abs() < 1e-20 {
                    *value = 0.0;
                }
            }
        }
    }
}

/// The energy of each band of `samples`, without the gains of the sections.
#[multiversion(targets("x86_64+avx2"))]
fn energies(high: &Section, low: &Section, state: &mut [Lanes; 4], samples: &[f64]) -> Lanes {
    let [mut h1, mut h2, mut l1, mut l2] = *state;
    let mut energies = [0.0; LANES];
    for &x in samples {
        let twice = 2.0 * x;
        for b in 0..LANES {
            // transposed form: two states a section
            let y = x + h1[b];
            h1[b] = h2[b] - twice - high.a1[b] * y;
            h2[b] = x - high.a2[b] * y;
            let z = y + l1[b];
            l1[b] = l2[b] + 2.0 * y - low.a1[b] * z;
            l2[b] = y - low.a2[b] * z;
            energies[b] += z * z;
        }
    }
    *state = [h1, h2, l1, l2];
    energies
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sine_in_the_middle_of_a_band_is_loudest_there() {
        for rate in [44_100, 48_000, 96_000] {
            for (band, (lo, hi)) in EDGES_HZ.iter().enumerate() {
                let f = (lo * hi).sqrt();
                let x: Vec<f64> = (0..rate)
                    .map(|i| (std::f64::consts::TAU * f * f64::from(i) / f64::from(rate)).sin())
                    .collect();
                let mut sums = [0.0; BANDS];
                Bank::new(rate as u32).run(&x, &mut sums);
                let loudest = (0..BANDS).max_by(|&a, &b| sums[a].total_cmp(&sums[b]));
                assert_eq!(loudest, Some(band), "{rate} {sums:?}");
            }
        }
    }

    #[test]
    fn edges_are_three_decibels_down() {
        // 40 Hz in the lowest band: −3.01 dB by the high-pass, a little more by the low-pass
        let rate = 48_000;
        let x: Vec<f64> = (0..rate)
            .map(|i| (std::f64::consts::TAU * 40.0 * f64::from(i) / f64::from(rate)).sin())
            .collect();
        let mut sums = [0.0; BANDS];
        let mut bank = Bank::new(48_000);
        bank.run(&x, &mut [0.0; BANDS]);
        bank.run(&x, &mut sums);
        let db = 10.0 * (sums[0] / (0.5 * f64::from(rate))).log10();
        let low = -10.0 * (1.0 + (40.0f64 / 110.0).powi(4)).log10();
        assert!((db - (-3.0103 + low)).abs() < 0.01, "{db}");
    }
}
