//! Dropouts: runs of exact zeros or of one stuck value in the middle of sound.
//!
//! Equal samples in a row do not happen by themselves where the usual step from sample to sample
//! is several units of rounding; nor is a value entered by a jump and then held. A slow wave that
//! crosses zero in the tail of a 16-bit file makes runs too, but enters them by one unit.

use super::{Format, PLACES, Sure, Trace};
use crate::finding::{Finding, FindingKind, Gap, Severity};

/// Shortest run of zeros, and of another value.
const ZEROS: u64 = 6;
const STUCK: u64 = 8;
/// Samples on each side that tell the usual step.
const BESIDE: usize = 96;
/// Steps and levels in units of rounding: of busy sound, of a jump, of sound at all.
const BUSY: f64 = 4.0;
const JUMP: f64 = 8.0;
const SOUND: f64 = 64.0;
/// A longer run with soft edges is an edited gap.
const EDITED_S: f64 = 0.05;
/// Runs this near the ends of the track do not count.
const EDGE_S: f64 = 0.02;
/// Only every fourth pair is compared at first: the shortest run of six holds one of these.
const STRIDE: u64 = 4;
/// Runs up to here are read anew when more has come; longer ones are remembered.
const REMEMBER: u64 = 4096;

#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Run {
    pub content: Gap,
    pub frame: u64,
    pub samples: u64,
}

/// What was found: all counted, the first places kept.
#[derive(Clone, Debug, Default)]
pub(super) struct Found {
    pub count: u64,
    pub runs: Vec<Run>,
}

impl Found {
    pub fn add(&mut self, run: Run) {
        self.count += 1;
        if self.runs.len() < PLACES {
            self.runs.push(run);
        }
    }
}

/// The sound at one side of a run.
#[derive(Clone, Copy, Debug)]
struct Side {
    /// Median step between samples.
    step: f64,
    low: f64,
    high: f64,
    /// The sample next to the run.
    next: f64,
}

impl Side {
    fn peak(&self) -> f64 {
        self.high.max(-self.low)
    }
}

#[derive(Clone, Debug)]
pub(super) struct Dropouts {
    format: Format,
    next: u64,
    /// A long run that has not ended: its first frame and what came before.
    open: Option<(u64, Side)>,
    pub found: Found,
}

impl Dropouts {
    pub fn new(format: Format) -> Self {
        Self {
            format,
            next: 1,
            open: None,
            found: Found::default(),
        }
    }

    pub fn scan(&mut self, trace: &Trace, end: bool) {
        let beside = self.format.frames(EDGE_S).max(BESIDE) as u64;
        let x = |frame: u64| trace.samples[(frame - trace.base) as usize];
        let stop = trace.end();
        while self.next < stop {
            if self.open.is_none() {
                self.next = next_equal(trace, self.next);
                if self.next >= stop {
                    break;
                }
            }
            let at = self.next;
            let value = x(at - 1);
            let mut first = at - 1;
            while self.open.is_none() && first > trace.base && x(first - 1) == value {
                first -= 1;
            }
            let mut after = at;
            while after < stop && x(after) == value {
                after += 1;
            }
            if after + beside > stop && !end {
                // what follows is not here yet
                if self.open.is_none() && after - first > REMEMBER {
                    self.open = Some((first, side(trace, first, false)));
                }
                self.next = if self.open.is_some() {
                    after.min(stop - 1).max(at)
                } else {
                    at
                };
                return;
            }
            let (first, before) = self
                .open
                .take()
                .unwrap_or_else(|| (first, side(trace, first, false)));
            self.next = after + 1;
            if first > beside && after + beside < stop {
                self.judge(first, after, value, before, side(trace, after, true));
            }
        }
    }

    fn judge(&mut self, first: u64, after: u64, value: f64, before: Side, behind: Side) {
        let samples = after - first;
        let lsb = self.format.lsb;
        let zeros = value.abs() < 0.5 * lsb;
        if samples < if zeros { ZEROS } else { STUCK }
            || before.peak().max(behind.peak()) <= SOUND * lsb
        {
            return;
        }
        let usual = before.step + behind.step;
        let jump = (value - before.next).abs().max((behind.next - value).abs());
        let edited = samples >= self.format.frames(EDITED_S) as u64;
        let busy = !edited && before.step.min(behind.step) > BUSY * lsb;
        if !(busy || jump > JUMP * lsb && jump > 2.0 * usual) {
            return;
        }
        // nothing near is further out: a flat top
        let top = value >= before.high.max(behind.high) || value <= before.low.min(behind.low);
        let content = match (zeros, top) {
            (true, _) => Gap::Zeros,
            (false, false) => Gap::Stuck,
            (false, true) => return,
        };
        self.found.add(Run {
            content,
            frame: first,
            samples,
        });
    }
}

/// The first of every [`STRIDE`]th frame from `frame` on that is equal to the one before; the first
/// that is not there yet, if there is none.
fn next_equal(trace: &Trace, frame: u64) -> u64 {
    const STEP: usize = STRIDE as usize;
    let from = (frame - 1 - trace.base) as usize;
    let differs = |step: &&[f64; STEP]| step[0] != step[1];
    let (steps, rest) = trace.samples[from..].as_chunks::<STEP>();
    let skipped = steps.iter().take_while(differs).count();
    let differs = skipped == steps.len() && matches!(rest, [a, b, ..] if a != b);
    frame + STRIDE * (skipped + usize::from(differs)) as u64
}

/// The samples before `frame`, or from it on.
fn side(trace: &Trace, frame: u64, behind: bool) -> Side {
    let at = (frame - trace.base) as usize;
    let samples = if behind {
        &trace.samples[at..(at + BESIDE).min(trace.samples.len())]
    } else {
        &trace.samples[at.saturating_sub(BESIDE)..at]
    };
    let next = if behind {
        samples.first()
    } else {
        samples.last()
    };
    let mut steps: Vec<f64> = samples.windows(2).map(|w| (w[1] - w[0]).abs()).collect();
    let middle = steps.len() / 2;
    let step = if steps.is_empty() {
        0.0
    } else {
        *steps.select_nth_unstable_by(middle, f64::total_cmp).1
    };
    Side {
        step,
        low: samples.iter().copied().fold(0.0, f64::min),
        high: samples.iter().copied().fold(0.0, f64::max),
        next: next.copied().unwrap_or(0.0),
    }
}

pub(super) fn finding(format: Format, found: Vec<Found>) -> Option<Finding> {
    let mut count: u64 = found.iter().map(|f| f.count).sum();
    let mut runs: Vec<Run> = found.into_iter().flat_map(|f| f.runs).collect();
    runs.sort_by_key(|run| run.frame);
    // the two sides of a pair drop out together
    let both = runs.len();
    runs.dedup_by_key(|run| run.frame);
    count -= (both - runs.len()) as u64;
    let first = runs.first()?;
    let kind = FindingKind::Dropout {
        count,
        content: first.content,
        samples: first.samples,
        ms: crate::units::round_to(1000.0 * format.seconds(first.samples), 2),
    };
    let at_s = format.places(&runs.iter().map(|r| r.frame).collect::<Vec<_>>());
    Some(super::found(kind, Severity::Problem, Sure::Certain, at_s))
}
