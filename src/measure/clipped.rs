//! Flat tops: samples that a converter or an earlier stage has cut off, at full scale or, after a
//! trim, below it.
//!
//! A flat top is a local extreme of at least three samples that are equal within rounding, entered
//! or left by a step which no smooth wave makes: a wave smooth enough to stay within the tolerance
//! for three samples enters it by less than twice the tolerance. Levels go into narrow bins, since
//! a clipper cuts at one level: many flat tops of one level, or one at the very peak of its
//! polarity, are clipping; single ones below it are chance.

use std::collections::BTreeMap;

use multiversion::multiversion;

use super::inspect::PLACES;
use crate::dsp::maths;

/// Shortest flat top.
const SHORTEST: u64 = 3;
/// Longer ones are no clipped wave but a value that got stuck.
const LONGEST_S: f64 = 0.02;
/// Relative width of a level bin; three neighbours are one level.
const BIN: f64 = 0.0015;
/// How far below the peak of the track a flat top counts: −12 dB.
const LOWEST: f64 = 0.25;
/// How near the peak of its polarity a lone flat top must lie: −0.3 dB.
const AT_PEAK: f64 = 0.966;
/// Tolerance relative to the level: below the rounding of 16 bits, above what a trim and a
/// high-pass at a few hertz leave of a flat top.
const CREEP: f64 = 2e-5;

/// So many samples at either end of a piece are looked at one by one.
const EDGE: usize = 3;

/// Whether a flat top may go on from one sample to the next.
#[inline(always)]
fn is_level(last: f64, x: f64, lsb_tolerance: f64) -> bool {
    let creep = CREEP * last.abs();
    let tolerance = if creep > lsb_tolerance {
        creep
    } else {
        lsb_tolerance
    };
    (x - last).abs() <= tolerance
}

/// Whether three samples in a row may belong to a flat top.
#[multiversion(targets("x86_64+avx2"))]
fn any_flat(samples: &[f64], lsb_tolerance: f64) -> bool {
    const LANES: usize = 8;
    let n = samples.len().saturating_sub(2);
    let (a, a_rest) = samples[..n].as_chunks::<LANES>();
    let (b, b_rest) = samples.get(1..=n).unwrap_or(&[]).as_chunks::<LANES>();
    let (c, c_rest) = samples.get(2..).unwrap_or(&[]).as_chunks::<LANES>();
    let flat = |a, b, c| is_level(a, b, lsb_tolerance) & is_level(b, c, lsb_tolerance);
    let mut any = [false; LANES];
    for ((a, b), c) in a.iter().zip(b).zip(c) {
        for lane in 0..LANES {
            any[lane] |= flat(a[lane], b[lane], c[lane]);
        }
    }
    let mut rest = a_rest.iter().zip(b_rest).zip(c_rest);
    any.contains(&true) || rest.any(|((a, b), c)| flat(*a, *b, *c))
}

/// Flat tops of one channel at one level and polarity.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Level {
    /// Signed amplitude.
    pub level: f64,
    /// Flat tops.
    pub tops: u64,
    /// Samples in them.
    pub samples: u64,
    /// Samples in the longest.
    pub longest: u64,
    /// First frames of the first ones.
    pub frames: Vec<u64>,
}

impl Level {
    /// Three tops of one level, or one of six samples, do not come by chance.
    pub fn certain(&self) -> bool {
        self.tops >= 3 || self.longest >= 6
    }
}

/// What was cut flat in one channel.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Clips {
    pub levels: Vec<Level>,
}

impl Clips {
    /// Samples in flat tops.
    pub fn samples(&self) -> u64 {
        self.levels.iter().map(|l| l.samples).sum()
    }
}

/// Finds and gathers flat tops as the stream passes.
#[derive(Clone, Debug)]
pub(crate) struct Plateaus {
    /// Smallest tolerance: rounding of the source.
    lsb_tolerance: f64,
    longest: u64,
    /// Steps scale with the rate above 48 kHz.
    step: f64,
    /// The run of equal samples that ends at the present one.
    run: Run,
    bins: BTreeMap<(bool, i64), Level>,
}

#[derive(Clone, Copy, Debug)]
struct Run {
    /// The sample before it; `None` at the start of the track, where nothing can be told.
    before: Option<f64>,
    first: f64,
    last: f64,
    length: u64,
}

impl Plateaus {
    pub fn new(rate_hz: u32, bit_depth: u16) -> Self {
        let lsb = 2.0 / (1u64 << bit_depth.clamp(8, 24)) as f64;
        let rate = f64::from(rate_hz);
        Self {
            // after a trim, 24-bit samples of one level may fall to either side of a step
            lsb_tolerance: if bit_depth >= 24 { 2.0 * lsb } else { lsb },
            longest: (LONGEST_S * rate) as u64,
            step: (48_000.0 / rate).min(1.0),
            run: Run {
                before: None,
                first: 0.0,
                last: 0.0,
                length: 0,
            },
            bins: BTreeMap::new(),
        }
    }

    /// The next piece, cut at fixed frame numbers, with its peak and that of all before it.
    pub fn push(&mut self, start: u64, samples: &[f64], peak: f64, peak_before: f64) {
        let Some((&first, &last)) = samples.first().zip(samples.last()) else {
            return;
        };
        if peak < LOWEST * peak_before {
            self.step(start, first);
            // what follows in this piece is too low to count
            self.run = Run {
                before: Some(first),
                first: last,
                last,
                length: 1,
            };
            return;
        }
        // Where no three in a row are equal, a flat top can only lie across the ends.
        let n = samples.len();
        if n < 2 * EDGE || any_flat(samples, self.lsb_tolerance) {
            for (&x, frame) in samples.iter().zip(start..) {
                self.step(frame, x);
            }
            return;
        }
        for (&x, frame) in samples[..EDGE].iter().zip(start..) {
            self.step(frame, x);
        }
        let end = n - EDGE;
        self.run = Run {
            before: Some(samples[end - 1]),
            first: samples[end],
            last: samples[end],
            length: 1,
        };
        for (&x, frame) in samples[end + 1..].iter().zip(start + end as u64 + 1..) {
            self.step(frame, x);
        }
    }

    #[inline]
    fn step(&mut self, frame: u64, x: f64) {
        let run = &mut self.run;
        if run.length > 0 && is_level(run.last, x, self.lsb_tolerance) {
            run.length += 1;
            run.last = x;
            return;
        }
        let ended = *run;
        *run = Run {
            before: (ended.length > 0).then_some(ended.last),
            first: x,
            last: x,
            length: 1,
        };
        if ended.length >= SHORTEST {
            self.gather(ended, frame, x);
        }
    }

    /// Files a run that ended before `frame` if it is a flat top.
    fn gather(&mut self, run: Run, frame: u64, after: f64) {
        let Some(before) = run.before else { return };
        let level = run.first.abs();
        let tolerance = self.lsb_tolerance.max(CREEP * level);
        let sign = run.first.signum();
        let rise = (run.first - before) * sign;
        let fall = (run.last - after) * sign;
        // in a noisy signal a few equal samples come by chance, but not many, and not at a big step
        let steep = match run.length {
            ..5 => 0.004,
            5..8 => 0.0015,
            _ => 0.0,
        };
        let least = (8.0 * tolerance).max(steep * self.step * level);
        let flat = (run.last - run.first).abs() <= 2.0 * tolerance;
        if !flat
            || rise <= 0.0
            || fall <= 0.0
            || rise.max(fall) <= least
            || run.length > self.longest
        {
            return;
        }
        let bin = (maths::ln(level) / BIN).floor() as i64;
        let entry = self.bins.entry((sign < 0.0, bin)).or_insert(Level {
            level: run.first,
            tops: 0,
            samples: 0,
            longest: 0,
            frames: Vec::new(),
        });
        entry.tops += 1;
        entry.samples += run.length;
        entry.longest = entry.longest.max(run.length);
        if entry.frames.len() < PLACES {
            entry.frames.push(frame - run.length);
        }
        if self.bins.len() > 4000 {
            // only a track whose level keeps growing comes here: drop what is far below its top
            let top = self
                .bins
                .values()
                .map(|l| l.level.abs())
                .fold(0.0, f64::max);
            self.bins.retain(|_, l| l.level.abs() >= LOWEST * top);
        }
    }

    /// Sorts clipping from chance. `low` and `high` are the extremes of the track (≤ 0, ≥ 0).
    pub fn finish(mut self, low: f64, high: f64) -> Clips {
        let lowest = LOWEST * high.max(-low);
        self.bins.retain(|_, l| l.level.abs() >= lowest);
        let all: u64 = self.bins.values().map(|l| l.tops).sum();
        let mut levels = Vec::new();
        // highest level first, so that a group starts at its top
        while let Some((&(negative, bin), _)) = self.bins.iter().max_by_key(|((_, bin), _)| *bin) {
            let mut group = Vec::new();
            for b in bin - 2..=bin {
                group.extend(self.bins.get(&(negative, b)).cloned());
            }
            let merged = merge(&group);
            let peak = if negative { -low } else { high };
            let many = merged.tops >= 3 + all / 20;
            if many || merged.level.abs() >= AT_PEAK * peak {
                levels.push(merged);
                for b in bin - 2..=bin {
                    self.bins.remove(&(negative, b));
                }
            } else {
                self.bins.remove(&(negative, bin));
            }
        }
        Clips { levels }
    }
}

/// One level of several bins, highest last.
fn merge(group: &[Level]) -> Level {
    let mut frames: Vec<u64> = group
        .iter()
        .flat_map(|l| l.frames.iter().copied())
        .collect();
    frames.sort_unstable();
    frames.truncate(PLACES);
    Level {
        level: group.iter().max_by_key(|l| l.tops).map_or(0.0, |l| l.level),
        tops: group.iter().map(|l| l.tops).sum(),
        samples: group.iter().map(|l| l.samples).sum(),
        longest: group.iter().map(|l| l.longest).max().unwrap_or(0),
        frames,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::noise;

    #[test]
    fn passing_over_what_is_not_flat_changes_nothing() {
        for seed in 0..20 {
            // Cut flat at a level of its own, with runs across the ends of pieces.
            let level = 0.3 + 0.03 * seed as f64;
            let wave = noise(seed, 9600);
            let smooth = wave.windows(4).map(|w| w.iter().sum::<f64>());
            let samples: Vec<f64> = smooth.map(|x| x.clamp(-level, level)).collect();
            let (mut quick, mut plain) = (Plateaus::new(48_000, 24), Plateaus::new(48_000, 24));
            for piece in [7, 48, 480] {
                for (i, part) in samples.chunks(piece).enumerate() {
                    let start = (i * piece) as u64;
                    quick.push(start, part, 1.0, 1.0);
                    for (&x, frame) in part.iter().zip(start..) {
                        plain.step(frame, x);
                    }
                }
            }
            let (quick, plain) = (quick.finish(-1.0, 1.0), plain.finish(-1.0, 1.0));
            assert!(plain.samples() > 100, "{}", plain.samples());
            assert_eq!(quick, plain, "seed {seed}");
        }
    }
}
