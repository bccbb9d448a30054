//! `high-pass` and `low-pass`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The family of a slope.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Shape {
    /// Flattest pass band, 3.01 dB down at the frequency.
    #[default]
    Butterworth,
    /// Two Butterworth filters in series, 6.02 dB down at the frequency; even orders only.
    LinkwitzRiley,
}

/// Takes out what lies below a frequency.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct HighPass {
    /// Where the level is 3.01 dB down (Butterworth), in hertz: above 0 and below half the sample rate.
    pub freq_hz: f64,
    /// 1 to 8; the slope is 6 dB per octave times the order.
    pub order: u8,
    /// The family of the slope.
    #[serde(default, skip_serializing_if = "crate::stage::is_default")]
    pub shape: Shape,
}

/// Takes out what lies above a frequency.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LowPass {
    /// Where the level is 3.01 dB down (Butterworth), in hertz: above 0 and below half the sample rate.
    pub freq_hz: f64,
    /// 1 to 8; the slope is 6 dB per octave times the order.
    pub order: u8,
    /// The family of the slope.
    #[serde(default, skip_serializing_if = "crate::stage::is_default")]
    pub shape: Shape,
}
