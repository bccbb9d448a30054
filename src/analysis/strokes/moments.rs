//! Moments at which something was struck, over all tracks of a take, and how much each track rose.

use crate::analysis::strokes::bank::BANDS;
use crate::analysis::strokes::onset;
use crate::analysis::strokes::trace::{Trace, powers};

/// Onsets of several tracks at most this far apart are one moment.
const TOGETHER_MS: i64 = 14;
/// Averaged after a stroke.
const AFTER_MS: i64 = 10;
/// How far a track's best window may lie outside the onsets.
const SLACK_MS: i64 = 4;
/// Averaged before a stroke.
const BEFORE_MS: i64 = 15;
/// How far a mean over 10 ms strays from the mean before it, by chance, in noise of that bandwidth:
/// about 1 / √(bandwidth × time), at most 1.
const STRAY: [f32; BANDS] = [1.0, 0.8, 0.5, 0.3, 0.2, 0.12];

/// One or several drums struck together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moment {
    /// Earliest onset of any track, in milliseconds of the take.
    pub first_ms: i64,
    /// Latest onset.
    pub last_ms: i64,
}

/// How one track rose at one moment.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Rise {
    /// Mean square after less before, per band.
    pub energy: [f32; BANDS],
    /// What would not be told from nothing, per band.
    pub floor: [f32; BANDS],
    /// When it was steepest, in milliseconds of the take.
    pub arrival_ms: i64,
}

/// Moments from the onsets of all tracks (in milliseconds of the take), in order.
pub(crate) fn gather(mut onsets: Vec<i64>) -> Vec<Moment> {
    onsets.sort_unstable();
    let mut moments: Vec<Moment> = Vec::new();
    for at in onsets {
        match moments.last_mut() {
            Some(m) if at - m.first_ms <= TOGETHER_MS => m.last_ms = at,
            _ => moments.push(Moment {
                first_ms: at,
                last_ms: at,
            }),
        }
    }
    moments
}

/// How a track rose at each moment. `offset_ms` is where it starts in the take, `late_ms` how much
/// later than a close mic it may hear a drum.
pub(crate) fn rises(trace: &Trace, offset_ms: i64, late_ms: i64, moments: &[Moment]) -> Vec<Rise> {
    let table = powers();
    let base = onset::floors(&trace.levels);
    let len = trace.levels.len() as i64;
    let power = |band: usize, t: i64| -> f32 {
        if t < 0 || t >= len {
            0.0
        } else {
            table[trace.levels[t as usize][band] as usize]
        }
    };
    moments
        .iter()
        .map(|moment| {
            let first = moment.first_ms - offset_ms;
            let last = moment.last_ms - offset_ms;
            let mut rise = Rise {
                energy: [0.0; BANDS],
                floor: base,
                arrival_ms: moment.first_ms,
            };
            for (band, stray) in STRAY.iter().enumerate() {
                let before: f32 = (first - SLACK_MS - BEFORE_MS..first - SLACK_MS)
                    .map(|t| power(band, t))
                    .sum::<f32>()
                    / BEFORE_MS as f32;
                let from = first - SLACK_MS;
                let to = last + SLACK_MS + late_ms;
                let mut best = 0.0f32;
                for t in from..=to {
                    let sum: f32 = (t..t + AFTER_MS).map(|t| power(band, t)).sum();
                    best = best.max(sum / AFTER_MS as f32);
                }
                rise.energy[band] = (best - before).max(0.0);
                rise.floor[band] += stray * before;
            }
            let steep = |t: i64| -> f32 {
                (1..BANDS)
                    .map(|band| {
                        let after = 0.5 * (power(band, t) + power(band, t + 1));
                        let before = 0.25 * (1..=4).map(|k| power(band, t - k)).sum::<f32>();
                        let ratio = (after + base[band]) / (before + base[band]);
                        libm::log10f(ratio).clamp(0.0, 1.5)
                    })
                    .sum()
            };
            let mut best = 0.0;
            for t in first - 4..=last + 6 + late_ms {
                let value = steep(t);
                if value > best {
                    best = value;
                    rise.arrival_ms = t + offset_ms;
                }
            }
            rise
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn onsets_within_fourteen_milliseconds_are_one_moment() {
        let moments = gather(vec![100, 112, 0, 114, 115, 5]);
        let spans: Vec<_> = moments.iter().map(|m| (m.first_ms, m.last_ms)).collect();
        assert_eq!(spans, [(0, 5), (100, 114), (115, 115)]);
    }
}
