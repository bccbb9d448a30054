//! What is done about what was heard: left out, inverted, moved.

use super::SetUp;
use crate::analysis::{
    Opposed, PairKind, PairVerdict, Played, Polarity, close_opposed, overheads_opposed,
};
use crate::finding::{Finding, FindingKind, Severity};
use crate::reason::{Reason, SumFigures};
use crate::session::config::LeftOut;
use crate::session::label::Label;
use crate::session::{Family, Side, Track};
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

    /// The verdict on the two sides of a pair that is one track.
    fn own_sides(&self, track: &Track) -> Option<&PairVerdict> {
        let right = format!("{}-r", track.label);
        let mut pairs = self.setup.pairs.iter();
        let own = |v: &&PairVerdict| v.pair.kind == PairKind::Sides && v.pair.second == right;
        pairs.find(own).filter(|_| track.side.is_none())
    }

    /// Whether it is inverted, and what is to be said.
    pub(super) fn polarity(&self, t: usize, track: &Track) -> (Decided<bool>, Vec<Finding>) {
        let mut findings = Vec::new();
        let mut decided = Decided::plain(false);
        let listed = self.config.polarity.lists(track);
        for verdict in self.pairs_to(track).chain(self.own_sides(track)) {
            let pair = &verdict.pair;
            if verdict.dissent.contains(&t) {
                let kind = FindingKind::PolarityChanged {
                    against: pair.first.clone(),
                };
                let found = Finding::new(kind, Severity::Warning, pair.polarity_confidence);
                findings.push(found);
            }
            let allowed = self.config.polarity.corrects(track);
            if let Some(sum) = self.sum(verdict, track) {
                if sum.gains_inverted() {
                    let figures = SumFigures {
                        with: pair.first.clone(),
                        hits: pair.hits,
                        low_hz: sum.low_hz,
                        high_hz: sum.high_hz,
                        as_is_db: sum.as_is_db,
                        inverted_db: sum.inverted_db,
                    };
                    if allowed {
                        decided = Decided::new(true, Reason::SumOpposed(figures.clone()));
                    }
                    let kind = FindingKind::SumOpposed {
                        sum: figures,
                        corrected: allowed,
                    };
                    // Usual for a mic below a head: nothing is wrong with it.
                    let found = Finding::new(kind, Severity::Note, sum.confidence());
                    findings.push(found);
                }
                continue;
            }
            let found = Opposed {
                hits: pair.hits,
                correlation: pair.correlation,
                confidence: pair.polarity_confidence,
            };
            if pair.polarity != Polarity::Inverted || found.confidence < SURE {
                continue;
            }
            let (severity, corrected) = match pair.kind {
                // judged with all drums together, below
                PairKind::CloseOverhead => continue,
                PairKind::Sides => (Severity::Warning, listed && track.side.is_some()),
                // usual for a mic below a head: nothing is wrong with it
                PairKind::Kick | PairKind::Snare | PairKind::Tom => {
                    (Severity::Note, allowed && pair.sum_gain_db < 0.0)
                }
            };
            if corrected {
                decided = Decided::new(true, why_inverted(&pair.first, &found));
            }
            findings.push(opposed(&pair.first, &found, severity, corrected));
        }
        if let Some((against, found)) = self.odd(track) {
            if listed {
                decided = Decided::new(true, why_inverted(against, &found));
            }
            findings.push(opposed(against, &found, Severity::Warning, listed));
        }
        (decided, findings)
    }

    /// What all drums together show: a close mic that opposes the overheads, or overheads that oppose the
    /// close mics; and what it opposes.
    pub(super) fn odd(&self, track: &Track) -> Option<(&'static str, Opposed)> {
        let pairs = &self.setup.pairs;
        let (against, found) = match track.mic.family {
            Family::Overhead => ("the close mics", overheads_opposed(pairs)),
            _ => ("the overheads", close_opposed(pairs, &track.label)),
        };
        let found = found.filter(|o| o.confidence >= SURE)?;
        Some((against, found))
    }

    /// How much later a track hears a drum than the drum's own mic. Both sides of a pair are moved as
    /// one, so that their picture stays: by the side that hears it first.
    fn arrival(&self, track: &Track) -> Option<&PairVerdict> {
        let Track { mic, index, .. } = *track;
        let side = |side| {
            let side = Some(side);
            Label { mic, side, index }.to_string()
        };
        let labels = match track.side {
            Some(Side::L | Side::R) if mic.pair => vec![side(Side::L), side(Side::R)],
            None if mic.pair => vec![format!("{}-l", track.label), format!("{}-r", track.label)],
            _ => vec![track.label.clone()],
        };
        let sure = |v: &&PairVerdict| {
            let pair = &v.pair;
            pair.kind != PairKind::Sides
                && labels.contains(&pair.second)
                && pair.delay_confidence >= SURE
                && pair.delay_samples.is_some()
        };
        let mut found = self.setup.pairs.iter().filter(sure);
        let first = found.next()?;
        let same = found.filter(|v| v.pair.first == first.pair.first);
        let samples = |v: &&PairVerdict| v.pair.delay_samples.unwrap_or_default();
        std::iter::once(first)
            .chain(same)
            .min_by(|a, b| samples(a).total_cmp(&samples(b)))
    }

    /// Aligned on request only; a further mic of a drum to where it adds up best with the main mic, as it is
    /// after `inverted`.
    pub(super) fn delay(&self, track: &Track, inverted: bool) -> (Decided<i64>, Option<Finding>) {
        if !self.config.align.contains(&track.mic) {
            return (Decided::plain(0), None);
        }
        let note = |kind, confidence| Some(Finding::new(kind, Severity::Note, confidence));
        let mut sums = self.pairs_to(track);
        if let Some(moved) = sums.find_map(|v| self.moved(v, track, inverted)) {
            let why = Reason::SumMoved(moved.clone());
            let delay = Decided::new(moved.samples, why);
            return (delay, note(FindingKind::SumMoved(moved), 1.0));
        }
        match self.arrival(track) {
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

fn why_inverted(against: &str, found: &Opposed) -> Reason {
    Reason::PolarityOpposed {
        against: against.to_owned(),
        hits: found.hits,
        correlation: round_to(found.correlation, 2),
        confidence: found.confidence,
    }
}

fn opposed(against: &str, found: &Opposed, severity: Severity, corrected: bool) -> Finding {
    let kind = FindingKind::PolarityOpposed {
        against: against.to_owned(),
        hits: found.hits,
        correlation: round_to(found.correlation, 2),
        corrected,
    };
    Finding::new(kind, severity, found.confidence)
}
