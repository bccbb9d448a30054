//! Hits, level and tuning of a track, for what follows and for the report.

use super::super::stages::{Incoming, Pitch, Tuned};
use super::{FEWEST_HITS, Ring, SetUp};
use crate::analysis::tuning::SURE;
use crate::analysis::{
    Hit, ONE_STROKE_MS, TrackEvidence, Tuning, as_loud_db, is_faint, is_soft, level_of_take,
    weighted_quantile,
};
use crate::report::{HitSummary, TuningSummary};
use crate::session::{Family, Track};
use crate::stage::gate::GateHit;
use crate::units::round_to;

/// From this probability on an onset is a hit.
pub(super) const OWN: f64 = 0.5;
/// Hits this far apart are preferred for levels: strokes of a blast are soft.
const APART_MS: f64 = 120.0;
/// As long as there are so many of them.
const ENOUGH: usize = 20;
/// Hits that a take's own tuning needs.
pub(super) const TAKE_HITS: usize = 4;
/// Share of the hits in which the next partial has to ring.
const NEXT_SHARE: f64 = 0.6;

impl SetUp<'_> {
    /// The level of the mic over its set-up.
    pub(super) fn incoming(&self, track: &Track) -> Option<Incoming> {
        let level = self
            .setup
            .levels
            .iter()
            .find(|l| l.label == track.label && l.hits >= FEWEST_HITS);
        if let Some(level) = level {
            return Some(Incoming {
                level_dbfs: level.level_dbfs,
                from_hits: true,
            });
        }
        let same = self
            .takes
            .iter()
            .flat_map(|t| &t.tracks)
            .filter(|l| l.track.label == track.label);
        let peak = same
            .filter_map(|l| l.levels.sample_peak_dbfs)
            .max_by(f64::total_cmp)?;
        Some(Incoming {
            level_dbfs: peak,
            from_hits: false,
        })
    }

    /// Whether another mic stands at the same drum, or is this one.
    fn same_drum(&self, track: &Track, label: &str) -> bool {
        let drum = |label: &str| {
            let mut tracks = self.takes.iter().flat_map(|t| &t.evidence.tracks);
            tracks.find(|t| t.label == label)?.drum.as_ref()
        };
        let own = drum(&track.label);
        own.is_some() && (track.label == label || drum(label) == own)
    }

    /// The tuning of the drum over the set-up, from this mic or another one of the same drum.
    pub(super) fn tuning(&self, track: &Track) -> Option<&Tuning> {
        let all = self.setup.tunings.iter();
        let found = all.filter(|drum| self.same_drum(track, &drum.label));
        found.map(|drum| &drum.tuning).max_by_key(|t| t.hits)
    }

    /// Where the drum sounds boxy over the set-up, from this mic or another one of the same drum.
    fn boxy(&self, track: &Track) -> Option<Pitch> {
        let all = self.setup.boxy.iter();
        let found = all.filter(|drum| self.same_drum(track, &drum.label));
        found.max_by_key(|drum| drum.hits).map(|drum| Pitch {
            hz: drum.hz,
            hits: drum.hits,
        })
    }

    /// The tuning of the drum in one take, read from this mic.
    pub(super) fn take_tuning(&self, t: usize, track: &Track) -> Option<&Tuning> {
        let mut found = self.setup.tunings.iter();
        let tuning = found.find(|d| d.label == track.label)?.takes.get(t)?;
        tuning.as_ref()
    }

    /// That, where the take alone is sure of it.
    pub(super) fn own_tuning(&self, t: usize, track: &Track) -> Option<&Tuning> {
        let own = self.take_tuning(t, track);
        own.filter(|tuning| tuning.confidence >= SURE)
    }

    /// What the drum is tuned to in the set-up: as heard, else as it is meant to be.
    pub(super) fn tuned(&self, track: &Track) -> Tuned {
        Tuned {
            intended_hz: self.config.intended_hz(track),
            boxy_partial: self.boxy(track),
            ..self.tuning(track).map(tuned).unwrap_or_default()
        }
    }

    /// How long the drum rings: one figure for all takes of the set-up, which may be cut together.
    pub(super) fn ring(&self, track: &Track) -> Option<Ring> {
        let sure = |tuning: &Tuning| tuning.confidence >= SURE;
        if let Some(own) = self.tuning(track).filter(|tuning| sure(tuning)) {
            return Some(Ring {
                t60_s: own.ring_s,
                of_others: false,
            });
        }
        let family = |label: &str| {
            let mut all = self.takes.iter().flat_map(|take| &take.tracks);
            Some(all.find(|l| l.track.label == label)?.track.mic.family)
        };
        let others = self
            .setup
            .tunings
            .iter()
            .filter(|drum| sure(&drum.tuning) && family(&drum.label) == Some(track.mic.family));
        let rings = others.filter_map(|drum| drum.tuning.ring_s);
        let rings: Vec<(f64, f64)> = rings.map(|ring_s| (ring_s, 1.0)).collect();
        let t60_s = Some(weighted_quantile(&rings, 0.5)?);
        let of_others = true;
        Some(Ring { t60_s, of_others })
    }

    /// What a gate may open at. Of a tom not what is faint beside its own strokes of this take and of its
    /// set-up, half at what is soft beside them; and also what is as loud as they are, unless that happens more
    /// often than it is struck: then it says nothing. Where no stroke of it was heard, the loudest moments of
    /// the take; where it `rests`, nothing less probable than a stroke.
    pub(super) fn gate_hits(
        &self,
        evidence: &TrackEvidence,
        track: &Track,
        rests: bool,
    ) -> Vec<GateHit> {
        if !evidence.attributed {
            return Vec::new();
        }
        let own: Vec<f64> = evidence.own_hits().filter_map(|h| h.level_dbfs).collect();
        let mut levels = self.setup.levels.iter();
        let in_setup = levels.find(|level| level.label == track.label);
        let own_dbfs = level_of_take(&own, evidence.hits_of())
            .filter(|_| track.mic.family == Family::Tom)
            .map(|level| (level, in_setup.map_or(level, |all| all.level_dbfs)));
        let hit = |hit: &Hit| {
            let level_dbfs = hit.level_dbfs?;
            // Its first stroke may lie as far ahead of it.
            let grace_ms = if hit.flam { ONE_STROKE_MS as f64 } else { 0.0 };
            Some(GateHit {
                frame: frame(hit.at_ms - grace_ms, track.rate_hz()),
                probability: hit.probability,
                level_dbfs,
                loud: own_dbfs.is_some_and(|(take, all)| {
                    level_dbfs >= take.max(all) + as_loud_db(hit.probability)
                }),
                soft: own_dbfs
                    .is_some_and(|(take, all)| is_soft(hit.probability, level_dbfs, take.min(all))),
            })
        };
        let mut hits: Vec<GateHit> = evidence.hits.iter().filter_map(hit).collect();
        if rests {
            hits.retain(|hit| hit.probability >= OWN);
        }
        if let Some((take, all)) = own_dbfs {
            hits.retain(|hit| !is_faint(hit.probability, hit.level_dbfs, take.min(all)));
        }
        let mut bleed: Vec<GateHit> = evidence.as_loud.iter().filter_map(hit).collect();
        if own.is_empty() && !rests {
            bleed.iter_mut().for_each(|hit| hit.loud = true);
            hits.extend(bleed);
        } else {
            bleed.retain(|hit| hit.loud);
            match bleed.len() <= own.len() {
                true => hits.extend(bleed),
                false => hits.iter_mut().for_each(|hit| hit.loud = false),
            }
        }
        hits.extend(evidence.outside.iter().filter_map(hit));
        hits
    }

    pub(super) fn tuning_summary(&self, t: usize, track: &Track) -> Option<TuningSummary> {
        let all = self.tuning(track);
        let own = self.own_tuning(t, track);
        let (tuning, note) = match (own, all) {
            (Some(own), _) => (own, ""),
            (None, Some(all)) => (all, "too few usable hits in this take: over the set-up"),
            (None, None) => return None,
        };
        let note = [note, tuning.reason.as_deref().unwrap_or("")];
        let note: Vec<&str> = note.into_iter().filter(|n| !n.is_empty()).collect();
        Some(TuningSummary {
            fundamental_hz: Some(round_to(tuning.fundamental_hz, 1)),
            settled_hz: tuning.settled_hz.map(|hz| round_to(hz, 1)),
            spread_hz: Some(round_to(tuning.spread_hz, 1)),
            next_partial_hz: tuning.next_partial_hz.map(|hz| round_to(hz, 1)),
            boxy_partial_hz: self.boxy(track).map(|boxy| boxy.hz),
            ring_s: tuning.ring_s.map(|s| round_to(s, 3)),
            hits: tuning.hits,
            confidence: round_to(tuning.confidence, 2),
            note: note.join("; "),
        })
    }
}

pub(super) fn tuned(tuning: &Tuning) -> Tuned {
    if tuning.confidence < SURE {
        return Tuned::default();
    }
    let pitch = |hz: f64| Pitch {
        hz,
        hits: tuning.hits,
    };
    Tuned {
        fundamental: Some(pitch(tuning.fundamental_hz)),
        next_partial: tuning
            .next_partial_hz
            .filter(|_| tuning.next_share >= NEXT_SHARE)
            .map(pitch),
        ..Tuned::default()
    }
}

fn frame(at_ms: f64, rate_hz: u32) -> u64 {
    (at_ms.max(0.0) * f64::from(rate_hz) / 1000.0).round() as u64
}

/// Frames of the hits whose level counts: those that stand apart, where there are enough of them.
pub(super) fn level_hits(evidence: &TrackEvidence, rate_hz: u32) -> Vec<u64> {
    let hits: Vec<&Hit> = evidence.own_hits().collect();
    let apart = |i: usize| {
        let near = |other: Option<&&Hit>| {
            other.is_some_and(|o| (o.at_ms - hits[i].at_ms).abs() < APART_MS)
        };
        !near(i.checked_sub(1).and_then(|i| hits.get(i))) && !near(hits.get(i + 1))
    };
    let alone: Vec<u64> = (0..hits.len())
        .filter(|&i| apart(i))
        .map(|i| frame(hits[i].at_ms, rate_hz))
        .collect();
    match alone.len() >= ENOUGH {
        true => alone,
        false => hits.iter().map(|h| frame(h.at_ms, rate_hz)).collect(),
    }
}

pub(super) fn summary(evidence: &TrackEvidence) -> HitSummary {
    let peaks: Vec<f64> = evidence.own_hits().filter_map(|h| h.level_dbfs).collect();
    let levels: Vec<(f64, f64)> = peaks.iter().map(|&l| (l, 1.0)).collect();
    let median = weighted_quantile(&levels, 0.5);
    let deviations: Vec<(f64, f64)> = levels
        .iter()
        .map(|l| ((l.0 - median.unwrap_or(0.0)).abs(), 1.0))
        .collect();
    let mean_probability = {
        let count = evidence.own_hits().count();
        evidence.own_hits().map(|h| h.probability).sum::<f64>() / count.max(1) as f64
    };
    let mut note = Vec::new();
    if !evidence.attributed {
        note.push("not separated from bleed: no other close mic to compare with".to_owned());
    }
    if evidence.missed >= 0.1 {
        note.push(format!(
            "about {:.0} % of the strokes may have been missed in the bleed",
            evidence.missed * 100.0
        ));
    }
    HitSummary {
        count: evidence.own_hits().count(),
        level_dbfs: level_of_take(&peaks, evidence.hits_of()).map(|l| round_to(l, 2)),
        spread_db: weighted_quantile(&deviations, 0.5).map(|d| round_to(d, 2)),
        unsure: evidence.unsure,
        confidence: round_to(
            if evidence.attributed {
                mean_probability
            } else {
                0.3
            },
            2,
        ),
        note: note.join("; "),
    }
}
