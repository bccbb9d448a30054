//! The median.

/// The middle of the values that are finite, of an even number the mean of the middle two; `None` of
/// nothing.
pub(crate) fn median(values: impl IntoIterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.into_iter().filter(|v| v.is_finite()).collect();
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    match values.len() {
        0 => None,
        n if n % 2 == 1 => Some(values[middle]),
        _ => Some(0.5 * (values[middle - 1] + values[middle])),
    }
}

#[cfg(test)]
mod tests {
    use super::median;

    #[test]
    fn the_median_is_the_middle_of_what_is_finite() {
        assert_eq!(median([3.0, 1.0, 50.0]), Some(3.0));
        assert_eq!(median([3.0, 1.0]), Some(2.0));
        assert_eq!(median([f64::NAN, 4.0, f64::INFINITY]), Some(4.0));
        assert_eq!(median([]), None);
    }
}
