//! Medians and spreads that single strokes cannot spoil, with their standard errors.
//!
//! For normal scatter of deviation s over n values the median has the standard error
//! √(π/2) · s / √n (Kenney and Keeping, "Mathematics of Statistics", part 1, 1962, from memory), and
//! 1.4826 times the median absolute deviation, whose efficiency is 36.74 % (Rousseeuw and Croux,
//! JASA 88, 1993, from memory), s / √(2 · 0.3674 · n).

use serde::{Deserialize, Serialize};

use crate::dsp::median;

/// Fewer values have no spread.
const FEWEST: usize = 8;
/// From the median absolute deviation to the standard deviation of a normal distribution.
const TO_DEVIATION: f64 = 1.4826;
const EFFICIENCY: f64 = 0.3674;

/// A figure and its standard error, in the same unit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// The figure.
    pub value: f64,
    /// Its standard error.
    pub error: f64,
}

impl Estimate {
    /// Whether this lies above another by more than `times` the standard error of the difference.
    pub fn exceeds(&self, other: &Self, times: f64) -> bool {
        self.value - other.value > times * libm::hypot(self.error, other.error)
    }
}

/// Standard deviation by the median absolute deviation.
pub(super) fn deviation(values: &[f64]) -> Option<f64> {
    let middle = median(values.iter().copied())?;
    Some(TO_DEVIATION * median(values.iter().map(|v| (v - middle).abs()))?)
}

/// The median; `None` for fewer than eight values.
pub(super) fn location(values: &[f64]) -> Option<Estimate> {
    let spread = spread(values)?.value;
    Some(Estimate {
        value: median(values.iter().copied())?,
        error: (std::f64::consts::FRAC_PI_2 / values.len() as f64).sqrt() * spread,
    })
}

/// The standard deviation; `None` for fewer than eight values.
pub(super) fn spread(values: &[f64]) -> Option<Estimate> {
    let value = deviation(values).filter(|_| values.len() >= FEWEST)?;
    Some(Estimate {
        value,
        error: value / (2.0 * EFFICIENCY * values.len() as f64).sqrt(),
    })
}

/// A straight line by least squares: value at `mean_x`, slope, and how far `x` spreads.
#[derive(Clone, Copy, Debug)]
pub(super) struct Line {
    pub mean_x: f64,
    pub mean_y: f64,
    pub slope: f64,
    /// Sum of squared distances of `x` from its mean.
    pub sxx: f64,
    pub n: usize,
}

impl Line {
    /// `None` where all `x` are the same.
    pub fn fit(points: impl Iterator<Item = (f64, f64)> + Clone) -> Option<Self> {
        let n = points.clone().count();
        let (sum_x, sum_y) = points
            .clone()
            .fold((0.0, 0.0), |s, p| (s.0 + p.0, s.1 + p.1));
        let (mean_x, mean_y) = (sum_x / n.max(1) as f64, sum_y / n.max(1) as f64);
        let (sxx, sxy) = points.fold((0.0, 0.0), |s, (x, y)| {
            (
                s.0 + (x - mean_x).powi(2),
                s.1 + (x - mean_x) * (y - mean_y),
            )
        });
        (sxx > 0.0).then(|| Self {
            mean_x,
            mean_y,
            slope: sxy / sxx,
            sxx,
            n,
        })
    }

    /// On the line.
    pub fn at(&self, x: f64) -> f64 {
        self.mean_y + self.slope * (x - self.mean_x)
    }

    /// The share that a point at `x` had in its own place on the line: a residual there is too small
    /// by √(1 − leverage).
    pub fn leverage(&self, x: f64) -> f64 {
        1.0 / self.n as f64 + (x - self.mean_x).powi(2) / self.sxx
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::random::Random;

    #[test]
    fn errors_are_those_that_repeated_trials_show() {
        let mut rng = Random::new(3);
        let trials: Vec<(Estimate, Estimate)> = (0..2000)
            .map(|_| {
                let values: Vec<f64> = (0..200).map(|_| 3.0 + rng.normal(5.0)).collect();
                (location(&values).unwrap(), spread(&values).unwrap())
            })
            .collect();
        for (wanted, of) in [
            (3.0, (|t| t.0) as fn(&(Estimate, Estimate)) -> Estimate),
            (5.0, |t| t.1),
        ] {
            let n = trials.len() as f64;
            let mean = trials.iter().map(|t| of(t).value).sum::<f64>() / n;
            let seen = (trials
                .iter()
                .map(|t| (of(t).value - mean).powi(2))
                .sum::<f64>()
                / n)
                .sqrt();
            let said = trials.iter().map(|t| of(t).error).sum::<f64>() / n;
            assert!((mean - wanted).abs() < 0.05, "{mean}");
            assert!((seen / said - 1.0).abs() < 0.08, "seen {seen}, said {said}");
        }
    }

    #[test]
    fn a_tenth_of_strokes_far_off_moves_neither_median_nor_spread_by_much() {
        let mut rng = Random::new(5);
        let values: Vec<f64> = (0..400)
            .map(|i| if i % 10 == 0 { 90.0 } else { rng.normal(6.0) })
            .collect();
        let (middle, spread) = (location(&values).unwrap(), spread(&values).unwrap());
        assert!(middle.value.abs() < 1.8 && (spread.value / 6.0 - 1.0).abs() < 0.3);
    }

    #[test]
    fn few_values_have_no_spread() {
        assert_eq!(spread(&[1.0; 7]), None);
        assert_eq!(location(&[]), None);
        assert_eq!(spread(&[2.0; 8]).map(|s| s.value), Some(0.0));
    }
}
