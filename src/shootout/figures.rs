//! Differences over matched hits, and how far they can be trusted.

use crate::dsp::median;

/// A difference over several hits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Difference {
    /// Median.
    pub median: f64,
    /// Median absolute deviation from it.
    pub spread: f64,
    /// How many hits it rests on.
    pub hits: usize,
}

impl Difference {
    /// Of the values that are finite; `None` where there is none.
    pub fn of(values: impl IntoIterator<Item = f64>) -> Option<Self> {
        let values: Vec<f64> = values.into_iter().filter(|v| v.is_finite()).collect();
        let middle = median(values.iter().copied())?;
        let spread = median(values.iter().map(|v| (v - middle).abs()))?;
        Some(Self {
            median: middle,
            spread,
            hits: values.len(),
        })
    }

    /// Half the 95 % interval of the median. The standard error of a median of normal values is 1.2533
    /// standard deviations over the root of their number, and a standard deviation is 1.4826 median
    /// deviations; times the quantile of Student's distribution, by the first terms of its
    /// Cornish-Fisher expansion (Abramowitz and Stegun, 26.7.5). Endless for one hit.
    pub fn plus_minus(&self) -> f64 {
        const NORMAL: f64 = 1.959_964;
        let freedom = self.hits as f64 - 1.0;
        if freedom < 1.0 {
            return f64::INFINITY;
        }
        let (cube, fifth) = (NORMAL.powi(3), NORMAL.powi(5));
        let quantile = NORMAL
            + (cube + NORMAL) / (4.0 * freedom)
            + (5.0 * fifth + 16.0 * cube + 3.0 * NORMAL) / (96.0 * freedom * freedom);
        quantile * 1.2533 * 1.4826 * self.spread / (self.hits as f64).sqrt()
    }

    /// Whether it is at least `step`, and larger than its 95 % interval reaches.
    pub fn is_beyond(&self, step: f64) -> bool {
        let size = self.median.abs();
        size >= step && size > self.plus_minus()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{assert_close, noise};

    #[test]
    fn median_and_spread_ignore_an_outlier() {
        let found = Difference::of([1.0, 1.2, 0.8, 50.0, f64::NAN, 1.0]).expect("values");
        assert_eq!((found.median, found.hits), (1.0, 5));
        assert_close(found.spread, 0.2, 1e-12, "spread");
        assert_eq!(Difference::of([f64::NAN]), None);
    }

    #[test]
    fn a_difference_within_its_own_interval_is_not_said() {
        let sure = Difference {
            median: 2.5,
            spread: 1.0,
            hits: 9,
        };
        assert!(sure.is_beyond(2.0) && !sure.is_beyond(3.0));
        assert!(!Difference { hits: 1, ..sure }.is_beyond(2.0));
        assert!(
            !Difference {
                hits: 5,
                spread: 1.4,
                ..sure
            }
            .is_beyond(2.0)
        );
    }

    /// Sums of twelve even values are as good as normal; their true median is 0.
    #[test]
    fn the_interval_holds_the_true_median_in_nineteen_of_twenty_sets() {
        for hits in [8, 16, 40] {
            let sets = 2000;
            let held = (0..sets).filter(|&set| {
                let values = noise(1 + set, 12 * hits);
                let sums = values.chunks_exact(12).map(|chunk| chunk.iter().sum());
                let found = Difference::of(sums).expect("values");
                found.median.abs() <= found.plus_minus()
            });
            let share = held.count() as f64 / sets as f64;
            assert!((0.91..0.98).contains(&share), "{hits} hits: {share}");
        }
    }
}
