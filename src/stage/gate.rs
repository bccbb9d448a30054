//! `gate`: opened by measured hits, closed along the ring of the drum.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// When the gate opens: a hit, as measured before.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Opening {
    /// Frame of the hit.
    pub at: u64,
    /// How far it opens, 0 (not at all) to 1 (fully): an unsure hit opens half.
    pub by: f64,
    /// Frames that it stays open before it starts to close.
    pub hold: u64,
}

/// Lowers what lies between the hits.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Gate {
    /// How far it closes, −80 to 0 dB.
    pub range_db: f64,
    /// Slope of the closing in dB a second, 10 to 2,000; absent: it follows the measured ring of the drum.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub close_db_per_s: Option<f64>,
    /// A high-pass (second order) ahead of the detector that measures how loud a hit is, in hertz.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub side_high_pass_hz: Option<f64>,
    /// When it opens, decided from the measured hits; a preset leaves it out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub openings: Option<Vec<Opening>>,
}

impl super::Settings for Gate {
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
