//! A short piece of sound at a low rate, for looking at partials.

/// The rate aimed at.
const TARGET_HZ: f64 = 2400.0;
/// Where the kernel is 6 dB down, as a fraction of the low rate.
const CUTOFF: f64 = 0.45;
/// Zero crossings of the kernel on either side.
const LOBES: f64 = 16.0;

/// A low-pass and decimator by a whole number.
pub(crate) struct Decimator {
    factor: usize,
    kernel: Vec<f64>,
    rate_hz: f64,
}

impl Decimator {
    /// For sound at this rate; the low rate is as near to 2.4 kHz as a whole factor allows.
    pub fn new(rate_hz: u32) -> Self {
        let factor = (f64::from(rate_hz) / TARGET_HZ).round().max(1.0) as usize;
        let half = (LOBES * factor as f64) as i64;
        // windowed sinc with a four-term window (Harris, Proc. IEEE 66(1), 1978): −92 dB
        let mut kernel: Vec<f64> = (-half..=half)
            .map(|i| {
                let x = i as f64 / factor as f64 * 2.0 * CUTOFF;
                let sinc = if i == 0 {
                    1.0
                } else {
                    (std::f64::consts::PI * x).sin() / (std::f64::consts::PI * x)
                };
                let u = std::f64::consts::PI * (i as f64 / (half + 1) as f64 + 1.0);
                let window = 0.35875 - 0.48829 * u.cos() + 0.14128 * (2.0 * u).cos()
                    - 0.01168 * (3.0 * u).cos();
                sinc * window
            })
            .collect();
        let sum: f64 = kernel.iter().sum();
        kernel.iter_mut().for_each(|k| *k /= sum);
        Self {
            factor,
            kernel,
            rate_hz: f64::from(rate_hz) / factor as f64,
        }
    }

    /// The low rate in hertz.
    pub fn rate_hz(&self) -> f64 {
        self.rate_hz
    }

    /// Samples of a piece for each decimated one.
    pub fn factor(&self) -> usize {
        self.factor
    }

    /// Samples that a piece must have before its first and after its last sample that counts.
    pub fn margin(&self) -> usize {
        self.kernel.len() / 2
    }

    /// Every `factor`-th sample of `sound`, which carries [`Decimator::margin`] more on both sides.
    pub fn run(&self, sound: &[f64]) -> Vec<f64> {
        (0..)
            .map(|i| i * self.factor)
            .map_while(|at| sound.get(at..at + self.kernel.len()))
            .map(|piece| piece.iter().zip(&self.kernel).map(|(x, k)| x * k).sum())
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn low_tones_pass_and_what_would_fold_down_does_not() {
        for rate in [44_100u32, 48_000, 96_000] {
            let decimator = Decimator::new(rate);
            let level = |freq: f64| {
                let sound: Vec<f64> = (0..rate / 2)
                    .map(|i| (std::f64::consts::TAU * freq * f64::from(i) / f64::from(rate)).sin())
                    .collect();
                let mut low = decimator.run(&sound);
                low.truncate((0.4 * decimator.rate_hz()).round() as usize); // whole periods
                (2.0 * low.iter().map(|x| x * x).sum::<f64>() / low.len() as f64).sqrt()
            };
            assert!((level(100.0) - 1.0).abs() < 1e-3);
            assert!((level(800.0) - 1.0).abs() < 1e-3, "{}", level(800.0));
            assert!(level(1500.0) < 1e-3, "{}", level(1500.0));
        }
    }
}
