//! How a take was played, from nothing but its strokes: tempo and its drift, timing against a click
//! or the take's own grid, spread of levels, loud and soft passages.
//!
//! Pure functions, whose sines are the same on every machine. Every figure has a standard error beside
//! it, and is absent where too few strokes carry it or none of the models fits: rubato has no tempo
//! here, and seven eighths have no beat.

mod beat;
mod click;
mod grid;
mod level;
mod robust;
#[cfg(test)]
mod tests;

use serde::{Deserialize, Serialize};

pub use crate::reason::{Against, Undecided};
pub use level::{Passage, Passages};
pub use robust::Estimate;

use grid::Grid;

/// Strokes from this probability on are played; those below may be bleed.
pub const SURE: f64 = 0.5;
/// Fewer strokes than this have no timing.
const FEWEST_STROKES: usize = 16;

/// One stroke of a drum.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Stroke {
    /// Index of the drum.
    pub drum: u16,
    /// Frames of the take at its onset in the drum's own mic.
    pub frame: u64,
    /// Its own peak in that mic; `None` for silence.
    pub level_dbfs: Option<f64>,
    /// That it is a stroke of this drum, 0 to 1.
    pub probability: f64,
    /// Within what is played: count-in, taps before and after lie outside.
    pub in_take: bool,
}

/// All strokes of a take, by frame.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Strokes {
    /// Frames a second of the take.
    pub rate_hz: u32,
    /// Drums that have a mic of their own, with the label of that mic's track.
    pub drums: Vec<(String, String)>,
    /// In order of frames.
    pub list: Vec<Stroke>,
    /// Beats of a click track, in seconds of the take.
    pub clicks_s: Vec<f64>,
}

impl Strokes {
    /// Strokes that are played, each with its place in seconds.
    fn played(&self) -> impl Iterator<Item = (f64, &Stroke)> {
        let rate_hz = f64::from(self.rate_hz.max(1));
        let sure = |s: &&Stroke| s.in_take && s.probability >= SURE;
        let played = self.list.iter().filter(sure);
        played.map(move |s| (s.frame as f64 / rate_hz, s))
    }

    /// The loudest sure stroke of a drum, by its name.
    pub fn loudest_dbfs(&self, drum: &str) -> Option<f64> {
        let index = self.drums.iter().position(|(name, _)| name == drum)?;
        let own = |s: &&Stroke| usize::from(s.drum) == index && s.probability >= SURE;
        let levels = self.list.iter().filter(own).filter_map(|s| s.level_dbfs);
        levels.max_by(f64::total_cmp)
    }
}

/// Tempo of a take.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tempo {
    /// Beats a minute; `None` where a pulse is there, but which of its multiples is the beat is not
    /// decided.
    pub bpm: Option<Estimate>,
    /// Pulses a minute: the finest even grid that the strokes lie on.
    pub pulse_bpm: Estimate,
    /// By how much it is faster at the end than at the start, in percent.
    pub drift_percent: Option<Estimate>,
}

/// Timing of some strokes: how late they are in the median (early: negative), and how far they
/// scatter about that, as a standard deviation.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Timing {
    /// Milliseconds late.
    pub median_ms: Estimate,
    /// Milliseconds.
    pub spread_ms: Estimate,
    /// Strokes that it rests on.
    pub strokes: usize,
}

/// One drum in a take.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DrumPlaying {
    /// `kick`, `tom-2`.
    pub drum: String,
    /// Strokes played.
    pub hits: usize,
    /// Standard deviation of their levels, by the median deviation.
    pub level_spread_db: Option<Estimate>,
    /// Its timing.
    pub timing: Option<Timing>,
}

/// How a take was played.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Playing {
    /// What `timing` is measured against.
    pub against: Against,
    /// Tempo; `None` where none is decided.
    pub tempo: Option<Tempo>,
    /// Timing of all strokes; `None` where none is decided.
    pub timing: Option<Timing>,
    /// Why not.
    pub undecided: Option<Undecided>,
    /// Drums that have a mic of their own.
    pub drums: Vec<DrumPlaying>,
    /// Loudest and softest passage; `None` where they do not differ by more than is uncertain.
    pub passages: Option<Passages>,
}

/// Where strokes lie beside a grid.
struct Placed {
    against: Against,
    tempo: Tempo,
    /// Seconds late, one a stroke played; `None` where the grid does not reach.
    late_s: Vec<Option<f64>>,
}

/// How the strokes of a take are played.
pub fn playing(strokes: &Strokes) -> Playing {
    let (times, played): (Vec<f64>, Vec<&Stroke>) = strokes.played().unzip();
    let beats = click::beats(&strokes.clicks_s);
    let against = match beats {
        Some(_) => Against::Click,
        None => Against::Own,
    };
    let placed = match times.len() < FEWEST_STROKES {
        true => Err(Undecided::TooFewStrokes),
        false => match &beats {
            Some(beats) => click::place(&times, beats),
            None => own_grid(strokes, &times, &played),
        }
        .ok_or(Undecided::NoPulse),
    };
    let late_s = placed.as_ref().map(|p| &p.late_s[..]).unwrap_or_default();
    let timing_of = |wanted: &dyn Fn(&Stroke) -> bool| {
        let of = played.iter().zip(late_s).filter(|(s, _)| wanted(s));
        timing(of.filter_map(|(_, late)| *late).collect())
    };
    let drum = |(index, (name, _)): (usize, &(String, String))| {
        let own = |s: &Stroke| usize::from(s.drum) == index;
        let mine = || played.iter().filter(|s| own(s));
        DrumPlaying {
            drum: name.clone(),
            hits: mine().count(),
            level_spread_db: robust::spread(
                &mine().filter_map(|s| s.level_dbfs).collect::<Vec<_>>(),
            ),
            timing: timing_of(&own),
        }
    };
    Playing {
        against: placed.as_ref().map_or(against, |placed| placed.against),
        timing: timing_of(&|_| true),
        drums: strokes.drums.iter().enumerate().map(drum).collect(),
        passages: level::passages(&times, &played),
        undecided: placed.as_ref().err().copied(),
        tempo: placed.ok().map(|placed| placed.tempo),
    }
}

/// Median and spread of times in seconds; `None` for fewer than eight.
fn timing(late_s: Vec<f64>) -> Option<Timing> {
    let late_ms: Vec<f64> = late_s.iter().map(|s| 1000.0 * s).collect();
    Some(Timing {
        spread_ms: robust::spread(&late_ms)?,
        median_ms: robust::location(&late_ms)?,
        strokes: late_ms.len(),
    })
}

fn own_grid(strokes: &Strokes, times: &[f64], played: &[&Stroke]) -> Option<Placed> {
    let grid = Grid::fit(times)?;
    let main = |s: &Stroke| {
        let drum = &strokes.drums[usize::from(s.drum)].0;
        drum.starts_with("kick") || drum.starts_with("snare")
    };
    let pulses: Vec<(i64, bool)> = (grid.pulse.iter().zip(played))
        .filter_map(|(pulse, s)| Some(((*pulse)?, main(s))))
        .collect();
    let (period, drift_percent) = grid.tempo();
    let bpm = |pulses: f64| Estimate {
        value: 60.0 / (pulses * period.value),
        error: 60.0 / (pulses * period.value) * period.error / period.value,
    };
    Some(Placed {
        against: Against::Own,
        tempo: Tempo {
            bpm: beat::pulses_a_beat(&pulses, period.value).map(|n| bpm(n as f64)),
            pulse_bpm: bpm(1.0),
            drift_percent,
        },
        late_s: grid.late_s,
    })
}
