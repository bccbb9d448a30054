//! `low-shelf`, `high-shelf` and `tilt`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Lifts or lowers everything below a frequency.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LowShelf {
    /// Where half the gain is reached, in hertz: above 0 and below half the sample rate.
    pub freq_hz: f64,
    /// Gain of the shelf, −24 to 24 dB.
    pub gain_db: f64,
    /// Quality, 0.1 to 2; above 0.707 the shelf overshoots. Default 0.707.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub q: Option<f64>,
    /// Slope, above 0 to 1, instead of `q`; 1 is the steepest without overshoot.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub slope: Option<f64>,
}

/// Lifts or lowers everything above a frequency.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct HighShelf {
    /// Where half the gain is reached, in hertz: above 0 and below half the sample rate.
    pub freq_hz: f64,
    /// Gain of the shelf, −24 to 24 dB.
    pub gain_db: f64,
    /// Quality, 0.1 to 2; above 0.707 the shelf overshoots. Default 0.707.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub q: Option<f64>,
    /// Slope, above 0 to 1, instead of `q`; 1 is the steepest without overshoot.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub slope: Option<f64>,
}

/// Turns the balance about a frequency: lows down and highs up by the same amount, or the reverse.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Tilt {
    /// The frequency that keeps its level, in hertz: above 0 and below half the sample rate.
    pub freq_hz: f64,
    /// Gain far above it, −12 to 12 dB; far below it has the opposite sign.
    pub gain_db: f64,
}
