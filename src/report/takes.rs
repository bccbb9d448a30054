//! `takes[]` of `session.json`: how each take was played, and how it differs from the others.

use serde::Serialize;

use super::session::MixReport;
use crate::analysis::playing::{Against, Estimate, Passage, Playing, Timing, Undecided};
use crate::units::round_to;

/// A figure that differs is only called so beyond this many standard errors of the difference.
const ERRORS: f64 = 3.0;
/// A drum that lies farther off than this share of a pulse plays between the pulses, and is not late.
const BETWEEN: f64 = 0.25;
/// Strokes are placed this exactly, mics stand this differently far: what differs by less is not said.
const PLACED_MS: f64 = 1.0;

/// One take.
#[derive(Clone, Debug, Serialize)]
pub struct TakeReport {
    /// Slug.
    pub song: String,
    /// Slug.
    pub take: String,
    /// From the start of its first file to the end of its last.
    pub seconds: f64,
    /// Frames a second, of most of its files.
    pub sample_rate_hz: u32,
    /// Valid bits of a sample, of most of its files.
    pub bit_depth: u16,
    /// First sample since midnight; null where no file says.
    pub time_reference_samples: Option<u64>,
    /// The day that its first file names; null where it names none.
    pub recorded: Option<String>,
    /// Beats a minute; null where none is decided.
    pub tempo_bpm: Option<f64>,
    /// More of the tempo; null where no pulse was found.
    pub tempo: Option<TempoReport>,
    /// Timing of all strokes; null where none is decided.
    pub timing_ms: Option<TimingReport>,
    /// Why there is no timing.
    pub undecided: Option<Undecided>,
    /// Drums that have a mic of their own.
    pub drums: Vec<DrumReport>,
    /// Loudest and softest passage; null where they do not differ by more than is uncertain.
    pub passages: Option<PassagesReport>,
    /// Files of its strokes, relative to the output folder; empty where none were written.
    pub hits: Vec<String>,
    /// Its rough mix; null where none was made.
    pub mix: Option<TakeMix>,
}

/// Tempo of a take; errors are standard errors.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct TempoReport {
    /// Of `tempo_bpm`.
    pub error_bpm: Option<f64>,
    /// The finest even pulse that the strokes lie on.
    pub pulses_per_minute: f64,
    /// How much faster the end is than the start.
    pub drift_percent: Option<f64>,
    /// Of the drift.
    pub drift_error_percent: Option<f64>,
}

/// Timing in milliseconds; errors are standard errors.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct TimingReport {
    /// `click`, or `own`: the take's own grid.
    pub against: Against,
    /// How late the strokes are; negative: early.
    pub median: f64,
    /// Of the median.
    pub median_error: f64,
    /// Standard deviation.
    pub spread: f64,
    /// Of the spread.
    pub spread_error: f64,
    /// Strokes that it rests on.
    pub strokes: usize,
}

/// A drum in a take.
#[derive(Clone, Debug, Serialize)]
pub struct DrumReport {
    /// `kick`, `tom-2`.
    pub drum: String,
    /// The track whose mic it was heard in.
    pub name: String,
    /// Strokes played.
    pub hits: usize,
    /// Standard deviation of their levels; null for fewer than eight.
    pub level_spread_db: Option<f64>,
    /// What it is tuned to in this take; null where undecided.
    pub fundamental_hz: Option<f64>,
    /// Its own timing; null for fewer than eight strokes.
    pub timing_ms: Option<TimingReport>,
}

/// The two extremes of a take.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct PassagesReport {
    /// Struck hardest.
    pub loudest: PassageReport,
    /// Struck softest.
    pub softest: PassageReport,
}

/// A passage; its level is over the median of the take, drum by drum.
#[derive(Clone, Copy, Debug, Serialize)]
#[allow(missing_docs)] // the names say it
pub struct PassageReport {
    pub from_s: f64,
    pub to_s: f64,
    pub level_db: f64,
}

/// The rough mix of a take.
#[derive(Clone, Debug, Serialize)]
pub struct TakeMix {
    /// Relative to the output folder.
    pub path: String,
    /// As written.
    pub integrated_lufs: Option<f64>,
    /// As written.
    pub true_peak_dbtp: Option<f64>,
}

impl TakeReport {
    /// Puts in what was found of the playing.
    pub fn played(&mut self, playing: &Playing) {
        let value = |e: Estimate| round_to(e.value, 2);
        let error = |e: Estimate| round_to(e.error, 3);
        self.tempo_bpm = playing.tempo.and_then(|t| t.bpm).map(value);
        self.tempo = playing.tempo.map(|tempo| TempoReport {
            error_bpm: tempo.bpm.map(error),
            pulses_per_minute: value(tempo.pulse_bpm),
            drift_percent: tempo.drift_percent.map(value),
            drift_error_percent: tempo.drift_percent.map(error),
        });
        let timing = |timing: Timing| TimingReport {
            against: playing.against,
            median: value(timing.median_ms),
            median_error: error(timing.median_ms),
            spread: value(timing.spread_ms),
            spread_error: error(timing.spread_ms),
            strokes: timing.strokes,
        };
        self.timing_ms = playing.timing.map(timing);
        self.undecided = playing.undecided;
        self.drums = (playing.drums.iter())
            .map(|drum| DrumReport {
                drum: drum.drum.clone(),
                name: String::new(),
                hits: drum.hits,
                level_spread_db: drum.level_spread_db.map(value),
                fundamental_hz: None,
                timing_ms: drum.timing.map(timing),
            })
            .collect();
        let passage = |p: Passage| PassageReport {
            from_s: round_to(p.from_s, 1),
            to_s: round_to(p.to_s, 1),
            level_db: round_to(p.level_db.value, 1),
        };
        self.passages = playing.passages.map(|p| PassagesReport {
            loudest: passage(p.loudest),
            softest: passage(p.softest),
        });
    }

    /// Puts in its rough mix, if that is among `mixes`.
    pub fn mixed(&mut self, mixes: &[MixReport]) {
        let own = mixes
            .iter()
            .find(|mix| mix.song == self.song && mix.take == self.take);
        self.mix = own.and_then(|mix| {
            let after = mix.after.as_ref().map(super::rounded);
            Some(TakeMix {
                path: mix.path.clone()?,
                integrated_lufs: after.as_ref().and_then(|l| l.integrated_lufs),
                true_peak_dbtp: after.as_ref().and_then(|l| l.true_peak_dbtp),
            })
        });
    }
}

/// How much later one drum is than the rest of its take: only where that is beyond doubt.
pub struct EarlyOrLate<'a> {
    /// The drum.
    pub drum: &'a str,
    /// Positive: late.
    pub by_ms: f64,
}

/// Drums that are early or late beside the median of the take, beyond doubt.
pub fn early_or_late(take: &TakeReport) -> Vec<EarlyOrLate<'_>> {
    let (Some(all), Some(tempo)) = (take.timing_ms, take.tempo) else {
        return Vec::new();
    };
    let most_ms = BETWEEN * 60_000.0 / tempo.pulses_per_minute;
    let of = |drum: &TakeReport, index: usize| -> Option<f64> {
        let own = drum.drums[index].timing_ms?;
        let by = own.median - all.median;
        let error = libm::hypot(own.median_error, all.median_error);
        let clear = by.abs() > ERRORS * error && by.abs() > PLACED_MS;
        (clear && by.abs() < most_ms).then_some(round_to(by, 1))
    };
    let drums = take.drums.iter().enumerate();
    let late = drums.filter_map(|(i, drum)| {
        Some(EarlyOrLate {
            drum: &drum.drum,
            by_ms: of(take, i)?,
        })
    });
    late.collect()
}

/// Takes of a song from the steadiest on, where they differ beyond doubt.
pub struct Steadiest<'a> {
    /// The one that scatters least.
    pub take: &'a TakeReport,
    /// Those that scatter more, beyond doubt.
    pub looser: Vec<&'a TakeReport>,
}

/// Which of the takes is the steadiest: those that are measured against the same are compared.
/// `None` where none differs from another by more than is uncertain.
pub fn steadiest<'a>(takes: &[&'a TakeReport]) -> Option<Steadiest<'a>> {
    let timed = |against: Against| -> Vec<(&'a TakeReport, TimingReport)> {
        let timed = takes.iter().filter_map(|t| Some((*t, t.timing_ms?)));
        timed.filter(|(_, t)| t.against == against).collect()
    };
    let (click, own) = (timed(Against::Click), timed(Against::Own));
    let compared = if click.len() >= own.len() { click } else { own };
    let (take, best) = *(compared.iter()).min_by(|a, b| a.1.spread.total_cmp(&b.1.spread))?;
    let looser = |(_, t): &&(&TakeReport, TimingReport)| {
        t.spread - best.spread > ERRORS * libm::hypot(t.spread_error, best.spread_error)
    };
    let looser: Vec<&TakeReport> = compared.iter().filter(looser).map(|t| t.0).collect();
    (!looser.is_empty()).then_some(Steadiest { take, looser })
}

/// Whether a take gets faster or slower, beyond doubt and by half a percent: by how many percent.
pub fn drifts(take: &TakeReport) -> Option<f64> {
    let tempo = take.tempo?;
    let (drift, error) = (tempo.drift_percent?, tempo.drift_error_percent?);
    (drift.abs() > ERRORS * error && drift.abs() >= 0.5).then_some(drift)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn take(name: &str, spread: f64, error: f64) -> TakeReport {
        let timing = |median: f64| TimingReport {
            against: Against::Own,
            median,
            median_error: 0.4,
            spread,
            spread_error: error,
            strokes: 200,
        };
        let drum = |drum: &str, median: f64| DrumReport {
            drum: drum.to_owned(),
            name: String::new(),
            hits: 60,
            level_spread_db: None,
            fundamental_hz: None,
            timing_ms: Some(timing(median)),
        };
        TakeReport {
            song: "low-tide".to_owned(),
            take: name.to_owned(),
            seconds: 60.0,
            sample_rate_hz: 48_000,
            bit_depth: 24,
            time_reference_samples: None,
            recorded: None,
            tempo_bpm: Some(120.0),
            tempo: Some(TempoReport {
                error_bpm: Some(0.1),
                pulses_per_minute: 240.0,
                drift_percent: Some(0.9),
                drift_error_percent: Some(0.2),
            }),
            timing_ms: Some(timing(0.0)),
            undecided: None,
            drums: vec![
                drum("kick", -0.9),
                drum("snare", 6.0),
                drum("hat", 1.2),
                drum("ride", 70.0),
            ],
            passages: None,
            hits: Vec::new(),
            mix: None,
        }
    }

    #[test]
    fn only_what_exceeds_its_uncertainty_is_said() {
        let (a, b, c) = (
            take("a", 6.0, 0.5),
            take("b", 7.5, 0.5),
            take("c", 9.0, 0.7),
        );
        let found = steadiest(&[&c, &b, &a]).unwrap();
        let looser: Vec<&str> = found.looser.iter().map(|t| t.take.as_str()).collect();
        assert_eq!((found.take.take.as_str(), looser), ("a", vec!["c"]));
        assert!(steadiest(&[&a, &b]).is_none());
        assert!(steadiest(&[&a]).is_none());
        let late: Vec<(&str, f64)> = early_or_late(&a)
            .iter()
            .map(|d| (d.drum, d.by_ms))
            .collect();
        assert_eq!(late, [("snare", 6.0)]);
        assert_eq!(drifts(&a), Some(0.9));
        let mut unsure = a.clone();
        if let Some(tempo) = &mut unsure.tempo {
            tempo.drift_error_percent = Some(0.4);
        }
        assert_eq!(drifts(&unsure), None);
    }

    #[test]
    fn a_take_against_its_own_grid_is_not_compared_with_one_against_a_click() {
        let (a, mut b) = (take("a", 6.0, 0.2), take("b", 19.0, 0.2));
        if let Some(timing) = &mut b.timing_ms {
            timing.against = Against::Click;
        }
        assert!(steadiest(&[&a, &b]).is_none());
    }
}
