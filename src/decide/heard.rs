//! From what the takes of a set-up show to what is decided and reported of each track.

mod figures;
mod found;
mod pans;
mod rate;
mod sides;
mod together;
mod verdicts;

use super::stages::{Incoming, Tuned};
use crate::analysis::tuning::modes::LONGEST_RING_S;
use crate::analysis::{HitsOf, Played, SameSound, SetupEvidence, TakeEvidence};
use crate::finding::{Code, Finding, FindingKind, Severity};
use crate::measure::Levels;
use crate::measure::inspect::Inspection;
use crate::preset::Preset;
use crate::reason::Reason;
use crate::report::{HitSummary, TuningSummary};
use crate::session::config::SessionFile;
use crate::session::{Family, Track};
use crate::stage::gate::{Gate, GateHit, Struck};
use crate::worksheet::Decided;
use figures::{OWN, TAKE_HITS, level_hits, summary, tuned};
use found::{bleeding, noted};

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
    pub duplicate: Option<(usize, SameSound)>,
    /// What its own stem is made by.
    pub preset: Option<&'a Preset>,
}

/// What was heard of one track, and what follows from it.
#[derive(Clone, Debug)]
pub struct Heard {
    /// Frames of the hits whose level counts.
    pub level_hits: Vec<u64>,
    /// Whose hits these are.
    pub hits_of: HitsOf,
    /// All hits, and what may be one, for a gate.
    pub gate_hits: Vec<GateHit>,
    /// How long the drum rings in its set-up, or the others of its kind there.
    pub ring: Option<Ring>,
    /// How loud the mic comes in, over its set-up.
    pub incoming: Option<Incoming>,
    /// What takes back a step of level in this take, where the session file wants that, dB.
    pub trim_db: f64,
    /// The drum is not played in this take.
    pub not_played: bool,
    /// No stem is written.
    pub left_out: Decided<bool>,
    /// The mix does without it.
    pub muted: Decided<bool>,
    /// Polarity is inverted.
    pub polarity_inverted: Decided<bool>,
    /// Moved later by so many samples.
    pub delay_samples: Decided<i64>,
    /// Where it stands in the mix, where the overheads tell or should; else by the table.
    pub pan: Option<Decided<f64>>,
    /// The tuning of the set-up.
    pub tuned_setup: Tuned,
    /// The tuning of this take.
    pub tuned_take: Tuned,
    /// What the drum sounded at in this take, in Hz: for the report.
    pub pitch_take_hz: Option<f64>,
    /// For the report.
    pub hits: Option<HitSummary>,
    /// For the report.
    pub tuning: Option<TuningSummary>,
    /// Everything that a person should know about the track.
    pub findings: Vec<Finding>,
}

/// How long a drum rings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ring {
    /// Seconds for 60 dB; `None` where it was not seen to fade.
    pub t60_s: Option<f64>,
    /// The median of the set-up's other drums of its kind, where its own is not known.
    pub of_others: bool,
}

impl Default for Heard {
    fn default() -> Self {
        Self {
            level_hits: Vec::new(),
            hits_of: HitsOf::default(),
            gate_hits: Vec::new(),
            ring: None,
            incoming: None,
            trim_db: 0.0,
            not_played: false,
            left_out: Decided::plain(false),
            muted: Decided::plain(false),
            polarity_inverted: Decided::plain(false),
            delay_samples: Decided::plain(0),
            pan: None,
            tuned_setup: Tuned::default(),
            tuned_take: Tuned::default(),
            pitch_take_hz: None,
            hits: None,
            tuning: None,
            findings: Vec::new(),
        }
    }
}

impl Heard {
    /// What is heard of a pair in one piece whose left side this is, and which begins so many frames
    /// ahead of it.
    pub fn with_right(&self, right: &Self, lead_frames: u64) -> Self {
        let loudest = [self.incoming, right.incoming].into_iter().flatten();
        let loudest = loudest.max_by(|a, b| a.level_dbfs.total_cmp(&b.level_dbfs));
        let later = |hit: &u64| hit + lead_frames;
        Self {
            level_hits: self.level_hits.iter().map(later).collect(),
            hits_of: self.hits_of,
            incoming: loudest,
            // only what both sides show
            trim_db: match self.trim_db * right.trim_db > 0.0 {
                true => 0.5 * (self.trim_db + right.trim_db),
                false => 0.0,
            },
            not_played: self.not_played && right.not_played,
            left_out: match right.left_out.value {
                true => self.left_out.clone(),
                false => Decided::plain(false),
            },
            polarity_inverted: self.polarity_inverted.clone(),
            delay_samples: self.delay_samples.clone(),
            hits: self.hits.clone(),
            ..Self::default()
        }
    }

    /// All but the first hit: no other is asked for once levels and gates are decided.
    pub fn forget_hits(&mut self) {
        self.level_hits = self.level_hits.iter().min().copied().into_iter().collect();
        self.gate_hits = Vec::new();
    }

    /// A gate as this drum needs it in this take: when it opens and how fast it closes; and on what
    /// evidence.
    pub fn gate(&self, gate: &Gate, track: &Track) -> (Gate, Reason) {
        if self.gate_hits.is_empty() && !self.not_played {
            return (gate.clone(), Reason::NoHitsToGate);
        }
        let sure = self.gate_hits.iter().filter(|h| h.probability >= OWN);
        let softest = sure.map(|h| h.level_dbfs).fold(0.0, f64::min);
        let measured_s = self.ring.and_then(|ring| ring.t60_s);
        // What does not fade while it is looked at rings long.
        let ring_s = self.ring.map(|ring| ring.t60_s.unwrap_or(LONGEST_RING_S));
        // The gate comes behind the delay.
        let moved = |hit: &GateHit| GateHit {
            frame: hit.frame.saturating_add_signed(self.delay_samples.value),
            ..*hit
        };
        let hits: Vec<GateHit> = self.gate_hits.iter().map(moved).collect();
        let struck = Struck {
            hits: &hits,
            ring_s,
            floor_dbfs: softest - FLOOR_DB,
            rests: self.not_played,
        };
        let decided = gate.decide(struck, f64::from(track.rate_hz()));
        let why = Reason::Gated {
            sure: decided.sure,
            unsure: decided.unsure,
            ring_s: measured_s.filter(|_| gate.close_db_per_s.is_none()),
            of_others: self.ring.is_some_and(|ring| ring.of_others),
            rests: self.not_played,
            tom: track.mic.family == Family::Tom,
        };
        (decided.gate, why)
    }
}

/// The level between hits is not measured: what lies so far under the softest sure hit is taken for it, dB.
const FLOOR_DB: f64 = 20.0;
/// Fewer hits than this in a set-up: no gain is guessed.
const FEWEST_HITS: usize = super::gains::FEWEST_HITS;
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

/// What takes back the step of level that was found.
fn trim_db(findings: &[Finding]) -> f64 {
    let step = findings.iter().find_map(|found| match found.kind {
        FindingKind::LevelStep {
            step_db, trimmed, ..
        } => trimmed.then_some(step_db),
        _ => None,
    });
    step.map_or(0.0, |step_db| -step_db)
}

struct SetUp<'a> {
    takes: &'a [TakeHeard<'a>],
    setup: &'a SetupEvidence,
    config: &'a SessionFile,
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
        if self.said_of_pair(t, track) {
            findings.retain(|f| f.code() != Code::PairMismatch || f.severity > Severity::Note);
        }
        // Clicks in a click or trigger track, and the digital silence between them, are meant to be there.
        let utility = track.mic.family == Family::Utility;
        let meant = |kind: &FindingKind| {
            let gap = matches!(
                kind,
                FindingKind::Dropout { .. } | FindingKind::DigitalSilence { .. }
            );
            utility && gap
        };
        findings.extend(
            (inspection.findings.iter())
                .filter(|f| !meant(&f.kind))
                .cloned(),
        );
        if !utility {
            findings.extend(click.map(|c| (*c).clone()));
        }
        findings.extend(self.duplicate(t, k).or_else(|| self.copy(t, k)));
        let counts =
            !matches!(track.mic.family, Family::Utility | Family::Unknown) && !inspection.silent;
        let played = self.played(t, track);
        let not_played = matches!(played, Some(Played::No(_)));
        if let Some(Played::No(confidence)) = played {
            let kind = FindingKind::NotPlayed;
            findings.push(Finding::new(kind, Severity::Note, *confidence));
        }
        let (polarity_inverted, found) = self.polarity(t, track);
        findings.extend(found);
        let (delay_samples, found) = self.delay(track, polarity_inverted.value);
        findings.extend(found);
        findings.extend(self.length(t, track));
        findings.extend(self.changes(t, track));
        if counts {
            findings.extend(self.few_hits(track));
        }
        findings.extend(evidence.metronome.as_ref().map(bleeding));
        findings.extend(self.unlikely(track));
        findings.extend(self.rate(t, track));
        findings.extend(self.sides(t, track));
        let (left_out, muted) = self.left_out(t, track, inspection.silent, not_played);
        findings.sort_by_key(|f| (std::cmp::Reverse(f.severity), f.code()));
        Heard {
            level_hits: if counts {
                level_hits(evidence, track.rate_hz())
            } else {
                Vec::new()
            },
            hits_of: evidence.hits_of(),
            gate_hits: self.gate_hits(evidence, track, not_played),
            ring: self.ring(track),
            incoming: self.incoming(track),
            trim_db: trim_db(&findings),
            not_played,
            left_out,
            muted,
            polarity_inverted,
            delay_samples,
            pan: self.pan(track),
            tuned_setup: self.tuned(track),
            tuned_take: self
                .take_tuning(t, track)
                .filter(|t| t.hits >= TAKE_HITS)
                .map(tuned)
                .unwrap_or_default(),
            pitch_take_hz: self.own_tuning(t, track).map(|own| own.fundamental_hz),
            hits: (counts || evidence.drum.is_some()).then(|| summary(evidence)),
            tuning: self.tuning_summary(t, track),
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
}
