//! What only several tracks or takes together show, as findings.

use super::{FEWEST_HITS, SetUp};
use crate::analysis::{Metronome, Played, Unlikely};
use crate::finding::{Code, Finding, FindingKind, Severity};
use crate::preset::Preset;
use crate::session::{Side, Track};
use crate::units::round_to;

/// Tracks whose lengths differ by less were stopped together: recorders round to their blocks.
/// Common practice, no source.
const SAME_LENGTH_S: f64 = 0.5;

/// What scanning noticed about the track.
pub(super) fn noted(track: &Track) -> Vec<Finding> {
    let note = |note: &crate::session::TrackNote| {
        let kind = note.finding.clone()?;
        let severity = match kind {
            FindingKind::Truncated(_) => Severity::Problem,
            FindingKind::OddHeader { .. } | FindingKind::SidesPadded { .. } => Severity::Note,
            _ => Severity::Warning,
        };
        Some(Finding::new(kind, severity, 1.0))
    };
    track.notes.iter().filter_map(note).collect()
}

impl SetUp<'_> {
    /// Whether the same was said of a side of this pair already: in an earlier take of the song, or
    /// of its left side.
    pub(super) fn said_of_pair(&self, t: usize, track: &Track) -> bool {
        let differs = |other: &Track| {
            let mut kinds = other.notes.iter().filter_map(|n| n.finding.as_ref());
            other.mic == track.mic && kinds.any(|kind| kind.code() == Code::PairMismatch)
        };
        let song = self.takes[t].song;
        let earlier = self.takes[..t].iter().filter(|take| take.song == song);
        let mut earlier = earlier.flat_map(|take| &take.tracks);
        track.side == Some(Side::R) || earlier.any(|l| differs(l.track))
    }

    /// Steps of level, and a tuning that drifts: told in the take where they begin.
    pub(super) fn changes(&self, t: usize, track: &Track) -> Vec<Finding> {
        let mut findings = Vec::new();
        let level = self.setup.levels.iter().find(|l| l.label == track.label);
        let step = level.and_then(|l| l.steps.iter().find(|(take, _)| *take == t));
        if let Some((_, step)) = step.filter(|_| !self.levels_of_bleed(track)) {
            let tracks = self.takes[t].tracks.iter();
            let mut own = tracks.filter(|l| l.track.label == track.label);
            let clipped = own.clone().any(|l| l.inspection.clipped_samples > 0);
            // a side of a pair in one piece has no preset of its own
            let linked = |preset: &Preset| preset.level.is_some_and(|rule| rule.is_linked());
            let trimmed = self.config.trim_level_steps && own.all(|l| l.preset.is_none_or(linked));
            // peaks that were cut off are lower than they would have been: the step is larger still
            let kind = FindingKind::LevelStep {
                step_db: round_to(*step, 1),
                clipped,
                trimmed,
            };
            findings.push(Finding::new(kind, Severity::Warning, 0.8));
        }
        let drift = self
            .setup
            .tunings
            .iter()
            .find(|d| d.label == track.label)
            .and_then(|d| d.drift);
        // where all drums moved alike it is the clock, not the heads
        let drift = drift.filter(|drift| drift.first_take == t && self.wrong_rate(t).is_none());
        if let Some(drift) = drift {
            let kind = FindingKind::Detuned {
                from_hz: round_to(drift.from_hz, 1),
                to_hz: round_to(drift.to_hz, 1),
            };
            findings.push(Finding::new(kind, Severity::Warning, drift.confidence));
        }
        findings
    }

    /// Whether a take in which the drum rests has a level by what bled into its mic: that is softer than
    /// hits, and beside it they would be a step.
    fn levels_of_bleed(&self, track: &Track) -> bool {
        let bled = |t: usize| {
            let mut tracks = self.takes[t].evidence.tracks.iter();
            let own = tracks.find(|e| e.label == track.label);
            own.is_some_and(|e| e.own_hits().count() >= FEWEST_HITS)
        };
        let rests = |t: usize| matches!(self.played(t, track), Some(Played::No(_)));
        track.mic.may_be_left_out && (0..self.takes.len()).any(|t| rests(t) && bled(t))
    }

    /// Longer or shorter than most tracks of the take, where none is said to begin elsewhere.
    pub(super) fn length(&self, t: usize, track: &Track) -> Option<Finding> {
        let start = |track: &Track| track.time_reference_samples();
        let seconds = |track: &Track| track.frames() as f64 / f64::from(track.rate_hz());
        let tracks = || self.takes[t].tracks.iter().map(|l| l.track);
        let cut = track.sources.iter().any(|s| s.info.truncated.is_some());
        if cut || tracks().any(|other| start(other) != start(track)) {
            return None;
        }
        let near = |a: f64, b: f64| (a - b).abs() < SAME_LENGTH_S;
        let alike = |own: f64| tracks().filter(|other| near(seconds(other), own)).count();
        let (own, all) = (seconds(track), tracks().count());
        // A length counts as that of the take where most of its tracks have it.
        let others_s = tracks().map(seconds).find(|s| alike(*s) * 2 > all)?;
        let kind = FindingKind::LengthMismatch {
            seconds: round_to(own, 3),
            others_s: round_to(others_s, 3),
        };
        (!near(own, others_s)).then(|| Finding::new(kind, Severity::Warning, 0.9))
    }

    pub(super) fn few_hits(&self, track: &Track) -> Option<Finding> {
        let level = self.setup.levels.iter().find(|l| l.label == track.label);
        let hits = level.map_or(0, |l| l.hits);
        let kind = FindingKind::FewHits { hits };
        (hits < FEWEST_HITS).then(|| Finding::new(kind, Severity::Note, 0.8))
    }

    /// The same samples under another name.
    pub(super) fn duplicate(&self, t: usize, k: usize) -> Option<Finding> {
        let own = &self.takes[t].tracks[k];
        let (take, other) = self
            .takes
            .iter()
            .flat_map(|take| take.tracks.iter().map(move |l| (take, l)))
            .find(|(_, other)| {
                !std::ptr::eq(*other, own)
                    && other.sha256 == own.sha256
                    && other.track.sources[0].channel == own.track.sources[0].channel
            })?;
        let kind = FindingKind::SameFile {
            of: other.track.label.clone(),
            take: take.slug.to_owned(),
        };
        Some(Finding::new(kind, Severity::Problem, 1.0))
    }

    /// The same sound at another level or a little later.
    pub(super) fn copy(&self, t: usize, k: usize) -> Option<Finding> {
        let (first, same) = self.takes[t].tracks[k].duplicate?;
        let other = self.takes[t].tracks.get(first)?;
        let kind = FindingKind::SameSignal {
            of: other.track.label.clone(),
            lag_ms: same.lag_ms,
            gain_db: same.gain_db,
        };
        Some(Finding::new(kind, Severity::Problem, same.confidence))
    }
}

/// A metronome that bleeds from a headphone; never to be taken for a fault of the recorder.
pub(super) fn bleeding(metronome: &Metronome) -> Finding {
    let kind = FindingKind::Metronome {
        beats_per_minute: round_to(60_000.0 / metronome.period_ms, 1),
        beats: metronome.ticks,
        level_dbfs: metronome.level_dbfs,
    };
    let mut found = Finding::new(kind, Severity::Warning, metronome.confidence);
    found.at_s = metronome.at_s.iter().copied().take(20).collect();
    found
}

impl SetUp<'_> {
    /// A name that the sound does not fit, where most takes say so.
    pub(super) fn unlikely(&self, track: &Track) -> Option<Finding> {
        let same = self.takes.iter().flat_map(|t| &t.evidence.tracks);
        let same = same.filter(|e| e.label == track.label);
        let doubts: Vec<Option<&Unlikely>> = same.map(|e| e.unlikely.as_ref()).collect();
        let doubted = doubts.iter().flatten().count();
        if 2 * doubted < doubts.len() {
            return None;
        }
        let kind = match doubts.into_iter().flatten().next()? {
            Unlikely::NoBody { body_db } => FindingKind::LikeCymbal {
                mic: track.mic.name().to_owned(),
                weaker_db: -body_db,
            },
            Unlikely::Led { by, lead_ms } => FindingKind::LedBy {
                by: by.clone(),
                lead_ms: *lead_ms,
            },
        };
        Some(Finding::new(kind, Severity::Warning, 0.85))
    }
}
