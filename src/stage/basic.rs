//! `gain`, `polarity` and `delay`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Changes the level.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Gain {
    /// −60 to 60 dB.
    pub gain_db: f64,
}

/// Turns the polarity round, or says that it stays.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Polarity {
    /// `true` turns it round.
    pub inverted: bool,
}

/// Moves the sound later (positive) or earlier (negative); the length stays. One of the two keys.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Delay {
    /// Whole samples, −100,000 to 100,000.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub samples: Option<i64>,
    /// −1,000 to 1,000 ms, rounded to the nearest sample.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ms: Option<f64>,
}
