//! A header with the wrong rate: every drum of a take off by the ratio of two rates, or the mains.

use super::SetUp;
use crate::analysis::tuning::SURE;
use crate::analysis::weighted_quantile;
use crate::finding::{Finding, FindingKind, Severity};
use crate::session::{Family, Track};
use crate::units::round_to;

/// True rate over the header's, where they are confused.
const RATIOS: [f64; 4] = [48.0 / 44.1, 44.1 / 48.0, 2.0, 0.5];
/// How near all drums must come to it: heads are not tuned alike in all takes.
const NEAR: f64 = 0.025;
/// Drums and tracks with a hum that must say so, and none the contrary.
const LEAST: usize = 2;

/// What a take's header should probably say.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct WrongRate {
    /// True rate over the header's.
    ratio: f64,
    /// Drums that are off by it.
    drums: usize,
    /// Tracks whose hum is off by it.
    hums: usize,
    /// Other takes that they were compared with.
    takes: usize,
}

impl SetUp<'_> {
    /// Whether the rate in the headers of a take is probably wrong.
    pub(super) fn wrong_rate(&self, t: usize) -> Option<WrongRate> {
        RATIOS.iter().find_map(|&ratio| {
            let (drums, others, takes) = self.drums_off(t, ratio);
            let hums = self.hums_off(t, ratio);
            (drums + hums >= LEAST && others == 0).then_some(WrongRate {
                ratio,
                drums,
                hums,
                takes,
            })
        })
    }

    /// Drums that are off by a ratio against the other takes, those that are not, and how many takes
    /// there are to compare with.
    fn drums_off(&self, t: usize, ratio: f64) -> (usize, usize, usize) {
        let pitch = |take: usize, label: &str| {
            let tracks = &self.takes[take].evidence.tracks;
            let tuning = tracks.iter().find(|e| e.label == label)?.tuning.as_ref()?;
            (tuning.confidence >= SURE).then_some(tuning.fundamental_hz)
        };
        let (mut off, mut on, mut takes) = (0, 0, 0);
        for drum in &self.takes[t].evidence.drums {
            let others: Vec<(f64, f64)> = (0..self.takes.len())
                .filter(|&other| other != t)
                .filter_map(|other| Some((pitch(other, &drum.own)?, 1.0)))
                .collect();
            let (Some(here), Some(there)) = (pitch(t, &drum.own), weighted_quantile(&others, 0.5))
            else {
                continue;
            };
            takes = takes.max(others.len());
            // sound that is played too slowly is too low
            match (here * ratio / there - 1.0).abs() < NEAR {
                true => off += 1,
                false => on += 1,
            }
        }
        (off, on, takes)
    }

    fn hums_off(&self, t: usize, ratio: f64) -> usize {
        let hums = self.takes[t].tracks.iter().filter_map(|l| l.inspection.hum);
        let wrong = hums.filter_map(|hum| hum.wrong_rate);
        wrong
            .filter(|(_, r)| (r / ratio - 1.0).abs() < 1e-6)
            .count()
    }

    /// The same for every track of the take.
    pub(super) fn rate(&self, t: usize, track: &Track) -> Option<Finding> {
        if track.mic.family == Family::Utility {
            return None;
        }
        let wrong = self.wrong_rate(t)?;
        let header_hz = track.rate_hz();
        let true_hz = round_to(f64::from(header_hz) * wrong.ratio, 0);
        let semitones = 12.0 * wrong.ratio.log2();
        // with one other take it may be that one
        let sure = wrong.takes >= 2 || wrong.hums > 0;
        let (severity, confidence) = match sure {
            true => (Severity::Problem, 0.9),
            false => (Severity::Warning, 0.5),
        };
        let kind = FindingKind::WrongRate {
            header_hz,
            true_hz,
            semitones: round_to(semitones, 2),
            drums: wrong.drums,
            hums: wrong.hums,
            sure,
        };
        Some(Finding::new(kind, severity, confidence))
    }
}
