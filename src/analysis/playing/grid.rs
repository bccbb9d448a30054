//! The take's own grid: the finest even pulse that its strokes lie on, followed as its tempo moves.
//!
//! The period is that at which the strokes' phases agree best (the length of their mean vector;
//! Mardia and Jupp, "Directional Statistics", 2000, from memory), judged over windows so short that
//! the tempo cannot move out of them. From the clearest window the pulse is followed both ways, a
//! straight line through the last strokes saying where the next one belongs. A stroke is late by its
//! distance from the line through the strokes around it; what its own share in that line hides is
//! given back (leverage of least squares).

use std::f64::consts::TAU;

use super::robust::{Estimate, Line, deviation};

/// A window for the period, and how many of them are looked at.
const WINDOW_S: f64 = 6.0;
const WINDOWS: usize = 40;
/// Strokes that a window needs.
const FEWEST: usize = 8;
/// Periods: shortest, longest, ratio from one to the next.
const SHORTEST_S: f64 = 0.055;
const LONGEST_S: f64 = 1.0;
const STEP: f64 = 1.003;
/// A tempo may move by so many steps from window to window and still be one.
const MOVES: usize = 8;
/// The longest period that is nearly as good as the best is the pulse.
const NEARLY: f64 = 0.92;
/// The mean vector has to be this long, and longer by this than chance makes it.
const LEAST_VECTOR: f64 = 0.3;
const OVER_CHANCE: f64 = 0.12;
/// Strokes through which the pulse is followed, and how near one must come to count, in pulses.
const FOLLOWED: usize = 32;
const NEAR: f64 = 0.35;
/// A pause this long breaks the pulse: it begins anew behind it.
const PAUSE_S: f64 = 3.0;
/// The line through the strokes around one reaches so far.
const AROUND_S: f64 = 3.0;
/// A spread beyond this share of the pulse is no pulse.
const LARGEST_SPREAD: f64 = 0.2;

/// Length of the mean vector of the phases of `values` in a period: 1 where all agree, near 0 where
/// none do.
pub(super) fn vector(values: impl Iterator<Item = f64>, period: f64) -> f64 {
    let mut sum = (0.0, 0.0);
    let mut n = 0;
    for value in values {
        let (sin, cos) = libm::sincos(TAU * (value / period).fract());
        sum = (sum.0 + cos, sum.1 + sin);
        n += 1;
    }
    libm::hypot(sum.0, sum.1) / f64::from(n.max(1))
}

/// Strokes on their pulse.
pub(super) struct Grid {
    /// Number of the pulse that each stroke belongs to.
    pub pulse: Vec<Option<i64>>,
    /// Seconds late, for each stroke.
    pub late_s: Vec<Option<f64>>,
    /// Middle and seconds a pulse, over stretches that share no stroke.
    blocks: Vec<(f64, f64)>,
}

impl Grid {
    /// `times` of all strokes in order, in seconds; `None` where they have no pulse.
    pub fn fit(times: &[f64]) -> Option<Self> {
        let (period, seed) = period(times)?;
        let pulse = follow(times, period, seed);
        let on: Vec<(f64, f64)> = (times.iter().zip(&pulse))
            .filter_map(|(t, k)| Some((k.map(|k| k.0)? as f64, *t)))
            .collect();
        let mut grid = Self {
            late_s: late(times, &pulse),
            blocks: blocks(times, &pulse),
            pulse: pulse.iter().map(|p| p.map(|p| p.0)).collect(),
        };
        let known: Vec<f64> = grid.late_s.iter().flatten().copied().collect();
        let spread = deviation(&known)?;
        let most = known.len() * 4 >= times.len() * 3 && on.len() >= FEWEST;
        if !most || grid.blocks.is_empty() || spread > LARGEST_SPREAD * grid.tempo().0.value {
            return None;
        }
        // what lies between two pulses is an ornament, neither early nor late
        let pulse_s = grid.tempo().0.value;
        for late in &mut grid.late_s {
            *late = late.filter(|late| late.abs() < 0.5 * pulse_s);
        }
        Some(grid)
    }

    /// Seconds a pulse, and by how many percent it is faster at the end.
    pub fn tempo(&self) -> (Estimate, Option<Estimate>) {
        let n = self.blocks.len() as f64;
        let mean = self.blocks.iter().map(|b| b.1).sum::<f64>() / n;
        let off: f64 = self.blocks.iter().map(|b| (b.1 - mean).powi(2)).sum();
        let error = (off / (n - 1.0).max(1.0) / n).sqrt();
        let period = Estimate { value: mean, error };
        (period, drift(&self.blocks))
    }
}

/// By how many percent the tempo is faster at the end than at the start, from periods over stretches
/// of the take: a straight line through them, whose error is that of its slope (least squares).
/// `None` for fewer than four.
pub(super) fn drift(blocks: &[(f64, f64)]) -> Option<Estimate> {
    let line = Line::fit(blocks.iter().copied()).filter(|line| line.n >= 4)?;
    let off: f64 = (blocks.iter()).map(|b| (b.1 - line.at(b.0)).powi(2)).sum();
    let error = (off / (line.n - 2) as f64 / line.sxx).sqrt();
    let length = blocks.last()?.0 - blocks.first()?.0;
    let percent = 100.0 * length / line.mean_y;
    Some(Estimate {
        value: -percent * line.slope,
        error: percent * error,
    })
}

/// Seconds a pulse in the clearest window, and the strokes of that window.
fn period(times: &[f64]) -> Option<(f64, std::ops::Range<usize>)> {
    let (first, last) = (*times.first()?, *times.last()?);
    let count = (((last - first) / WINDOW_S).ceil() as usize).clamp(1, WINDOWS);
    let step = ((last - first - WINDOW_S) / (count.max(2) - 1) as f64).max(0.0);
    let windows: Vec<std::ops::Range<usize>> = (0..count)
        .map(|w| {
            let from = first + step * w as f64;
            let at = |t: f64| times.partition_point(|&x| x < t);
            at(from)..at(from + WINDOW_S)
        })
        .filter(|w| w.len() >= FEWEST)
        .collect();
    let steps = (libm::log(LONGEST_S / SHORTEST_S) / libm::log(STEP)) as usize;
    let period_of = |i: usize| SHORTEST_S * STEP.powi(i as i32);
    let vectors: Vec<Vec<f64>> = (windows.iter())
        .map(|w| {
            let at = |i| vector(times[w.clone()].iter().map(|t| t - first), period_of(i));
            (0..=steps).map(at).collect()
        })
        .collect();
    // The best near a period in each window, for a tempo that moves.
    let near = |v: &[f64], i: usize| {
        let span = i.saturating_sub(MOVES)..=(i + MOVES).min(steps);
        span.map(|j| (v[j], j)).max_by(|a, b| a.0.total_cmp(&b.0))
    };
    let n = windows.len() as f64;
    let score = |i: usize| {
        vectors
            .iter()
            .filter_map(|v| Some(near(v, i)?.0))
            .sum::<f64>()
            / n
    };
    let scores: Vec<f64> = (0..=steps).map(score).collect();
    let best = scores.iter().copied().fold(0.0, f64::max);
    // The mean vector of n random phases is √π / 2√n long, with a deviation of 0.46 / √n; the best
    // of some near periods is about 1.25 / √n.
    let chance = (windows.iter())
        .map(|w| (1.25 + 0.46 * 3.5 / n.sqrt()) / (w.len() as f64).sqrt())
        .sum::<f64>()
        / n;
    if windows.is_empty() || best < LEAST_VECTOR || best < chance + OVER_CHANCE {
        return None;
    }
    let pulse = (0..=steps).rev().find(|&i| scores[i] >= NEARLY * best)?;
    // the top of that hill, not its far slope
    let span = pulse.saturating_sub(2 * MOVES)..=pulse;
    let top = |v: &Vec<f64>| {
        span.clone()
            .map(|j| (v[j], j))
            .max_by(|a, b| a.0.total_cmp(&b.0))
    };
    let (window, (_, at)) = (vectors.iter().enumerate())
        .filter_map(|(w, v)| Some((w, top(v)?)))
        .max_by(|a, b| a.1.0.total_cmp(&b.1.0).then(b.0.cmp(&a.0)))?;
    Some((period_of(at), windows[window].clone()))
}

/// The pulse of every stroke and the stretch between pauses that it lies in, from the strokes `seed`
/// on; `None` where undecided.
fn follow(times: &[f64], period: f64, seed: std::ops::Range<usize>) -> Vec<Option<(i64, usize)>> {
    let mut pulses = vec![None; times.len()];
    // on from the seed, and back from it in mirrored time
    let forward: Vec<f64> = times[seed.start..].to_vec();
    let start = seed.len();
    for (i, pulse) in run(&forward, period, start).into_iter().enumerate() {
        pulses[seed.start + i] = pulse;
    }
    let backward: Vec<f64> = times[..seed.end].iter().rev().map(|t| -t).collect();
    let Some(Some((anchor, _))) = pulses.get(seed.start).copied() else {
        return pulses;
    };
    let back = run(&backward, period, start);
    // both runs number the first stroke of the seed; the mirrored one counts the other way
    let Some(mirrored) = back.get(seed.len() - 1).copied().flatten() else {
        return pulses;
    };
    for (i, pulse) in back.into_iter().enumerate().skip(seed.len()) {
        let stretch = |s: usize| if s == 0 { 0 } else { usize::MAX - s };
        pulses[seed.end - 1 - i] = pulse.map(|(k, s)| (anchor - (k - mirrored.0), stretch(s)));
    }
    pulses
}

/// The pulse of each stroke in order, the first `start` of them with a known period.
fn run(times: &[f64], period: f64, start: usize) -> Vec<Option<(i64, usize)>> {
    let mut found: Vec<Option<(i64, usize)>> = Vec::with_capacity(times.len());
    let mut stretch = 0;
    let mut recent: Vec<(f64, f64)> = Vec::new();
    let mut period = period;
    let mut at = 0;
    while at < times.len() {
        // Begin, or begin anew: the phase that the next strokes agree on.
        let end = match stretch {
            0 => start,
            _ => at + times[at..].partition_point(|t| t - times[at] <= PAUSE_S),
        };
        let group = &times[at..end.max(at + 1)];
        let number = found.iter().rev().flatten().next().map_or(0, |p| p.0 + 1);
        if group.len() >= 4 {
            let origin = times[at] + period * phase(group.iter().map(|t| t - times[at]), period);
            recent = group
                .iter()
                .map(|t| (number as f64 + ((t - origin) / period).round(), *t))
                .collect();
            settle(&mut recent, &mut period);
            found.extend(recent.iter().map(|r| Some((r.0 as i64, stretch))));
        } else {
            found.extend(group.iter().map(|_| None));
        }
        at += group.len();
        // Then on, stroke by stroke.
        while at < times.len() && times[at] - times[at - 1] <= PAUSE_S {
            let Some(line) = Line::fit(recent.iter().copied()) else {
                found.push(None);
                at += 1;
                continue;
            };
            let place = line.mean_x + (times[at] - line.mean_y) / period;
            found.push(Some((place.round() as i64, stretch)));
            if (place - place.round()).abs() < NEAR {
                recent.push((place.round(), times[at]));
                if recent.len() > FOLLOWED {
                    recent.remove(0);
                }
                settle(&mut recent, &mut period);
            }
            at += 1;
        }
        stretch += 1;
        recent.clear();
    }
    found
}

/// The period by the last strokes, where they span enough pulses to tell.
fn settle(recent: &mut [(f64, f64)], period: &mut f64) {
    let spans = recent
        .last()
        .zip(recent.first())
        .map_or(0.0, |(l, f)| l.0 - f.0);
    if let Some(line) = Line::fit(recent.iter().copied())
        && spans >= 6.0
        && (line.slope / *period - 1.0).abs() < 0.05
    {
        *period = line.slope;
    }
}

/// Where the phases of `values` point, in parts of the period.
fn phase(values: impl Iterator<Item = f64>, period: f64) -> f64 {
    let sum = values.fold((0.0, 0.0), |s, v| {
        let (sin, cos) = libm::sincos(TAU * (v / period));
        (s.0 + cos, s.1 + sin)
    });
    libm::atan2(sum.1, sum.0) / TAU
}

/// Strokes on their pulses, as points of a line.
fn points<'a>(
    times: &'a [f64],
    pulse: &'a [Option<(i64, usize)>],
    span: std::ops::Range<usize>,
    stretch: usize,
) -> impl Iterator<Item = (f64, f64)> + Clone + 'a {
    span.filter_map(move |j| {
        let (k, _) = pulse[j].filter(|p| p.1 == stretch)?;
        Some((k as f64, times[j]))
    })
}

/// How late each stroke is beside the line through those around it.
fn late(times: &[f64], pulse: &[Option<(i64, usize)>]) -> Vec<Option<f64>> {
    let (mut from, mut to) = (0, 0);
    (0..times.len())
        .map(|i| {
            while times[i] - times[from] > AROUND_S {
                from += 1;
            }
            while to < times.len() && times[to] - times[i] <= AROUND_S {
                to += 1;
            }
            let (k, stretch) = pulse[i]?;
            let line = Line::fit(points(times, pulse, from..to, stretch))?;
            let free = 1.0 - line.leverage(k as f64);
            let late = times[i] - line.at(k as f64);
            (line.n >= FEWEST && free > 0.5).then(|| late / free.sqrt())
        })
        .collect()
}

/// Middle and period of stretches of [`WINDOW_S`].
fn blocks(times: &[f64], pulse: &[Option<(i64, usize)>]) -> Vec<(f64, f64)> {
    let mut blocks = Vec::new();
    let mut from = 0;
    while from < times.len() {
        let to = from + times[from..].partition_point(|t| t - times[from] < WINDOW_S);
        let stretch = pulse[from..to].iter().flatten().next().map(|p| p.1);
        if let Some(stretch) = stretch
            && let Some(line) = Line::fit(points(times, pulse, from..to, stretch))
            && line.n >= FEWEST
            && times[to - 1] - times[from] >= 0.5 * WINDOW_S
        {
            blocks.push((line.mean_y, line.slope));
        }
        from = to;
    }
    blocks
}
