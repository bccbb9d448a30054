//! Clicks: jumps of a few samples that the sound before and after does not explain.
//!
//! In two steps, since the exact one is dear: the second difference of the signal (which flattens
//! the falling spectrum of drums) must stand out of its surroundings within 1 ms; only there the
//! residual of a linear predictor is looked at (Godsill and Rayner, Digital Audio Restoration,
//! 1998). A stick attack is followed by residual that lasts, a click or a splice is not. What
//! coincides with a stroke in another mic is a stroke: see [`confirm_clicks`].

use multiversion::multiversion;

use super::prediction::{ORDER, predictor, residual, window};
use super::{Format, Sure, Trace, found};
use crate::finding::{Finding, FindingKind, Severity};
use crate::units;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Most candidates kept, the largest.
const MOST: usize = 1000;
/// Milliseconds on each side that the jump must stand out of.
const BESIDE_MS: usize = 10;
/// Least ratio of the jump to the RMS beside it: of the second difference, of the residual.
const ROUGH: f64 = 4.0;
const EXACT: f64 = 10.0;
/// Share of the energy of ±1 ms, over that of the sound beside, that lies within ten samples.
const ISOLATED: f64 = 0.75;
/// Least jump in units of rounding.
const LEAST: f64 = 32.0;
/// Samples that the predictor learns from, at rates up to 48 kHz.
const LEARN: u64 = 2048;
/// A candidate this near a stroke in another mic is the stroke.
const STROKE_S: f64 = 0.006;
/// Samples before and after the jump that the predictor does not learn from.
const MASK: (usize, usize) = (4, 6);
/// Where the sound behind the jump begins: the predictor's answer to the jump is over.
const BEHIND: usize = ORDER + 6;

/// A jump that may be a click.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Click {
    /// Where.
    pub frame: u64,
    /// Place in seconds.
    pub at_s: f64,
    /// Which channel.
    pub channel: usize,
    /// Height of the jump.
    pub level_dbfs: f64,
}

/// 1 ms of the second difference.
#[derive(Clone, Copy, Debug)]
struct Piece {
    largest: f64,
    energy: f64,
}

#[derive(Clone, Debug)]
pub(super) struct Clicks {
    format: Format,
    channel: usize,
    /// Frames in 1 ms.
    ms: usize,
    learn: u64,
    /// Weights of the samples that the predictor learns from.
    window: Vec<f64>,
    /// Number of the next piece to measure, and the last ones measured.
    next: u64,
    pieces: VecDeque<Piece>,
    /// Frame of the last candidate, so that one jump counts once.
    last: Option<u64>,
    found: Vec<Jump>,
}

/// A click with its sign and height.
#[derive(Clone, Copy, Debug)]
struct Jump {
    frame: u64,
    height: f64,
}

impl Clicks {
    pub fn new(format: Format, channel: usize) -> Self {
        let ms = (format.rate_hz as usize / 1000).max(1);
        let octaves = (ms / 48).max(1).ilog2();
        let learn = LEARN << octaves.min(1);
        Self {
            format,
            channel,
            ms,
            learn,
            window: window(learn as usize),
            next: 0,
            pieces: VecDeque::new(),
            last: None,
            found: Vec::new(),
        }
    }

    /// Pieces in the queue: the one judged, [`BESIDE_MS`] and one between on each side.
    const QUEUE: usize = 2 * (BESIDE_MS + 1) + 1;

    pub fn scan(&mut self, trace: &Trace, end: bool) {
        let ms = self.ms as u64;
        // far enough from the end for the predictor; what is left at the end of a track is not judged
        let ahead = if end { 0 } else { self.learn / 2 };
        while (self.next + 1) * ms + ahead <= trace.end() {
            let first = self.next * ms;
            self.next += 1;
            let piece = match trace.get(first.saturating_sub(2), first + ms) {
                Some(samples) => measure(samples),
                None => Piece {
                    largest: 0.0,
                    energy: 0.0,
                },
            };
            self.pieces.push_back(piece);
            if self.pieces.len() > Self::QUEUE {
                self.pieces.pop_front();
            }
            if self.pieces.len() == Self::QUEUE && self.stands_out() {
                let judged = self.next - (BESIDE_MS as u64 + 2);
                self.judge(trace, judged * ms);
            }
        }
    }

    /// Whether the middle piece holds a jump.
    fn stands_out(&self) -> bool {
        let middle = BESIDE_MS + 1;
        let largest = self.pieces[middle].largest;
        if largest <= LEAST * self.format.lsb {
            return false;
        }
        let frames = (BESIDE_MS * self.ms) as f64;
        let before: f64 = self.pieces.range(..BESIDE_MS).map(|p| p.energy).sum();
        let behind: f64 = self.pieces.range(middle + 2..).map(|p| p.energy).sum();
        largest * largest > ROUGH * ROUGH * before.max(behind) / frames
    }

    /// Looks at the residual round the largest jump of the piece that starts at `first`.
    fn judge(&mut self, trace: &Trace, first: u64) {
        let ms = self.ms;
        let Some(samples) = trace.get(first.saturating_sub(1), first + ms as u64 + 1) else {
            return;
        };
        let jump = |w: &[f64]| (w[0] - 2.0 * w[1] + w[2]).abs();
        let largest = samples
            .windows(3)
            .enumerate()
            .max_by(|a, b| jump(a.1).total_cmp(&jump(b.1)));
        let centre = first + largest.map_or(0, |(i, _)| i) as u64;
        let half = self.learn / 2;
        let Some(around) = centre
            .checked_sub(half)
            .and_then(|from| trace.get(from, centre + half))
        else {
            return;
        };
        // bridge the jump, so that the predictor learns the sound alone
        let mut bridged = around.to_vec();
        let (from, to) = (half as usize - MASK.0, half as usize + MASK.1);
        let (a, b) = (bridged[from - 1], bridged[to]);
        for (i, x) in bridged[from..to].iter_mut().enumerate() {
            *x = a + (b - a) * (i + 1) as f64 / (to - from + 1) as f64;
        }
        let Some(taps) = predictor(&bridged, &self.window) else {
            return;
        };
        let beside = (BESIDE_MS * ms).min(half as usize - 4 * BEHIND);
        let start = half as usize - beside - 2 * BEHIND;
        let r = residual(
            &taps,
            &around[start - ORDER..(half as usize + beside + 3 * BEHIND).min(around.len())],
        );
        let near = half as usize - start;
        let Some(at) = (near - 6..near + 7).max_by(|&a, &b| r[a].abs().total_cmp(&r[b].abs()))
        else {
            return;
        };
        let height = r[at].abs();
        let energy = |range: &[f64]| range.iter().map(|x| x * x).sum::<f64>();
        let power = |range: &[f64]| energy(range) / range.len() as f64;
        let surroundings = power(&r[at - 6 - beside..at - 6])
            .max(power(&r[at + BEHIND..(at + BEHIND + beside).min(r.len())]))
            .max(power(&r[at + BEHIND..at + BEHIND + ms]));
        let over = |range: &[f64]| energy(range) - range.len() as f64 * surroundings;
        let core = over(&r[at - 4..at + 6]);
        let all = over(&r[at.saturating_sub(ms)..=at + ms]).max(core);
        if height <= LEAST * self.format.lsb
            || height * height <= EXACT * EXACT * surroundings
            || core <= ISOLATED * all
        {
            return;
        }
        let frame = centre + at as u64 - near as u64;
        if self.last.is_none_or(|last| frame > last + ms as u64) {
            self.add(frame, r[at]);
        }
        self.last = Some(frame);
    }

    fn add(&mut self, frame: u64, height: f64) {
        self.found.push(Jump { frame, height });
        if self.found.len() >= 2 * MOST {
            self.drop_smallest();
        }
    }

    fn drop_smallest(&mut self) {
        self.found.sort_by(|a, b| {
            b.height
                .abs()
                .total_cmp(&a.height.abs())
                .then(a.frame.cmp(&b.frame))
        });
        self.found.truncate(MOST);
        self.found.sort_by_key(|jump| jump.frame);
    }

    pub fn finish(mut self) -> Vec<Click> {
        self.drop_smallest();
        let jumps = &self.found;
        // edges of one height and turn about are a square wave
        let edge = |a: &Jump, b: &Jump| (a.height + b.height).abs() < 0.02 * a.height.abs();
        let edges: Vec<bool> = jumps.windows(2).map(|w| edge(&w[0], &w[1])).collect();
        let is_edge = |i: usize| edges.get(i) == Some(&true) || (i > 0 && edges[i - 1]);
        let click = |jump: &Jump| Click {
            frame: jump.frame,
            at_s: self.format.seconds(jump.frame),
            channel: self.channel,
            level_dbfs: units::round_to(units::ratio_to_db(jump.height.abs()).unwrap_or(0.0), 1),
        };
        let clicks = jumps.iter().enumerate().filter(|(i, _)| !is_edge(*i));
        clicks.map(|(_, jump)| click(jump)).collect()
    }
}

/// The second difference of `samples[2..]` (of all of them but two at the start of a track).
#[multiversion(targets("x86_64+avx2"))]
fn measure(samples: &[f64]) -> Piece {
    const LANES: usize = 8;
    let bend = |a: f64, b: f64, c: f64| a - 2.0 * b + c;
    let n = samples.len().saturating_sub(2);
    let (a, b, c) = (
        &samples[..n],
        samples.get(1..=n).unwrap_or(&[]),
        samples.get(2..).unwrap_or(&[]),
    );
    let mut largest = [0.0f64; LANES];
    let mut energy = [0.0f64; LANES];
    let mut add = |lane: usize, d: f64| {
        let height = d.abs();
        largest[lane] = if height > largest[lane] {
            height
        } else {
            largest[lane]
        };
        energy[lane] += d * d;
    };
    let (a, a_rest) = a.as_chunks::<LANES>();
    let (b, b_rest) = b.as_chunks::<LANES>();
    let (c, c_rest) = c.as_chunks::<LANES>();
    for ((a, b), c) in a.iter().zip(b).zip(c) {
        for lane in 0..LANES {
            add(lane, bend(a[lane], b[lane], c[lane]));
        }
    }
    for (lane, ((a, b), c)) in a_rest.iter().zip(b_rest).zip(c_rest).enumerate() {
        add(lane, bend(*a, *b, *c));
    }
    Piece {
        largest: largest.into_iter().fold(0.0, f64::max),
        energy: energy.into_iter().sum(),
    }
}

/// Clicks among the candidates: those that no stroke explains. `onsets_s` are the strokes found in
/// the *other* mics of the take, in seconds of the track, in any order; without any, every candidate
/// stays, and the finding says less surely.
pub fn confirm_clicks(candidates: &[Click], onsets_s: &[f64]) -> Option<Finding> {
    let mut onsets = onsets_s.to_vec();
    onsets.sort_by(f64::total_cmp);
    let stroke = |at_s: f64| {
        let after = onsets.partition_point(|&o| o < at_s - STROKE_S);
        onsets.get(after).is_some_and(|&o| o <= at_s + STROKE_S)
    };
    let clicks: Vec<&Click> = candidates.iter().filter(|c| !stroke(c.at_s)).collect();
    let worst = clicks
        .iter()
        .max_by(|a, b| a.level_dbfs.total_cmp(&b.level_dbfs))?;
    let compared = !onsets_s.is_empty();
    let sure = match compared {
        true => Sure::Probable,
        false => Sure::Possible,
    };
    let kind = FindingKind::Click {
        count: clicks.len(),
        level_dbfs: worst.level_dbfs,
        compared,
    };
    let at_s = clicks.iter().map(|c| c.at_s).take(super::PLACES).collect();
    Some(found(kind, Severity::Warning, sure, at_s))
}
