//! `shootout.json`.

use serde::Serialize;

use super::compare::{Band, Comparison};
use crate::compared::Measure;
use crate::report::PathText;

/// What was found and done.
#[derive(Clone, Debug, Serialize)]
pub struct Report {
    /// [`crate::report::SCHEMA`].
    pub schema: u32,
    /// [`crate::report::TOOL`].
    pub tool: &'static str,
    /// In the order given; the first is what the others are compared with.
    pub candidates: Vec<Candidate>,
    /// The second against the first.
    pub bands: Vec<Band>,
    /// The second against the first.
    pub measures: Vec<Measure>,
    /// The second against the first.
    pub words: Vec<&'static str>,
    /// How the candidates were laid on each other.
    pub alignment: Alignment,
    /// The third and later ones against the first.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub more: Vec<Named>,
    /// Every mic that all takes have, each candidate against the first.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub mics: Vec<MicComparison>,
    /// What a person should know.
    pub notes: Vec<String>,
}

impl Report {
    /// What a candidate was found to differ in from the first, all of it heard together; nothing of
    /// the first itself.
    pub(super) fn against_first(&self, index: usize) -> (&[Band], &[Measure], &[&'static str]) {
        let other = |at: usize| self.more.get(at).map(|other| &other.comparison);
        match index {
            0 => (&[], &[], &[]),
            1 => (&self.bands, &self.measures, &self.words),
            _ => other(index - 2).map_or((&[], &[], &[]), |c| (&c.bands, &c.measures, &c.words)),
        }
    }
}

/// One of the things compared.
#[derive(Clone, Debug, Serialize)]
pub struct Candidate {
    /// File name without ending, or name of the folder.
    pub name: String,
    /// As given.
    #[serde(flatten)]
    pub path: PathText,
    /// How much later than in the first its pattern starts.
    pub offset_samples: i64,
    /// How much longer its pattern takes than that of the first.
    pub drift_ppm: f64,
    /// Applied to match.
    pub gain_db: f64,
    /// Hits that were found.
    pub hits: usize,
    /// Hits that have their like in the first (of the first: in the second).
    pub matched_hits: usize,
    /// The file that was written, relative to the output folder.
    pub output: String,
}

/// How the candidates were laid on each other.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Alignment {
    /// `click` or `hits`.
    pub by: By,
    /// 0 to 1; of several comparisons the least.
    pub confidence: f64,
}

/// What the alignment goes by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum By {
    /// The click tracks of the takes.
    Click,
    /// The hits themselves.
    Hits,
}

/// A comparison with its candidate.
#[derive(Clone, Debug, Serialize)]
pub struct Named {
    /// Name of the candidate.
    pub name: String,
    /// Against the first.
    #[serde(flatten)]
    pub comparison: Comparison,
}

/// A comparison of one mic.
#[derive(Clone, Debug, Serialize)]
pub struct MicComparison {
    /// `snare-top`.
    pub mic: String,
    /// Name of the candidate.
    pub name: String,
    /// Whether only strokes of the mic's own drum were compared, told from bleed by the other mics.
    pub own_hits: bool,
    /// Against the first.
    #[serde(flatten)]
    pub comparison: Comparison,
}
