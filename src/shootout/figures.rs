//! Medians and their spread.

/// Median; `None` of nothing. What is not finite does not count.
pub(super) fn median(values: impl IntoIterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.into_iter().filter(|v| v.is_finite()).collect();
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    match values.len() {
        0 => None,
        n if n % 2 == 1 => Some(values[middle]),
        _ => Some(0.5 * (values[middle - 1] + values[middle])),
    }
}

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

    /// Whether it is beyond `step` and beyond twice the standard error of the median: of normal values
    /// 1.2533 standard deviations, which are 1.4826 median deviations, over the root of their number.
    pub fn is_beyond(&self, step: f64) -> bool {
        let size = self.median.abs();
        let error = 1.2533 * 1.4826 * self.spread / (self.hits as f64).sqrt();
        size >= step && size > 2.0 * error
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn median_and_spread_ignore_an_outlier() {
        let found = Difference::of([1.0, 1.2, 0.8, 50.0, f64::NAN, 1.0]).expect("values");
        assert_eq!((found.median, found.hits), (1.0, 5));
        assert!((found.spread - 0.2).abs() < 1e-12);
        assert_eq!(Difference::of([f64::NAN]), None);
    }

    #[test]
    fn a_difference_within_its_own_spread_is_not_said() {
        let sure = Difference {
            median: 2.5,
            spread: 1.0,
            hits: 9,
        };
        assert!(sure.is_beyond(2.0) && !sure.is_beyond(3.0));
        assert!(
            !Difference {
                hits: 1,
                spread: 2.0,
                ..sure
            }
            .is_beyond(2.0)
        );
    }
}
