//! Reports: what was found and done, as JSON and CSV. Plain data in, text out; no disk.
//!
//! Figures are rounded here and nowhere else, so that JSON, CSV and the page agree to the digit.

use std::collections::BTreeMap;
use std::io::{self, Write};

use serde::{Serialize, Serializer};

use crate::analysis::tuning::SURE;
use crate::finding::{Code, Finding, FindingKind, Severity};
use crate::measure::Levels;
use crate::reason::Reason;
use crate::session::Side;
use crate::stage::Stage;
use crate::units::round_to;
use crate::wording;
use crate::worksheet::{Decided, Entry};

pub use crate::session::paths::PathText;
pub(crate) use crate::session::paths::base64;

pub mod columns;
pub mod frame;
pub mod hits;
pub mod notes;
pub mod page;
pub mod session;
pub mod takes;

/// The number of the report format.
pub const SCHEMA: u32 = 1;

/// Name and version of this program.
pub const TOOL: &str = concat!("batterhead ", env!("CARGO_PKG_VERSION"));

/// The report of one track, `reports/SONG/TAKE/NAME.json`.
#[derive(Clone, Debug, Serialize)]
pub struct TrackReport {
    /// [`SCHEMA`].
    pub schema: u32,
    /// [`TOOL`].
    pub tool: &'static str,
    /// Slug of the song; absent where files are processed without a session.
    pub song: Option<String>,
    /// Slug of the take; absent as above.
    pub take: Option<String>,
    /// The file-name part that the track goes by.
    pub name: String,
    /// The mic's name.
    pub mic: String,
    /// `l`, `r`, `c`, or null for a pair or a mic without a side.
    pub side: Option<Side>,
    /// Name of the track that a derived stem was made from.
    pub derived_from: Option<String>,
    /// The files, read-only and proven unchanged by their hash.
    pub sources: Vec<SourceReport>,
    /// The preset's name.
    pub preset: String,
    /// Figures of the source.
    #[serde(serialize_with = "levels")]
    pub before: Levels,
    /// Figures of the stem as written; null where none was.
    #[serde(serialize_with = "levels_or_null")]
    pub after: Option<Levels>,
    /// What was played on this drum; null where hits were not looked for.
    pub hits: Option<HitSummary>,
    /// What the drum is tuned to; null where undecided.
    pub tuning: Option<TuningSummary>,
    /// What a person should know.
    #[serde(serialize_with = "findings")]
    pub findings: Vec<Finding>,
    /// What was done.
    pub decisions: Decisions,
    /// The stem; null where none was written.
    pub output: Option<Output>,
    /// What people noted of the take in names: `keep`, `ng`.
    pub take_notes: Vec<String>,
}

impl TrackReport {
    /// Sample rate of its sources, which its delay counts in.
    pub fn rate_hz(&self) -> f64 {
        let source = self.sources.first();
        source.map_or(48_000.0, |s| f64::from(s.sample_rate_hz))
    }
}

/// One source file of a track.
#[derive(Clone, Debug, Serialize)]
pub struct SourceReport {
    /// Relative to the session folder, with `/`.
    #[serde(flatten)]
    pub path: PathText,
    /// Of the whole file.
    pub sha256: String,
    /// Frames a second.
    pub sample_rate_hz: u32,
    /// Of the file.
    pub channels: usize,
    /// The channel used, counted from 1, where it is one of many.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub channel: Option<usize>,
    /// Valid bits of a sample.
    pub bit_depth: u16,
    /// `int` or `float`.
    pub sample_format: crate::audio::SampleFormat,
    /// Frames that are really there.
    pub frames: u64,
    /// First sample since midnight.
    pub time_reference_samples: Option<u64>,
}

/// What was played on a drum.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct HitSummary {
    /// Own hits within the take.
    pub count: usize,
    /// Their level: the median of the energy of their peaks.
    pub level_dbfs: Option<f64>,
    /// Median absolute deviation of their peaks.
    pub spread_db: Option<f64>,
    /// Hits that may be bleed.
    pub unsure: usize,
    /// How sure the attribution is, 0 to 1.
    pub confidence: f64,
    /// What limits it, in words.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub note: String,
}

/// What a drum is tuned to.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TuningSummary {
    /// The lowest ringing mode *early*: 40 to 220 ms after the stroke.
    pub fundamental_hz: Option<f64>,
    /// The same *settled*, 100 to 500 ms after it: a head glides down by some per cent.
    pub settled_hz: Option<f64>,
    /// Median absolute deviation over the hits.
    pub spread_hz: Option<f64>,
    /// The strongest ring above it.
    pub next_partial_hz: Option<f64>,
    /// What stands out between 250 and 600 Hz, where drums sound boxy, over the set-up.
    pub boxy_partial_hz: Option<f64>,
    /// Time in which the fundamental falls by 60 dB.
    pub ring_s: Option<f64>,
    /// Hits that it rests on.
    pub hits: usize,
    /// Share of the hits that agree, 0 to 1.
    pub confidence: f64,
    /// What limits it, in words.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub note: String,
}

impl TuningSummary {
    /// Whether it counts.
    pub fn is_sure(&self) -> bool {
        self.confidence >= SURE
    }

    /// The pitch, where it counts.
    pub fn sure_hz(&self) -> Option<f64> {
        self.fundamental_hz.filter(|_| self.is_sure())
    }
}

/// What was done to a track.
#[derive(Clone, Debug, Serialize)]
pub struct Decisions {
    /// No stem was written.
    pub left_out: bool,
    /// The rough mix omits it.
    pub muted: bool,
    /// Polarity was inverted.
    pub polarity_inverted: bool,
    /// Moved later by so many samples.
    pub delay_samples: i64,
    /// Gain behind the last stage.
    pub gain_db: f64,
    /// In order, each with the reason where there is one.
    pub stages: Vec<StageReport>,
    /// Why, by the name of the decision.
    #[serde(serialize_with = "reasons")]
    pub reasons: BTreeMap<&'static str, Reason>,
}

/// One stage as it ran.
#[derive(Clone, Debug, Serialize)]
pub struct StageReport {
    /// As a preset spells it, with every followed frequency as a number.
    #[serde(flatten)]
    pub stage: Stage,
    /// Why it is so.
    #[serde(
        skip_serializing_if = "Option::is_none",
        serialize_with = "reason_or_null"
    )]
    pub reason: Option<Reason>,
}

impl From<&Entry> for Decisions {
    fn from(entry: &Entry) -> Self {
        fn reason<T>(name: &'static str, decided: &Decided<T>) -> Option<(&'static str, Reason)> {
            Some((name, decided.why.clone()?))
        }
        let reasons = [
            reason("left_out", &entry.left_out),
            reason("muted", &entry.muted),
            reason("polarity_inverted", &entry.polarity_inverted),
            reason("delay_samples", &entry.delay_samples),
            reason("gain_db", &entry.gain_db),
        ];
        Self {
            left_out: entry.left_out.value,
            muted: entry.muted.value,
            polarity_inverted: entry.polarity_inverted.value,
            delay_samples: entry.delay_samples.value,
            gain_db: round_to(entry.gain_db.value, 2),
            stages: entry
                .stages
                .iter()
                .map(|s| StageReport {
                    stage: s.value.clone(),
                    reason: s.why.clone(),
                })
                .collect(),
            reasons: reasons.into_iter().flatten().collect(),
        }
    }
}

/// The stem of a track.
#[derive(Clone, Debug, PartialEq, Serialize, serde::Deserialize)]
pub struct Output {
    /// Relative to the output folder, with `/`.
    pub path: String,
    /// Of the whole file.
    pub sha256: String,
    /// Frames a second.
    pub sample_rate_hz: u32,
    /// 1 or 2.
    pub channels: usize,
    /// 16, 24 or 32.
    pub bit_depth: u16,
    /// `int` or `float`.
    pub sample_format: crate::audio::SampleFormat,
    /// As many as the source has (at the source's rate), or as the take has.
    pub frames: u64,
    /// Silence before the first frame of the source, where all stems of a take start together.
    pub lead_frames: u64,
    /// First sample since midnight.
    pub time_reference_samples: Option<u64>,
    /// Whether dither was added, since bits were lost.
    pub dithered: bool,
    /// What of the carried metadata was updated, in words.
    pub metadata_updated: Vec<String>,
}

/// Figures rounded for people: levels to 0.01, the offset to 0.000001.
pub fn rounded(levels: &Levels) -> Levels {
    let round = |value: Option<f64>| value.map(|v| round_to(v, 2));
    Levels {
        sample_peak_dbfs: round(levels.sample_peak_dbfs),
        true_peak_dbtp: round(levels.true_peak_dbtp),
        integrated_lufs: round(levels.integrated_lufs),
        momentary_max_lufs: round(levels.momentary_max_lufs),
        short_term_max_lufs: round(levels.short_term_max_lufs),
        loudness_range_lu: round(levels.loudness_range_lu),
        rms_dbfs: round(levels.rms_dbfs),
        crest_factor_db: round(levels.crest_factor_db),
        dc_offset: round_to(levels.dc_offset, 6),
        clipped_samples: levels.clipped_samples,
        channels: levels.channels.iter().map(rounded).collect(),
    }
}

/// A finding as JSON holds it.
#[derive(Serialize)]
pub(crate) struct FindingReport<'a> {
    code: Code,
    severity: Severity,
    confidence: f64,
    /// A plain sentence with figure and remedy.
    message: String,
    /// In seconds from the start of the track; the first places only, where there are many.
    at_s: &'a [f64],
    /// What the sentence says, for programs.
    figures: &'a FindingKind,
}

impl<'a> From<&'a Finding> for FindingReport<'a> {
    fn from(finding: &'a Finding) -> Self {
        Self {
            code: finding.code(),
            severity: finding.severity,
            confidence: finding.confidence,
            message: wording::finding(finding).to_string(),
            at_s: &finding.at_s,
            figures: &finding.kind,
        }
    }
}

fn findings<S: Serializer>(findings: &[Finding], serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_seq(findings.iter().map(FindingReport::from))
}

/// A reason as JSON holds it: its figures and the sentence that they make.
#[derive(Serialize)]
struct ReasonReport<'a> {
    #[serde(flatten)]
    reason: &'a Reason,
    message: String,
}

impl<'a> From<&'a Reason> for ReasonReport<'a> {
    fn from(reason: &'a Reason) -> Self {
        Self {
            reason,
            message: wording::reason(reason),
        }
    }
}

fn reason<S: Serializer>(reason: &Reason, serializer: S) -> Result<S::Ok, S::Error> {
    ReasonReport::from(reason).serialize(serializer)
}

fn reason_or_null<S: Serializer>(
    reason: &Option<Reason>,
    serializer: S,
) -> Result<S::Ok, S::Error> {
    let reason = reason.as_ref().map(ReasonReport::from);
    reason.serialize(serializer)
}

fn reasons<S: Serializer>(
    reasons: &BTreeMap<&'static str, Reason>,
    serializer: S,
) -> Result<S::Ok, S::Error> {
    serializer.collect_map(
        reasons
            .iter()
            .map(|(name, why)| (name, ReasonReport::from(why))),
    )
}

fn levels<S: Serializer>(levels: &Levels, serializer: S) -> Result<S::Ok, S::Error> {
    rounded(levels).serialize(serializer)
}

fn levels_or_null<S: Serializer>(
    levels: &Option<Levels>,
    serializer: S,
) -> Result<S::Ok, S::Error> {
    levels.as_ref().map(rounded).serialize(serializer)
}

/// Writes JSON as it lies on disk: indented, one line break at the end.
pub fn write_json(value: &impl Serialize, mut sink: impl Write) -> io::Result<()> {
    serde_json::to_writer_pretty(&mut sink, value)?;
    sink.write_all(b"\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base64_is_that_of_rfc_4648() {
        // RFC 4648, section 10.
        for (bytes, text) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(bytes.as_bytes()), text);
        }
    }

    #[test]
    fn a_silent_track_reports_null_and_never_minus_infinity() {
        let json = serde_json::to_value(rounded(&Levels::default())).unwrap();
        assert!(json["sample_peak_dbfs"].is_null());
        assert_eq!(json["dc_offset"], 0.0);
    }
}
