//! What is done about what was heard: left out, turned round, moved.

use super::{SetUp, finding};
use crate::analysis::{PairKind, PairVerdict, Played, Polarity};
use crate::finding::{Code, Finding, Severity};
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

    pub(super) fn polarity(&self, t: usize, track: &Track) -> (Decided<bool>, Vec<Finding>) {
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
    pub(super) fn delay(&self, track: &Track) -> Decided<i64> {
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
}
