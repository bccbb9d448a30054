//! What is done about what was heard: left out, inverted, moved.

use super::SetUp;
use crate::analysis::{PairKind, PairVerdict, Played, Polarity};
use crate::finding::{Finding, FindingKind, Severity};
use crate::reason::Reason;
use crate::session::Track;
use crate::session::config::LeftOut;
use crate::units::round_to;
use crate::worksheet::Decided;

/// A verdict below this confidence changes nothing.
const SURE: f64 = 0.6;

impl SetUp<'_> {
    /// Whether a stem is left out and whether the mix does without it.
    pub(super) fn left_out(
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
        let reason = |whole_song: bool| match silent {
            true => Reason::Silent { whole_song },
            false => Reason::NotPlayed { whole_song },
        };
        let out = match self.config.left_out {
            LeftOut::Never => false,
            LeftOut::Take => here,
            LeftOut::Song => here && everywhere,
        };
        let left_out = match out {
            false => Decided::plain(false),
            true => Decided::new(true, reason(self.config.left_out == LeftOut::Song)),
        };
        let muted = if !out && (silent || (not_played && track.mic.may_be_left_out)) {
            Decided::new(true, reason(false))
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

    pub(super) fn polarity(&self, t: usize, track: &Track) -> (Decided<bool>, Vec<Finding>) {
        let mut findings = Vec::new();
        let mut decided = Decided::plain(false);
        for verdict in self.pairs_to(track) {
            let pair = &verdict.pair;
            if verdict.dissent.contains(&t) {
                let kind = FindingKind::PolarityChanged {
                    against: pair.first.clone(),
                };
                let found = Finding::new(kind, Severity::Warning, pair.polarity_confidence);
                findings.push(found);
            }
            if pair.polarity != Polarity::Inverted || pair.polarity_confidence < SURE {
                continue;
            }
            let corrected =
                pair.kind == PairKind::Snare && self.config.polarity.0.contains(&track.mic);
            // Common between a close mic and an overhead: nothing is wrong with either.
            if !corrected && pair.kind == PairKind::CloseOverhead {
                continue;
            }
            let correlation = round_to(pair.correlation, 2);
            if corrected {
                let reason = Reason::PolarityOpposed {
                    against: pair.first.clone(),
                    hits: pair.hits,
                    correlation,
                    confidence: pair.polarity_confidence,
                };
                decided = Decided::new(true, reason);
            }
            let kind = FindingKind::PolarityOpposed {
                against: pair.first.clone(),
                hits: pair.hits,
                correlation,
                corrected,
            };
            let found = Finding::new(kind, Severity::Warning, pair.polarity_confidence);
            findings.push(found);
        }
        (decided, findings)
    }

    /// Aligned on request only.
    pub(super) fn delay(&self, track: &Track) -> (Decided<i64>, Option<Finding>) {
        if !self.config.align.contains(&track.mic) {
            return (Decided::plain(0), None);
        }
        let note = |kind, confidence| Some(Finding::new(kind, Severity::Note, confidence));
        let sure =
            |v: &&PairVerdict| v.pair.delay_confidence >= SURE && v.pair.delay_samples.is_some();
        match self.pairs_to(track).find(sure) {
            Some(PairVerdict { pair, .. }) => {
                let samples = pair.delay_samples.unwrap_or_default();
                let ms = round_to(pair.delay_ms.unwrap_or_default(), 2);
                let distance_m = round_to(pair.distance_m.unwrap_or_default(), 2);
                let against = pair.first.clone();
                let why = Reason::LaterThan {
                    against: against.clone(),
                    samples: round_to(samples, 1),
                    ms,
                    distance_m,
                };
                let kind = FindingKind::Delay {
                    against,
                    ms,
                    distance_m,
                };
                let delay = Decided::new(-samples.round() as i64, why);
                (delay, note(kind, pair.delay_confidence))
            }
            None => {
                let delay = Decided::new(0, Reason::DelayUndecided);
                (delay, note(FindingKind::DelayUndecided, 1.0))
            }
        }
    }
}
