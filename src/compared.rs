//! What a shootout finds: data; [`crate::wording::compared`] makes the sentences.

use serde::Serialize;

/// Difference of one measure; positive: more in the later candidate.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Measure {
    /// `level`, `tilt`, `snap`, …
    pub name: &'static str,
    /// Of `difference`, `plus_minus` and `spread`.
    pub unit: &'static str,
    /// Median over the hits.
    pub difference: f64,
    /// Half the 95 % interval of that median; null for one hit.
    pub plus_minus: Option<f64>,
    /// Median absolute deviation of the hits from it.
    pub spread: f64,
    /// The least difference that is put into a word; null where none is.
    pub step: Option<f64>,
    /// Its range in hertz, where it has one.
    pub range_hz: Option<(f64, f64)>,
    /// Median over the same hits of the first candidate, in `value_unit`.
    pub first: Option<f64>,
    /// The same of the later one.
    pub later: Option<f64>,
    /// `Hz`, `s`, `ms`, `dB`, …
    pub value_unit: &'static str,
    /// Whether it is at least its step and larger than its interval, and so put into a word.
    pub said: bool,
    /// The word.
    pub word: Option<&'static str>,
    /// Hits that it rests on.
    pub hits: usize,
}

/// Something about two candidates, or one, that a person should know. Candidates are letters.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
#[allow(missing_docs)] // the names say it; each sentence explains itself
pub enum Note {
    Unread {
        candidate: char,
        path: String,
        reason: String,
    },
    OtherRate {
        candidate: char,
        label: String,
        rate_hz: u32,
        others_hz: u32,
    },
    TimesTooFarApart {
        candidate: char,
    },
    NotInEveryTake {
        candidate: char,
        labels: Vec<String>,
    },
    SamePlace {
        pair: (char, char),
        folder: bool,
    },
    SameRecording {
        pair: (char, char),
    },
    OnePerformance {
        pair: (char, char),
    },
    PatternRepeats {
        pair: (char, char),
    },
    PartsDiffer {
        pair: (char, char),
        /// Of the hits, that both have.
        percent: f64,
    },
    FewHits {
        pair: (char, char),
        hits: usize,
    },
    Drift {
        pair: (char, char),
        /// At each end.
        apart_ms: f64,
    },
    LengthsDiffer {
        pair: (char, char),
        first_s: f64,
        other_s: f64,
    },
    HitsAlone {
        pair: (char, char),
        hits: usize,
    },
    AllQuieter {
        by_db: f64,
    },
    MixesQuieter {
        by_db: f64,
    },
}
