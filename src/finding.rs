//! [`Finding`]: something about a track that a person should know.

use serde::{Deserialize, Serialize};

/// What was found; the words of the contract.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)] // the names say it; each message explains itself
pub enum Code {
    Clipped,
    Silent,
    NotPlayed,
    Dropout,
    Click,
    Hum,
    DcOffset,
    Polarity,
    Delay,
    Duplicate,
    PairMismatch,
    SidesSwapped,
    RateMismatch,
    LengthMismatch,
    LevelStep,
    Detuned,
    UnlikelyMic,
    UnknownMic,
    Unreadable,
    Truncated,
    NonFinite,
    Metronome,
}

/// How much it matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// For information.
    Note,
    /// Have a look.
    Warning,
    /// Probably has to be played again, or mended.
    Problem,
}

/// One finding. It never changes the exit status.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// What.
    pub code: Code,
    /// How bad.
    pub severity: Severity,
    /// How sure, 0 to 1.
    pub confidence: f64,
    /// A plain sentence with place, figure and remedy.
    pub message: String,
    /// Where, in seconds from the start of the track; the first places only, where there are many.
    pub at_s: Vec<f64>,
}
