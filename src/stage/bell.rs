//! `peak` and `notch`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Lifts or lowers the surroundings of a frequency.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Peak {
    /// Centre, in hertz: above 0 and below half the sample rate.
    pub freq_hz: f64,
    /// Gain at the centre, −24 to 24 dB.
    pub gain_db: f64,
    /// Quality, 0.1 to 40: centre divided by the width between the points of half the gain in dB.
    pub q: f64,
}

/// Takes one frequency out.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Notch {
    /// Centre, in hertz: above 0 and below half the sample rate.
    pub freq_hz: f64,
    /// Quality, 0.1 to 200: centre divided by the width between the −3.01 dB points.
    pub q: f64,
}
