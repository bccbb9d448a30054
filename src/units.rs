//! Conversions between units, each in one place.

/// Amplitude ratio → decibels. `None` for zero, negative or non-finite input: a report holds
/// `null` there, never −∞.
pub fn ratio_to_db(ratio: f64) -> Option<f64> {
    (ratio > 0.0 && ratio.is_finite()).then(|| 20.0 * ratio.log10())
}

/// Power ratio → decibels; `None` as in [`ratio_to_db`].
pub fn power_to_db(power: f64) -> Option<f64> {
    (power > 0.0 && power.is_finite()).then(|| 10.0 * power.log10())
}

/// Decibels → amplitude ratio, for measuring only. Whatever multiplies audio uses
/// [`crate::dsp::maths::db_to_ratio`], which gives the same bits on every platform.
pub fn db_to_ratio(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

/// Rounds to `digits` decimals: the one rounding of all reports, so that JSON, CSV and HTML agree.
pub fn round_to(value: f64, digits: u32) -> f64 {
    let scale = 10f64.powi(digits as i32);
    let rounded = (value * scale).round() / scale;
    rounded + 0.0 // no negative zero in a report
}
