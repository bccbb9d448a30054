//! Onsets of one track: where the energy of several bands rises at once.
//!
//! Novelty by the rise of log energy per band (Klapuri, ICASSP 1999) above an adaptive median
//! threshold (Bello et al., IEEE Trans. Speech and Audio Processing 13(5), 2005).

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::analysis::strokes::bank::BANDS;
use crate::analysis::strokes::rows::Rows;
use crate::analysis::strokes::trace::powers;
use crate::session::Family;

/// A rise in a track, by whichever drum.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Onset {
    /// Milliseconds from the start of the track.
    pub at_ms: u32,
    /// How steep: sixteenths of a decibel, averaged over the bands.
    pub strength: u16,
}

/// Sixteenths of a decibel: the grid of all comparisons here.
const GRID: f32 = 16.0;
/// A rise beyond this counts no more.
const CAP_DB: f32 = 18.0;
/// The time before an onset that it is compared with, in milliseconds before it.
const BEFORE_MS: std::ops::Range<usize> = 2..16;
/// Half the window of the running median.
const HALF_MS: usize = 200;
/// An onset is the largest value within this distance.
const LOCAL_MS: usize = 12;
/// Two onsets of one track are never closer: strokes at 20 a second with 4 ms of scatter.
const APART_MS: usize = 38;
/// How far around a peak values count: two medians on each other.
const REACH_MS: usize = 2 * HALF_MS;
/// A track is listened to in parts of a minute.
const PART_MS: usize = 60_000;
/// Least height above the running median.
const LEAST_DB: f32 = 2.2;
/// Least height in standard deviations by the running median of deviations.
const LEAST_DEVIATIONS: f32 = 1.5 * 1.4826;

/// How a family of mics is listened to.
struct Sensitivity {
    /// Weight of each band.
    weights: [f32; BANDS],
    /// Milliseconds after the onset that are averaged.
    after_ms: [usize; BANDS],
    /// How much the two best bands count beside the mean of all: a dull kick under cymbals rises in
    /// its low bands only.
    best: f32,
}

fn sensitivity(family: Family) -> Sensitivity {
    let (weights, after_ms, best) = match family {
        Family::Kick => ([1.0, 0.6, 0.4, 0.7, 1.0, 0.5], [14, 10, 6, 6, 6, 6], 0.8),
        Family::Snare => ([0.2, 1.0, 0.8, 0.8, 0.8, 0.5], [6; BANDS], 0.0),
        Family::Tom => ([0.8, 1.0, 1.0, 0.8, 0.6, 0.2], [6; BANDS], 0.0),
        Family::Hat | Family::Cymbal => ([0.1, 0.2, 0.4, 0.7, 1.0, 1.0], [6; BANDS], 0.0),
        Family::Overhead | Family::Room | Family::Utility | Family::Unknown => {
            ([0.6, 0.8, 0.8, 1.0, 1.0, 0.8], [6; BANDS], 0.0)
        }
    };
    Sensitivity {
        weights,
        after_ms,
        best,
    }
}

/// Onsets from band levels (steps, a row a millisecond), in order. `floors` are those of the track.
pub(crate) fn detect(family: Family, rows: &Rows, floors: &[f32; BANDS]) -> Vec<Onset> {
    let mut novelty = Novelty::new(sensitivity(family), rows, floors);
    let mut peaks = Vec::new();
    // Those of a part of the track, from `first` on.
    let (mut values, mut first) = (Vec::new(), 0);
    loop {
        values.extend(novelty.by_ref().take(PART_MS + 2 * REACH_MS - values.len()));
        let ends = values.len() < PART_MS + 2 * REACH_MS;
        let from = if first == 0 { 0 } else { REACH_MS };
        let to = values.len() - if ends { 0 } else { REACH_MS };
        let inside = peaks_in(&values).into_iter();
        let inside = inside.filter(|t| (from..to).contains(t));
        peaks.extend(inside.map(|t| (first + t, values[t])));
        if ends {
            return apart(peaks);
        }
        first += values.len() - 2 * REACH_MS;
        values.drain(..values.len() - 2 * REACH_MS);
    }
}

/// The level under which a band's rises do not count: 55 dB under its loud end or 6 dB over its
/// quiet end, whichever is higher.
pub(crate) fn floors(rows: &Rows) -> [f32; BANDS] {
    let table = powers();
    let mut counts = [[0usize; 256]; BANDS];
    for row in rows.iter() {
        for (counts, step) in counts.iter_mut().zip(row.levels) {
            counts[step as usize] += 1;
        }
    }
    counts.map(|counts| {
        let quantile = |q: f64| {
            let rank = (q * rows.len() as f64) as usize;
            let mut sum = 0;
            counts
                .iter()
                .position(|&c| {
                    sum += c;
                    sum > rank
                })
                .unwrap_or(255)
        };
        let top = counts.iter().rposition(|&c| c > 0).unwrap_or(0);
        let loud = table[quantile(0.995)] * 10f32.powf(-5.5);
        let quiet = table[quantile(0.05)] * 4.0;
        loud.max(quiet).max(table[top] * 10f32.powf(-7.5)) + 1e-13
    })
}

/// Mean powers before and after each millisecond, carried from one to the next. Whole numbers, so
/// that a running sum does not drift.
struct Around<'a> {
    rows: &'a Rows,
    powers: [u64; 256],
    after_ms: [usize; BANDS],
    at: i64,
    before: [u64; BANDS],
    after: [u64; BANDS],
}

/// Steps of power at full scale: a window of the loudest fits, and silence is told from noise.
const POWER_STEPS: f32 = (1u64 << 50) as f32;

impl<'a> Around<'a> {
    fn new(rows: &'a Rows, after_ms: [usize; BANDS]) -> Self {
        let mut around = Self {
            rows,
            powers: powers().map(|power| (power * POWER_STEPS) as u64),
            after_ms,
            at: 0,
            before: [0; BANDS],
            after: [0; BANDS],
        };
        for (band, &after_ms) in after_ms.iter().enumerate() {
            let power = |t: i64| around.power(around.row(t), band);
            let sum = |range: std::ops::Range<i64>| range.map(power).sum();
            let (before, after) = (
                -(BEFORE_MS.end as i64)..-(BEFORE_MS.start as i64),
                0..after_ms as i64,
            );
            (around.before[band], around.after[band]) = (sum(before), sum(after));
        }
        around
    }

    /// Before the start the track is as at its start; after its end there is nothing.
    fn row(&self, t: i64) -> Option<[u8; BANDS]> {
        Some(self.rows.get(t.max(0) as usize)?.levels)
    }

    fn power(&self, row: Option<[u8; BANDS]>, band: usize) -> u64 {
        row.map_or(0, |row| self.powers[row[band] as usize])
    }

    fn means(&self, band: usize) -> (f32, f32) {
        let mean = |sum: u64, count: usize| sum as f32 / POWER_STEPS / count as f32;
        (
            mean(self.before[band], BEFORE_MS.len()),
            mean(self.after[band], self.after_ms[band]),
        )
    }

    /// On by a millisecond.
    fn step(&mut self) {
        let t = self.at;
        let (start, end) = (BEFORE_MS.start as i64, BEFORE_MS.end as i64);
        let (start, end, here) = (self.row(t - start), self.row(t - end), self.row(t));
        for band in 0..BANDS {
            let power = |row| self.power(row, band);
            let next = self.row(t + self.after_ms[band] as i64);
            let before = self.before[band] + power(start) - power(end);
            let after = self.after[band] + power(next) - power(here);
            (self.before[band], self.after[band]) = (before, after);
        }
        self.at += 1;
    }
}

/// How much a track rises, millisecond by millisecond, on the [`GRID`].
struct Novelty<'a> {
    sensitivity: Sensitivity,
    total: f32,
    floors: &'a [f32; BANDS],
    around: Around<'a>,
}

impl<'a> Novelty<'a> {
    fn new(sensitivity: Sensitivity, rows: &'a Rows, floors: &'a [f32; BANDS]) -> Self {
        Self {
            total: sensitivity.weights.iter().sum(),
            around: Around::new(rows, sensitivity.after_ms),
            floors,
            sensitivity,
        }
    }
}

impl Iterator for Novelty<'_> {
    type Item = u16;

    fn next(&mut self) -> Option<u16> {
        let Self {
            sensitivity,
            around,
            ..
        } = self;
        if around.at as usize >= around.rows.len() {
            return None;
        }
        let mut weighted = 0.0;
        let mut best = [0.0f32; 2];
        for (band, floor) in self.floors.iter().enumerate() {
            let (before, after) = around.means(band);
            let ratio = (after + floor) / (before + floor);
            // most milliseconds rise in no band, and a logarithm is dear
            let rise = match ratio > 1.0 {
                true => (10.0 * libm::log10f(ratio)).min(CAP_DB),
                false => 0.0,
            };
            weighted += rise * sensitivity.weights[band];
            let single = rise * (1.2 * sensitivity.weights[band]).min(1.0);
            if single > best[0] {
                best = [single, best[0]];
            } else {
                best[1] = best[1].max(single);
            }
        }
        around.step();
        let all = weighted / self.total;
        let value = (1.0 - sensitivity.best) * all + sensitivity.best * 0.5 * (best[0] + best[1]);
        Some((value * GRID).round() as u16)
    }
}

/// Median of the values within `half` of each place (fewer at the ends).
fn running_median(values: &[u16], half: usize) -> Vec<u16> {
    let bins = values.iter().max().map_or(1, |&m| m as usize + 1);
    let mut counts = vec![0u32; bins];
    let (mut inside, mut median, mut below) = (0u32, 0usize, 0u32);
    let mut out = Vec::with_capacity(values.len());
    for i in 0..values.len() + half {
        if let Some(&value) = values.get(i) {
            counts[value as usize] += 1;
            inside += 1;
            below += u32::from((value as usize) < median);
        }
        if i > 2 * half {
            let value = values[i - 2 * half - 1] as usize;
            counts[value] -= 1;
            inside -= 1;
            below -= u32::from(value < median);
        }
        if i < half {
            continue;
        }
        let rank = inside / 2;
        while below > rank {
            median -= 1;
            below -= counts[median];
        }
        while below + counts[median] <= rank {
            below += counts[median];
            median += 1;
        }
        out.push(median as u16);
    }
    out
}

/// Largest value within `half` of each place.
fn running_max(values: &[u16], half: usize) -> Vec<u16> {
    let mut queue = std::collections::VecDeque::new();
    let mut out = Vec::with_capacity(values.len());
    for i in 0..values.len() + half {
        if i < values.len() {
            while queue
                .back()
                .is_some_and(|&j: &usize| values[j] <= values[i])
            {
                queue.pop_back();
            }
            queue.push_back(i);
        }
        if i >= half {
            let centre = i - half;
            while queue.front().is_some_and(|&j| j + half < centre) {
                queue.pop_front();
            }
            out.push(queue.front().map_or(0, |&j| values[j]));
        }
    }
    out
}

/// Where values are the largest nearby and stand out; a place depends on those within [`REACH_MS`].
fn peaks_in(novelty: &[u16]) -> Vec<usize> {
    let median = running_median(novelty, HALF_MS);
    let away: Vec<u16> = novelty
        .iter()
        .zip(&median)
        .map(|(&n, &m)| n.abs_diff(m))
        .collect();
    let spread = running_median(&away, HALF_MS);
    let highest = running_max(novelty, LOCAL_MS);
    (0..novelty.len())
        .filter(|&t| {
            let over = (LEAST_DB * GRID).max(LEAST_DEVIATIONS * f32::from(spread[t]));
            novelty[t] == highest[t] && f32::from(novelty[t]) > f32::from(median[t]) + over
        })
        .collect()
}

/// Those of the peaks (milliseconds and values) that are not too near to a higher one.
fn apart(mut peaks: Vec<(usize, u16)>) -> Vec<Onset> {
    // strongest first, then earliest
    peaks.sort_by_key(|&(t, value)| (std::cmp::Reverse(value), t));
    let mut taken = BTreeMap::new();
    for (t, value) in peaks {
        let near = t.saturating_sub(APART_MS - 1)..t + APART_MS;
        if taken.range(near).next().is_none() {
            taken.insert(t, value);
        }
    }
    let onset = |(t, strength)| Onset {
        at_ms: t as u32,
        strength,
    };
    taken.into_iter().map(onset).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::strokes::rows::Row;

    fn values(count: usize) -> Vec<u16> {
        let mut random = crate::dsp::random::Random::new(12345);
        (0..count).map(|_| random.index(97) as u16).collect()
    }

    #[test]
    fn running_median_and_maximum_agree_with_sorting() {
        let values = values(300);
        for half in [0, 1, 7, 200] {
            let (median, highest) = (running_median(&values, half), running_max(&values, half));
            for i in 0..values.len() {
                let from = i.saturating_sub(half);
                let mut window = values[from..(i + half + 1).min(values.len())].to_vec();
                window.sort_unstable();
                assert_eq!(median[i], window[window.len() / 2], "{half} {i}");
                assert_eq!(Some(&highest[i]), window.last(), "{half} {i}");
            }
        }
    }

    #[test]
    fn nothing_gives_no_onset() {
        let none = |level: u8, count: usize| {
            let row = Row {
                levels: [level; BANDS],
                ..Row::default()
            };
            let rows = Rows::Memory(vec![row; count]);
            detect(Family::Snare, &rows, &floors(&rows)).is_empty()
        };
        assert!(none(0, 0) && none(0, 5000) && none(90, 1));
    }

    #[test]
    fn a_long_track_is_listened_to_in_parts_as_if_it_were_one() {
        let count = 2 * PART_MS + 777;
        let level = |x: &u16| Row {
            levels: std::array::from_fn(|band| 60 + (*x / (band as u16 + 1)) as u8),
            ..Row::default()
        };
        let rows = Rows::Memory(values(count).iter().map(level).collect());
        let floors = floors(&rows);
        let whole: Vec<u16> = Novelty::new(sensitivity(Family::Tom), &rows, &floors).collect();
        assert_eq!(whole.len(), count);
        let peaks: Vec<_> = (peaks_in(&whole).into_iter().map(|t| (t, whole[t]))).collect();
        let onsets = apart(peaks);
        assert!(onsets.len() > 1000);
        assert_eq!(detect(Family::Tom, &rows, &floors), onsets);
    }
}
