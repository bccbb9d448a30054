//! What only several tracks or takes together show, as findings.

use super::{FEWEST_HITS, SetUp, finding};
use crate::analysis::{Metronome, Unlikely};
use crate::finding::{Code, Finding, Severity};
use crate::session::Track;
use crate::units::round_to;

/// What scanning noticed about the track.
pub(super) fn noted(track: &Track) -> Vec<Finding> {
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

impl SetUp<'_> {
    /// Steps of level, and a tuning that drifts: told in the take where they begin.
    pub(super) fn changes(&self, t: usize, track: &Track) -> Vec<Finding> {
        let mut findings = Vec::new();
        let level = self.setup.levels.iter().find(|l| l.label == track.label);
        if let Some((_, step)) = level.and_then(|l| l.steps.iter().find(|(take, _)| *take == t)) {
            let (step, way) = (
                round_to(step.abs(), 1),
                if *step > 0.0 { "louder" } else { "softer" },
            );
            let clipped = self.takes[t]
                .tracks
                .iter()
                .any(|l| l.track.label == track.label && l.inspection.clipped_samples > 0);
            // peaks that were cut off are lower than they would have been
            let least = if clipped { "at least " } else { "" };
            findings.push(finding(
                Code::LevelStep,
                Severity::Warning,
                0.8,
                format!("hits {least}{step} dB {way} than in the other takes: was the preamplifier moved? The takes keep one gain"),
            ));
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

    pub(super) fn few_hits(&self, track: &Track) -> Option<Finding> {
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
    pub(super) fn duplicate(&self, t: usize, k: usize) -> Option<Finding> {
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
    pub(super) fn copy(&self, t: usize, k: usize) -> Option<Finding> {
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
}

/// A metronome that bleeds from a headphone; never to be taken for a fault of the recorder.
pub(super) fn bleeding(metronome: &Metronome) -> Finding {
    let mut found = finding(
        Code::Metronome,
        Severity::Warning,
        metronome.confidence,
        format!(
            "a metronome can be heard between the strokes, {} beats a minute, {} of them at about {} dBFS: it bleeds from a headphone; turn that down or close it, and fade it out where the kit is silent",
            round_to(60_000.0 / metronome.period_ms, 1),
            metronome.ticks,
            metronome.level_dbfs
        ),
    );
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
        let message = match doubts.into_iter().flatten().next()? {
            Unlikely::NoBody { body_db } => format!(
                "sounds like a cymbal and not like a {}: below 600 Hz its loudest hits are {} dB weaker than above 1.8 kHz; listen, and give it its right name",
                track.mic.name(),
                -body_db
            ),
            Unlikely::Led { by, lead_ms } => format!(
                "its loudest hits sound {lead_ms} ms earlier in {by}, which they come from: are the names of both exchanged? Listen to both"
            ),
        };
        Some(finding(Code::UnlikelyMic, Severity::Warning, 0.85, message))
    }
}
