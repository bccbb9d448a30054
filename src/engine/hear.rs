//! What was played: from the traces of all takes to what decisions need of each track.

use std::collections::BTreeMap;

use super::measure::Measured;
use super::{Job, Work};
use crate::decide::stages::{Incoming, Tuned};
use crate::error::Result;
use crate::evidence::Trace;
use crate::finding::Finding;
use crate::report::{HitSummary, TuningSummary};
use crate::session::Family;
use crate::stage::gate::{Gate, Opening};
use crate::worksheet::Decided;

/// What was heard of one track, and what follows from it.
#[derive(Clone, Debug)]
pub struct Heard {
    /// Frames of the hits whose level counts.
    pub level_hits: Vec<u64>,
    /// How loud the mic comes in, over its set-up.
    pub incoming: Option<Incoming>,
    /// The drum is not played in this take.
    pub not_played: bool,
    /// No stem is written.
    pub left_out: Decided<bool>,
    /// The mix does without it.
    pub muted: Decided<bool>,
    /// Polarity is turned round.
    pub polarity_inverted: Decided<bool>,
    /// Moved later by so many samples.
    pub delay_samples: Decided<i64>,
    /// The tuning of the set-up.
    pub tuned_setup: Tuned,
    /// The tuning of this take.
    pub tuned_take: Tuned,
    /// For the report.
    pub hits: Option<HitSummary>,
    /// For the report.
    pub tuning: Option<TuningSummary>,
    /// Everything that a person should know about the track.
    pub findings: Vec<Finding>,
}

impl Heard {
    /// When a gate opens, and on what evidence.
    pub fn openings(&self, _gate: &Gate, _rate_hz: u32) -> (Option<Vec<Opening>>, String) {
        (None, "not decided".to_owned())
    }
}

/// Hits further below the loudest of their mic and set-up are taken for bleed.
const OWN_DB: f64 = 12.0;
/// A hit's peak is looked for this long.
const HIT_MS: usize = 30;

/// One entry a track, in session order.
pub fn hear(work: &Work<'_>, job: &Job<'_>, measured: &[Result<Measured>]) -> Result<Vec<Heard>> {
    let mut own: Vec<Vec<(i64, f64)>> = Vec::new();
    for (found, (_, _, track)) in measured.iter().zip(job.session.tracks()) {
        let trace = found
            .as_ref()
            .ok()
            .and_then(|m| work.store.get_bytes(&m.key));
        let trace = trace.and_then(|bytes| Trace::from_bytes(&bytes).ok());
        let hits = trace.map(|trace| {
            let peak = |o: &crate::evidence::Onset| {
                trace
                    .peak_dbfs(i64::from(o.at_ms), HIT_MS)
                    .map(|db| (i64::from(o.at_ms), db))
            };
            trace.onsets.iter().filter_map(peak).collect::<Vec<_>>()
        });
        let _ = track;
        own.push(hits.unwrap_or_default());
    }
    let mut loudest: BTreeMap<(String, String), f64> = BTreeMap::new();
    for (hits, (_, take, track)) in own.iter().zip(job.session.tracks()) {
        let mut peaks: Vec<f64> = hits.iter().map(|h| h.1).collect();
        peaks.sort_by(f64::total_cmp);
        if let Some(&top) = peaks.get(peaks.len().saturating_sub(1 + peaks.len() / 20)) {
            let entry = loudest
                .entry((take.setup.clone(), track.label.clone()))
                .or_insert(top);
            *entry = entry.max(top);
        }
    }
    let heard = own.iter().zip(job.session.tracks()).zip(measured).map(
        |((hits, (_, take, track)), measured)| {
            let top = loudest
                .get(&(take.setup.clone(), track.label.clone()))
                .copied();
            let hits: Vec<_> = hits
                .iter()
                .filter(|h| top.is_some_and(|t| h.1 > t - OWN_DB))
                .collect();
            let counts = !matches!(track.mic.family, Family::Utility | Family::Unknown);
            let frame = |ms: i64| ms as u64 * u64::from(track.rate_hz()) / 1000;
            let mut peaks: Vec<f64> = hits.iter().map(|h| h.1).collect();
            peaks.sort_by(f64::total_cmp);
            let level = peaks.get(peaks.len() * 3 / 4).copied();
            Heard {
                level_hits: if counts {
                    hits.iter().map(|h| frame(h.0)).collect()
                } else {
                    Vec::new()
                },
                incoming: level.map(|level_dbfs| Incoming {
                    level_dbfs,
                    from_hits: true,
                }),
                not_played: false,
                left_out: Decided::plain(false),
                muted: Decided::plain(false),
                polarity_inverted: Decided::plain(false),
                delay_samples: Decided::plain(0),
                tuned_setup: Tuned::default(),
                tuned_take: Tuned::default(),
                hits: counts.then(|| HitSummary {
                    count: hits.len(),
                    level_dbfs: level,
                    spread_db: None,
                    unsure: 0,
                    confidence: 0.5,
                    note: String::new(),
                }),
                tuning: None,
                findings: measured
                    .as_ref()
                    .map(|m| m.inspection.findings.clone())
                    .unwrap_or_default(),
            }
        },
    );
    Ok(heard.collect())
}
