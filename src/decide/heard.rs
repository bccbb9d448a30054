//! From what the takes of a set-up show to what is decided and reported of each track.

use super::stages::{Incoming, Pitch, Tuned};
use crate::evidence::{
    Hit, PairKind, PairVerdict, Played, Polarity, SameSound, SetupEvidence, TakeEvidence,
    TrackEvidence, Tuning, weighted_quantile,
};
use crate::finding::{Code, Finding, Severity};
use crate::measure::Levels;
use crate::measure::inspect::Inspection;
use crate::report::{HitSummary, TuningSummary};
use crate::session::config::{LeftOut, SessionFile};
use crate::session::{Family, Track};
use crate::stage::gate::{Gate, GateHit, Opening};
use crate::units::round_to;
use crate::worksheet::Decided;

/// One take of a set-up.
pub struct TakeHeard<'a> {
    /// Slug of its song.
    pub song: &'a str,
    /// Its own slug.
    pub slug: &'a str,
    /// What its tracks show together.
    pub evidence: &'a TakeEvidence,
    /// In the order of `evidence.tracks`.
    pub tracks: Vec<Listening<'a>>,
}

/// One track, and what it shows alone.
pub struct Listening<'a> {
    /// The track.
    pub track: &'a Track,
    /// Figures of the source.
    pub levels: &'a Levels,
    /// What was found in its samples.
    pub inspection: &'a Inspection,
    /// Of its sources.
    pub sha256: &'a [String],
    /// Clicks that no stroke explains.
    pub click: Option<&'a Finding>,
    /// The track of the take that holds the same sound, and how it differs.
    pub twin: Option<(usize, SameSound)>,
}

/// What was heard of one track, and what follows from it.
#[derive(Clone, Debug)]
pub struct Heard {
    /// Frames of the hits whose level counts.
    pub level_hits: Vec<u64>,
    /// All hits, for a gate.
    pub gate_hits: Vec<GateHit>,
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

impl Default for Heard {
    fn default() -> Self {
        Self {
            level_hits: Vec::new(),
            gate_hits: Vec::new(),
            incoming: None,
            not_played: false,
            left_out: Decided::plain(false),
            muted: Decided::plain(false),
            polarity_inverted: Decided::plain(false),
            delay_samples: Decided::plain(0),
            tuned_setup: Tuned::default(),
            tuned_take: Tuned::default(),
            hits: None,
            tuning: None,
            findings: Vec::new(),
        }
    }
}

impl Heard {
    /// When a gate opens, and on what evidence.
    pub fn openings(&self, gate: &Gate, rate_hz: u32) -> (Option<Vec<Opening>>, String) {
        if self.gate_hits.is_empty() {
            return (
                None,
                "no hits were told apart: the gate stays open".to_owned(),
            );
        }
        let ring_s = self.tuning.as_ref().and_then(|t| t.ring_s);
        // The level between hits is not measured: what lies 30 dB under the softest hit is taken for it.
        let softest = self
            .gate_hits
            .iter()
            .map(|h| h.level_dbfs)
            .fold(0.0, f64::min);
        let decided = gate.decide(&self.gate_hits, ring_s, softest - 30.0, f64::from(rate_hz));
        let why = format!(
            "opened by {} hits, half by {} unsure ones",
            decided.sure, decided.unsure
        );
        (decided.gate.openings, why)
    }
}

/// Fewer hits than this in a set-up: no gain is guessed.
const FEWEST_HITS: usize = super::gains::FEWEST_HITS;
/// From this probability on a moment is a hit.
const OWN: f64 = 0.5;
/// Hits this far apart are preferred for levels: strokes of a blast are soft.
const APART_MS: f64 = 120.0;
/// As long as there are so many of them.
const ENOUGH: usize = 20;
/// Hits that a take's own tuning needs.
const TAKE_HITS: usize = 4;
/// Share of the hits in which the next partial has to ring.
const NEXT_SHARE: f64 = 0.6;
/// A verdict below this confidence changes nothing.
const SURE: f64 = 0.6;

/// One list of tracks a take, in the order given.
pub fn heard(
    takes: &[TakeHeard<'_>],
    setup: &SetupEvidence,
    config: &SessionFile,
) -> Vec<Vec<Heard>> {
    let set_up = SetUp {
        takes,
        setup,
        config,
    };
    (0..takes.len())
        .map(|t| {
            (0..takes[t].tracks.len())
                .map(|k| set_up.track(t, k))
                .collect()
        })
        .collect()
}

struct SetUp<'a> {
    takes: &'a [TakeHeard<'a>],
    setup: &'a SetupEvidence,
    config: &'a SessionFile,
}

/// Places in time of hits, as findings give them.
fn finding(code: Code, severity: Severity, confidence: f64, message: String) -> Finding {
    Finding {
        code,
        severity,
        confidence: round_to(confidence, 2),
        message,
        at_s: Vec::new(),
    }
}

impl SetUp<'_> {
    fn track(&self, t: usize, k: usize) -> Heard {
        let take = &self.takes[t];
        let Listening {
            track,
            inspection,
            click,
            ..
        } = &take.tracks[k];
        let Some(evidence) = take.evidence.tracks.get(k) else {
            return Heard::default();
        };
        let mut findings = noted(track);
        findings.extend(inspection.findings.iter().cloned());
        // What sounds like clicks in a click or trigger track is meant to.
        if track.mic.family != Family::Utility {
            findings.extend(click.map(|c| (*c).clone()));
        }
        findings.extend(self.duplicate(t, k).or_else(|| self.copy(t, k)));
        let counts =
            !matches!(track.mic.family, Family::Utility | Family::Unknown) && !inspection.silent;
        let played = self.played(t, track);
        let not_played = matches!(played, Some(Played::No(_)));
        if let Some(Played::No(confidence)) = played {
            findings.push(finding(
                Code::NotPlayed,
                Severity::Note,
                *confidence,
                format!("not played in this take: nothing in it reaches the hits of the other takes of the set-up ({:.0} % sure)", confidence * 100.0),
            ));
        }
        let (polarity_inverted, found) = self.polarity(t, track);
        findings.extend(found);
        findings.extend(self.changes(t, track));
        if counts {
            findings.extend(self.few_hits(track));
        }
        let (left_out, muted) = self.left_out(t, track, inspection.silent, not_played);
        findings.sort_by_key(|f| (std::cmp::Reverse(f.severity), f.code));
        Heard {
            level_hits: if counts {
                level_hits(evidence, track.rate_hz())
            } else {
                Vec::new()
            },
            gate_hits: if evidence.attributed {
                gate_hits(evidence, track.rate_hz())
            } else {
                Vec::new()
            },
            incoming: self.incoming(track),
            not_played,
            left_out,
            muted,
            polarity_inverted,
            delay_samples: self.delay(track),
            tuned_setup: self.tuning(track).map(tuned).unwrap_or_default(),
            tuned_take: evidence
                .tuning
                .as_ref()
                .filter(|t| t.hits >= TAKE_HITS)
                .map(tuned)
                .unwrap_or_default(),
            hits: counts.then(|| summary(evidence)),
            tuning: self.tuning_summary(track, evidence),
            findings,
        }
    }

    fn played(&self, t: usize, track: &Track) -> Option<&Played> {
        let evidence = self.takes[t].evidence;
        let name = evidence
            .tracks
            .iter()
            .find(|e| e.label == track.label)?
            .drum
            .as_ref()?;
        evidence
            .drums
            .iter()
            .find(|d| d.name == *name)
            .map(|d| &d.played)
    }

    /// Whether a stem is left out and whether the mix does without it.
    fn left_out(
        &self,
        t: usize,
        track: &Track,
        silent: bool,
        not_played: bool,
    ) -> (Decided<bool>, Decided<bool>) {
        let missing = |t: usize, track: &Track| -> bool {
            let same = self.takes[t]
                .tracks
                .iter()
                .find(|l| l.track.label == track.label);
            let silent = same.is_some_and(|l| l.inspection.silent);
            silent
                || (track.mic.may_be_left_out
                    && matches!(self.played(t, track), Some(Played::No(_))))
        };
        let here = missing(t, track);
        let song = self.takes[t].song;
        let there = |other: &usize| {
            let take = &self.takes[*other];
            take.song == song && take.tracks.iter().any(|l| l.track.label == track.label)
        };
        let everywhere = (0..self.takes.len())
            .filter(there)
            .all(|other| missing(other, track));
        let why = if silent {
            "silent"
        } else {
            "not played in this take"
        };
        let out = match self.config.left_out {
            LeftOut::Never => false,
            LeftOut::Take => here,
            LeftOut::Song => here && everywhere,
        };
        let left_out = match (out, self.config.left_out) {
            (false, _) => Decided::plain(false),
            (true, LeftOut::Song) if silent => {
                Decided::new(true, "silent in every take of the song")
            }
            (true, LeftOut::Song) => Decided::new(true, "played in no take of the song"),
            (true, _) => Decided::new(true, why),
        };
        let muted = if !out && (silent || (not_played && track.mic.may_be_left_out)) {
            Decided::new(true, why)
        } else {
            Decided::plain(false)
        };
        (left_out, muted)
    }

    /// Pairs of this set-up whose second mic is this track.
    fn pairs_to<'s>(&'s self, track: &'s Track) -> impl Iterator<Item = &'s PairVerdict> {
        self.setup
            .pairs
            .iter()
            .filter(|v| v.pair.second == track.label)
    }

    fn polarity(&self, t: usize, track: &Track) -> (Decided<bool>, Vec<Finding>) {
        let mut findings = Vec::new();
        let mut decided = Decided::plain(false);
        for verdict in self.pairs_to(track) {
            let pair = &verdict.pair;
            if verdict.dissent.contains(&t) {
                findings.push(finding(
                    Code::Polarity,
                    Severity::Warning,
                    pair.polarity_confidence,
                    format!("its polarity against {} is another than in the other takes: listen to both", pair.first),
                ));
            }
            if pair.polarity != Polarity::Inverted || pair.polarity_confidence < SURE {
                continue;
            }
            let evidence = format!(
                "opposed to {} ({} hits, correlation {}, {:.0} % sure)",
                pair.first,
                pair.hits,
                round_to(pair.correlation, 2),
                pair.polarity_confidence * 100.0
            );
            let corrected =
                pair.kind == PairKind::Snare && self.config.polarity.0.contains(&track.mic);
            let (severity, message) = if corrected {
                decided = Decided::new(true, evidence.clone());
                (
                    Severity::Warning,
                    format!("{evidence}: turned round; listen to both together"),
                )
            } else {
                let what = match pair.kind {
                    // Common between a close mic and an overhead: nothing is wrong with either.
                    PairKind::CloseOverhead => continue,
                    _ => "not changed; turn it round where both sound thicker so",
                };
                (Severity::Warning, format!("{evidence}: {what}"))
            };
            findings.push(finding(
                Code::Polarity,
                severity,
                pair.polarity_confidence,
                message,
            ));
        }
        (decided, findings)
    }

    /// Aligned on request only.
    fn delay(&self, track: &Track) -> Decided<i64> {
        if !self.config.align.contains(&track.mic) {
            return Decided::plain(0);
        }
        let sure =
            |v: &&PairVerdict| v.pair.delay_confidence >= SURE && v.pair.delay_samples.is_some();
        match self.pairs_to(track).find(sure) {
            Some(PairVerdict { pair, .. }) => {
                let samples = pair.delay_samples.unwrap_or_default();
                let why = format!(
                    "{} samples later than {} ({} ms, {} m at 20 °C), moved to meet it",
                    round_to(samples, 1),
                    pair.first,
                    round_to(pair.delay_ms.unwrap_or_default(), 2),
                    round_to(pair.distance_m.unwrap_or_default(), 2)
                );
                Decided::new(-samples.round() as i64, why)
            }
            None => Decided::new(0, "no sure delay to another mic: not moved"),
        }
    }

    /// Steps of level, and a tuning that drifts: told in the take where they begin.
    fn changes(&self, t: usize, track: &Track) -> Vec<Finding> {
        let mut findings = Vec::new();
        let level = self.setup.levels.iter().find(|l| l.label == track.label);
        if let Some((_, step)) = level.and_then(|l| l.steps.iter().find(|(take, _)| *take == t)) {
            let (step, way) = (
                round_to(step.abs(), 1),
                if *step > 0.0 { "louder" } else { "softer" },
            );
            findings.push(finding(
                Code::LevelStep,
                Severity::Warning,
                0.8,
                format!("hits {step} dB {way} than in the other takes: was the preamplifier moved? The takes keep one gain"),
            ));
        }
        let drift = self
            .setup
            .tunings
            .iter()
            .find(|d| d.label == track.label)
            .and_then(|d| d.drift);
        if let Some(drift) = drift.filter(|drift| drift.first_take == t) {
            findings.push(finding(
                Code::Detuned,
                Severity::Warning,
                drift.confidence,
                format!(
                    "tuned to {} Hz before, to {} Hz from this take on: tune it, or play it again",
                    round_to(drift.from_hz, 1),
                    round_to(drift.to_hz, 1)
                ),
            ));
        }
        findings
    }

    fn few_hits(&self, track: &Track) -> Option<Finding> {
        let level = self.setup.levels.iter().find(|l| l.label == track.label);
        let hits = level.map_or(0, |l| l.hits);
        (hits < FEWEST_HITS).then(|| {
            let many = if hits == 1 { "hit" } else { "hits" };
            finding(
                Code::NotPlayed,
                Severity::Note,
                0.8,
                format!(
                    "only {hits} {many} in the whole set-up: no gain is guessed, it stays at 0 dB"
                ),
            )
        })
    }

    /// The same samples under another name.
    fn duplicate(&self, t: usize, k: usize) -> Option<Finding> {
        let own = &self.takes[t].tracks[k];
        let twin = self
            .takes
            .iter()
            .flat_map(|take| take.tracks.iter().map(move |l| (take, l)))
            .find(|(_, other)| {
                !std::ptr::eq(*other, own)
                    && other.sha256 == own.sha256
                    && other.track.sources[0].channel == own.track.sources[0].channel
            })?;
        let (take, other) = twin;
        Some(finding(
            Code::Duplicate,
            Severity::Problem,
            1.0,
            format!(
                "the very same file as {} of {}: one of them has the wrong name, or was copied",
                other.track.label, take.slug
            ),
        ))
    }

    /// The same sound at another level or a little later.
    fn copy(&self, t: usize, k: usize) -> Option<Finding> {
        let (first, same) = self.takes[t].tracks[k].twin?;
        let other = self.takes[t].tracks.get(first)?;
        Some(finding(
            Code::Duplicate,
            Severity::Problem,
            same.confidence,
            format!(
                "the same sound as {} ({} ms later, {} dB): one of them is a copy, or was patched twice",
                other.track.label, same.lag_ms, same.gain_db
            ),
        ))
    }

    /// The level of the mic over its set-up.
    fn incoming(&self, track: &Track) -> Option<Incoming> {
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

    /// The tuning of the drum over the set-up, from this mic or another one of the same drum.
    fn tuning(&self, track: &Track) -> Option<&Tuning> {
        let tracks = || self.takes.iter().flat_map(|t| &t.evidence.tracks);
        let drum = tracks().find(|t| t.label == track.label)?.drum.as_ref()?;
        let same =
            |label: &str| tracks().any(|t| t.label == label && t.drum.as_ref() == Some(drum));
        let found = self
            .setup
            .tunings
            .iter()
            .filter(|d| d.label == track.label || same(&d.label));
        found.map(|d| &d.tuning).max_by_key(|t| t.hits)
    }

    fn tuning_summary(&self, track: &Track, evidence: &TrackEvidence) -> Option<TuningSummary> {
        let all = self.tuning(track);
        let own = evidence.tuning.as_ref().filter(|t| t.hits >= TAKE_HITS);
        let (tuning, note) = match (own, all) {
            (Some(own), _) => (own, ""),
            (None, Some(all)) => (all, "too few usable hits in this take: over the set-up"),
            (None, None) => return None,
        };
        let note = [note, tuning.reason.as_deref().unwrap_or("")];
        let note: Vec<&str> = note.into_iter().filter(|n| !n.is_empty()).collect();
        Some(TuningSummary {
            fundamental_hz: Some(round_to(tuning.fundamental_hz, 1)),
            spread_hz: Some(round_to(tuning.spread_hz, 1)),
            next_partial_hz: tuning.next_partial_hz.map(|hz| round_to(hz, 1)),
            ring_s: Some(round_to(tuning.ring_s, 3)),
            hits: tuning.hits,
            confidence: round_to(tuning.confidence, 2),
            note: note.join("; "),
        })
    }
}

/// What scanning noticed about the track.
fn noted(track: &Track) -> Vec<Finding> {
    let note = |note: &crate::session::TrackNote| {
        let code = note.code?;
        let severity = match code {
            Code::Truncated => Severity::Problem,
            _ => Severity::Warning,
        };
        Some(finding(code, severity, 1.0, note.text.clone()))
    };
    track.notes.iter().filter_map(note).collect()
}

fn tuned(tuning: &Tuning) -> Tuned {
    if tuning.confidence < OWN {
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
    }
}

fn own(evidence: &TrackEvidence) -> impl Iterator<Item = &Hit> {
    evidence.hits.iter().filter(|h| h.probability >= OWN)
}

fn frame(hit: &Hit, rate_hz: u32) -> u64 {
    (hit.at_ms.max(0.0) * f64::from(rate_hz) / 1000.0).round() as u64
}

/// Frames of the hits whose level counts: those that stand apart, where there are enough of them.
fn level_hits(evidence: &TrackEvidence, rate_hz: u32) -> Vec<u64> {
    let hits: Vec<&Hit> = own(evidence).collect();
    let apart = |i: usize| {
        let near = |other: Option<&&Hit>| {
            other.is_some_and(|o| (o.at_ms - hits[i].at_ms).abs() < APART_MS)
        };
        !near(i.checked_sub(1).and_then(|i| hits.get(i))) && !near(hits.get(i + 1))
    };
    let alone: Vec<u64> = (0..hits.len())
        .filter(|&i| apart(i))
        .map(|i| frame(hits[i], rate_hz))
        .collect();
    match alone.len() >= ENOUGH {
        true => alone,
        false => hits.iter().map(|h| frame(h, rate_hz)).collect(),
    }
}

fn gate_hits(evidence: &TrackEvidence, rate_hz: u32) -> Vec<GateHit> {
    let hit = |hit: &Hit| {
        let level_dbfs = hit.level_dbfs?;
        Some(GateHit {
            frame: frame(hit, rate_hz),
            probability: hit.probability,
            level_dbfs,
        })
    };
    evidence.hits.iter().filter_map(hit).collect()
}

fn summary(evidence: &TrackEvidence) -> HitSummary {
    let levels: Vec<(f64, f64)> = own(evidence)
        .filter_map(|h| h.level_dbfs)
        .map(|l| (l, 1.0))
        .collect();
    let median = weighted_quantile(&levels, 0.5);
    let deviations: Vec<(f64, f64)> = levels
        .iter()
        .map(|l| ((l.0 - median.unwrap_or(0.0)).abs(), 1.0))
        .collect();
    let mean_probability = {
        let count = own(evidence).count();
        own(evidence).map(|h| h.probability).sum::<f64>() / count.max(1) as f64
    };
    let mut note = Vec::new();
    if !evidence.attributed {
        note.push("not told from bleed: no other close mic to compare with".to_owned());
    }
    if evidence.missed >= 0.1 {
        note.push(format!(
            "about {:.0} % of the strokes may have been missed in the bleed",
            evidence.missed * 100.0
        ));
    }
    HitSummary {
        count: own(evidence).count(),
        level_dbfs: weighted_quantile(&levels, 0.75).map(|l| round_to(l, 2)),
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
