//! A metronome that bleeds from a headphone: short high ticks, as strict in time and level as no
//! hand is, heard where nothing is struck.

use serde::{Deserialize, Serialize};

use crate::analysis::strokes::trace::{Trace, powers};
use crate::dsp::median;
use crate::units::round_to;

/// Bands that hold the tick (from 600 Hz up), and those in which nothing may move (below 250 Hz).
const HIGH: std::ops::Range<usize> = 3..6;
const LOW: std::ops::Range<usize> = 0..2;
/// How far a tick rises above the time before it and how far it has fallen 50 ms later (power ratio).
const RISE: f64 = 6.0;
/// How much the low bands may rise with it.
const LOW_RISE: f64 = 2.0;
/// Quieter ticks (mean square over 5 ms) disturb nobody: −90 dBFS.
const LEAST: f64 = 1e-9;
/// Beats, in milliseconds: 40 to 300 a minute.
const BEAT_MS: std::ops::RangeInclusive<i64> = 200..=1500;
/// How far a tick may lie from its beat, and the standard deviation of all of them. A drummer's
/// strokes scatter by some 4 ms.
const NEAR_MS: f64 = 2.0;
const SPREAD_MS: f64 = 0.9;
/// Spread of the ticks' levels, by the median deviation.
const SPREAD_DB: f64 = 1.5;
/// Ticks needed, and the share of the beats at which one could be heard.
const LEAST_TICKS: usize = 8;
const LEAST_SHARE: f64 = 0.7;
/// Ticks that are enough where a click track tells the beats, and how much later a mic may hear them.
const LEAST_CLICKED: usize = 4;
const HEADPHONE_MS: std::ops::RangeInclusive<i64> = -2..=12;
/// A headphone is at least this far below the loudest stroke.
const UNDER_DB: f64 = 20.0;
/// A stroke hides what is this near.
const STROKE_MS: i64 = 15;
/// Candidates looked at, at most: a track that has more is full of something else.
const MOST: usize = 3000;
/// Places kept.
const PLACES: usize = 1000;

/// A metronome heard in a track.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Metronome {
    /// From tick to tick, in milliseconds.
    pub period_ms: f64,
    /// Ticks heard between the strokes.
    pub ticks: usize,
    /// Their median sample peak.
    pub level_dbfs: f64,
    /// Where the first of them are, in seconds of the track.
    pub at_s: Vec<f64>,
    /// 0 to 1.
    pub confidence: f64,
}

/// Sums of the powers from the start of a track to each of its milliseconds, high and low, of which
/// every so many are kept.
struct Powers<'a> {
    trace: &'a Trace,
    table: [f32; 256],
    marks: Vec<(f64, f64)>,
}

/// Milliseconds from mark to mark, and milliseconds looked at together.
const MARK_MS: usize = 64;
const PART_MS: i64 = 4096;
/// How far a tick is looked at around its millisecond.
const AROUND_MS: (i64, i64) = (25, 70);

impl<'a> Powers<'a> {
    fn of(trace: &'a Trace) -> Self {
        let mut powers = Self {
            trace,
            table: powers(),
            marks: Vec::new(),
        };
        let mut sums = (0.0, 0.0);
        for ms in 0..trace.len_ms() {
            if ms % MARK_MS == 0 {
                powers.marks.push(sums);
            }
            powers.add(ms, &mut sums);
        }
        powers
    }

    fn add(&self, ms: usize, sums: &mut (f64, f64)) {
        let Some(row) = self.trace.levels(ms) else {
            return;
        };
        let sum = |bands: std::ops::Range<usize>| -> f64 {
            bands.map(|b| f64::from(self.table[row[b] as usize])).sum()
        };
        sums.0 += sum(HIGH);
        sums.1 += sum(LOW);
    }

    /// The sums at the milliseconds from `from` to `to`, as far as the track goes.
    fn between(&self, from: i64, to: i64) -> Sums {
        let (from, to) = (from.max(0) as usize, to.max(0) as usize);
        let mut found = Sums {
            first: from as i64,
            high: Vec::new(),
            low: Vec::new(),
        };
        let Some(&mark) = self.marks.get(from / MARK_MS) else {
            return found;
        };
        let mut sums = mark;
        for ms in from / MARK_MS * MARK_MS..=to.min(self.trace.len_ms()) {
            if ms >= from {
                found.high.push(sums.0);
                found.low.push(sums.1);
            }
            self.add(ms, &mut sums);
        }
        found
    }

    fn before(&self, t: i64) -> Option<f64> {
        self.between(t - AROUND_MS.0, t).before(t)
    }
}

/// Sums at some milliseconds.
struct Sums {
    first: i64,
    high: Vec<f64>,
    low: Vec<f64>,
}

impl Sums {
    /// Mean power over a span of milliseconds.
    fn mean(&self, sums: &[f64], from: i64, to: i64) -> Option<f64> {
        let at = |ms: i64| sums.get(usize::try_from(ms - self.first).ok()?);
        Some(((at(to)? - at(from)?) / (to - from) as f64).max(0.0))
    }

    fn after(&self, t: i64) -> Option<f64> {
        self.mean(&self.high, t, t + 5)
    }

    fn before(&self, t: i64) -> Option<f64> {
        self.mean(&self.high, t - 25, t - 5)
    }

    /// How steeply the highs rise at a millisecond, if they do as in a tick.
    fn tick(&self, t: i64) -> Option<f64> {
        let (after, before) = (self.after(t)?, self.before(t)? + 1e-13);
        if after < LEAST || after < RISE * before {
            return None;
        }
        let behind = self.mean(&self.high, t + 50, t + 70)?;
        let low = self.mean(&self.low, t, t + 10)?;
        let low_before = self.mean(&self.low, t - 25, t - 5)? + 0.1 * after;
        (behind * RISE < after && low < LOW_RISE * low_before).then_some(after / before)
    }
}

/// The metronome in a track, if there is one. `strokes_ms` are the strokes of all drums, in order and
/// in milliseconds of the track: nothing near one of them counts for or against. `clicks_ms` are the
/// beats of the take's click track, where there is one: then fewer ticks are enough.
pub(crate) fn metronome(trace: &Trace, strokes_ms: &[i64], clicks_ms: &[i64]) -> Option<Metronome> {
    let powers = Powers::of(trace);
    let struck = |t: i64| {
        let next = strokes_ms.partition_point(|&s| s < t - STROKE_MS);
        strokes_ms.get(next).is_some_and(|&s| s <= t + STROKE_MS)
    };
    let ticks = candidates(&powers, struck);
    if ticks.len() > MOST {
        return None;
    }
    // whether a tick would be heard at a beat
    let open = |at: f64, level: f64| {
        let t = at.round() as i64;
        !struck(t) && powers.before(t).is_some_and(|before| RISE * before < level)
    };
    let mut best: Vec<(i64, i64)> = Vec::new();
    for i in 0..ticks.len() {
        for j in i + 1..ticks.len().min(i + 4) {
            let period = ticks[j].0 - ticks[i].0;
            if BEAT_MS.contains(&period) {
                let chain = follow(&ticks, i, period, &open);
                if chain.len() > best.len() {
                    best = chain;
                }
            }
        }
    }
    let least = match clicked(&ticks, clicks_ms, &open) {
        Some(chain) if chain.len() >= best.len() => {
            best = chain;
            LEAST_CLICKED
        }
        _ => LEAST_TICKS,
    };
    if best.len() < least {
        return None;
    }
    let (period_ms, spread_ms) = fit(&best);
    let peak = |t: &i64| trace.peak_dbfs(*t, 10);
    let levels: Vec<f64> = best.iter().filter_map(|(_, t)| peak(t)).collect();
    let level = median(levels.iter().copied())?;
    let spread_db = 1.4826 * median(levels.iter().map(|l| (l - level).abs()))?;
    let loudest = trace.peak_dbfs(0, trace.len_ms())?;
    if spread_ms > SPREAD_MS || spread_db > SPREAD_DB || level > loudest - UNDER_DB {
        return None;
    }
    let places = best.iter().take(PLACES);
    Some(Metronome {
        period_ms: round_to(period_ms, 2),
        ticks: best.len(),
        level_dbfs: round_to(level, 1),
        at_s: places.map(|(_, t)| *t as f64 / 1000.0).collect(),
        confidence: if best.len() >= 2 * LEAST_TICKS {
            0.95
        } else {
            0.8
        },
    })
}

/// Times and levels of what may be ticks.
fn candidates(powers: &Powers, struck: impl Fn(i64) -> bool) -> Vec<(i64, f64)> {
    let mut found: Vec<(i64, f64, f64)> = Vec::new();
    let end = powers.trace.len_ms() as i64;
    for first in (0..end).step_by(PART_MS as usize) {
        let last = end.min(first + PART_MS);
        let sums = powers.between(first - AROUND_MS.0, last + AROUND_MS.1);
        for t in first..last {
            let Some(steep) = sums.tick(t).filter(|_| !struck(t)) else {
                continue;
            };
            let level = sums.after(t).unwrap_or_default();
            match found.last_mut() {
                Some(last) if t - last.0 <= 30 => {
                    if steep > last.1 {
                        *last = (t, steep, level);
                    }
                }
                _ => found.push((t, steep, level)),
            }
        }
    }
    found.into_iter().map(|(t, _, level)| (t, level)).collect()
}

/// The ticks that lie on the beats from one of them on, each with the number of its beat; nothing
/// where too many beats stay empty.
fn follow(
    ticks: &[(i64, f64)],
    first: usize,
    period: i64,
    open: &impl Fn(f64, f64) -> bool,
) -> Vec<(i64, i64)> {
    let (start, level) = ticks[first];
    let end = ticks.last().map_or(start, |t| t.0) as f64;
    let mut period = period as f64;
    let mut chain = vec![(0, start)];
    let mut empty = 0;
    for beat in 1.. {
        let at = start as f64 + period * beat as f64;
        if at > end + NEAR_MS {
            break;
        }
        let next = ticks.partition_point(|t| (t.0 as f64) < at - NEAR_MS);
        match ticks.get(next).filter(|t| t.0 as f64 <= at + NEAR_MS) {
            Some(&(t, _)) => {
                chain.push((beat, t));
                period = (t - start) as f64 / beat as f64;
            }
            None => empty += usize::from(open(at, level)),
        }
        if empty > 2 && (chain.len() as f64) < LEAST_SHARE * (chain.len() + empty) as f64 {
            return Vec::new();
        }
    }
    chain
}

/// The ticks that follow the beats of a click track, all by the same time; nothing where too many
/// beats have none.
fn clicked(
    ticks: &[(i64, f64)],
    clicks_ms: &[i64],
    open: &impl Fn(f64, f64) -> bool,
) -> Option<Vec<(i64, i64)>> {
    let period = median(clicks_ms.windows(2).map(|w| (w[1] - w[0]) as f64))?;
    let level = median(ticks.iter().map(|t| t.1))?;
    let behind = |click: i64, late: std::ops::RangeInclusive<i64>| {
        let next = ticks.partition_point(|t| t.0 < click + late.start());
        ticks.get(next).filter(|t| t.0 <= click + late.end())
    };
    let lags = clicks_ms
        .iter()
        .filter_map(|&c| behind(c, HEADPHONE_MS).map(|t| (t.0 - c) as f64));
    let lag = median(lags)?.round() as i64;
    let (mut chain, mut empty) = (Vec::new(), 0);
    for &click in clicks_ms {
        let beat = ((click - clicks_ms[0]) as f64 / period).round() as i64;
        match behind(click, lag - 1..=lag + 1) {
            Some(&(t, _)) => chain.push((beat, t)),
            None => empty += usize::from(open((click + lag) as f64, level)),
        }
    }
    (chain.len() as f64 >= LEAST_SHARE * (chain.len() + empty) as f64).then_some(chain)
}

/// Period and standard deviation of the ticks about it, by least squares.
fn fit(chain: &[(i64, i64)]) -> (f64, f64) {
    let n = chain.len() as f64;
    let mean = |f: &dyn Fn(&(i64, i64)) -> f64| chain.iter().map(f).sum::<f64>() / n;
    let (k, t) = (mean(&|c| c.0 as f64), mean(&|c| c.1 as f64));
    let slope = mean(&|c| (c.0 as f64 - k) * (c.1 as f64 - t))
        / mean(&|c| (c.0 as f64 - k).powi(2)).max(1e-9);
    let off = mean(&|c| (c.1 as f64 - t - slope * (c.0 as f64 - k)).powi(2));
    (slope, off.sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::Listener;
    use crate::block::Block;
    use crate::dsp::random::Random;
    use crate::session::Family;

    const RATE: f64 = 48_000.0;

    /// Strokes of a snare-like burst and ticks of 1 kHz, both at given times and levels, in hiss.
    fn hear(strokes: &[(f64, f64)], ticks: &[(f64, f64)], ring_s: f64) -> Trace {
        let mut rng = Random::new(11);
        let mut sound: Vec<f64> = (0..20 * RATE as usize).map(|_| rng.normal(1e-4)).collect();
        for &(at, level) in strokes {
            for (i, y) in sound[(at * RATE) as usize..]
                .iter_mut()
                .take(9600)
                .enumerate()
            {
                let t = i as f64 / RATE;
                let body = (std::f64::consts::TAU * 200.0 * t).sin();
                *y += level * (-t / 0.05).exp() * (body + rng.normal(0.4));
            }
        }
        for &(at, level) in ticks {
            for (i, y) in sound[(at * RATE) as usize..]
                .iter_mut()
                .take(9600)
                .enumerate()
            {
                let t = i as f64 / RATE;
                *y += level * (-t / ring_s).exp() * (std::f64::consts::TAU * 1000.0 * t).sin();
            }
        }
        let mut listener = Listener::new(Family::Overhead, RATE as u32, 1);
        listener.push(&Block::from_channels(vec![sound]));
        listener.finish()
    }

    fn beats(count: u32, period_s: f64, level: f64) -> Vec<(f64, f64)> {
        (0..count)
            .map(|i| (0.5 + period_s * f64::from(i), level))
            .collect()
    }

    #[test]
    fn ticks_between_strokes_are_a_metronome_with_its_tempo() {
        let strokes: Vec<(f64, f64)> = (0..12).map(|i| (6.0 + 0.5 * f64::from(i), 0.5)).collect();
        let struck: Vec<i64> = strokes.iter().map(|s| (s.0 * 1000.0) as i64).collect();
        let trace = hear(&strokes, &beats(36, 0.508_47, 0.004), 0.008);
        let found = metronome(&trace, &struck, &[]).expect("a metronome");
        assert!((found.period_ms - 508.47).abs() < 0.2, "{found:?}");
        assert!(
            found.ticks >= 10 && (found.level_dbfs + 48.5).abs() < 1.5,
            "{found:?}"
        );
    }

    #[test]
    fn with_a_click_track_five_ticks_are_enough_and_a_hand_is_still_none() {
        let clicks: Vec<i64> = beats(36, 0.5, 0.0)
            .iter()
            .map(|b| (b.0 * 1000.0) as i64)
            .collect();
        // strokes on every beat but the first five
        let strokes: Vec<(f64, f64)> = (5..36).map(|i| (0.5 + 0.5 * f64::from(i), 0.5)).collect();
        let struck: Vec<i64> = strokes.iter().map(|s| (s.0 * 1000.0) as i64).collect();
        let late: Vec<(f64, f64)> = beats(36, 0.5, 0.004)
            .iter()
            .map(|b| (b.0 + 0.004, b.1))
            .collect();
        let trace = hear(&strokes, &late, 0.008);
        assert_eq!(metronome(&trace, &struck, &[]), None);
        let found = metronome(&trace, &struck, &clicks).expect("a metronome");
        assert!(
            found.ticks == 5 && (found.period_ms - 500.0).abs() < 0.5,
            "{found:?}"
        );
        for seed in 0..6 {
            let mut rng = Random::new(seed);
            let hand: Vec<(f64, f64)> = beats(8, 0.5, 0.004)
                .iter()
                .map(|b| (b.0 + rng.normal(0.004), b.1 * (1.0 + rng.normal(0.12))))
                .collect();
            let strokes = [(18.0, 0.5)];
            assert_eq!(
                metronome(&hear(&strokes, &hand, 0.008), &[18_000], &clicks),
                None
            );
        }
    }

    #[test]
    fn a_drummer_few_sticks_and_a_loud_hat_are_no_metronome() {
        let strokes = [(18.0, 0.5)];
        let none = |ticks: &[(f64, f64)], ring_s: f64| {
            let trace = hear(&strokes, ticks, ring_s);
            assert_eq!(metronome(&trace, &[18_000], &[]), None);
        };
        // a hand at a click: 4 ms and 1 dB of scatter
        for seed in 0..6 {
            let mut rng = Random::new(seed);
            let hand: Vec<(f64, f64)> = beats(30, 0.5, 0.01)
                .iter()
                .map(|b| (b.0 + rng.normal(0.004), b.1 * (1.0 + rng.normal(0.12))))
                .collect();
            none(&hand, 0.008);
        }
        none(&beats(5, 0.5, 0.01), 0.008); // a count-in
        none(&beats(30, 0.5, 0.2), 0.008); // not 20 dB under the drums
        none(&beats(30, 0.5, 0.01), 0.2); // rings on
        none(&[], 0.01);
        assert_eq!(metronome(&hear(&[], &[], 0.01), &[], &[]), None);
        // strict ticks that are strokes of a drum with a mic of its own
        let ticks = beats(30, 0.5, 0.01);
        let mut struck: Vec<i64> = ticks.iter().map(|b| (b.0 * 1000.0) as i64).collect();
        struck.push(18_000);
        struck.sort_unstable();
        assert_eq!(
            metronome(&hear(&strokes, &ticks, 0.008), &struck, &[]),
            None
        );
    }
}
