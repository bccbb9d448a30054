//! Dropouts of another kind: a buffer of the recorder played twice, bit for bit.

use super::dropouts::{Found, Run};
use super::{Format, Trace};
use crate::finding::Gap;

/// Buffer sizes of recorders and of data on discs, in samples.
const BUFFERS: [u64; 20] = [
    32, 48, 64, 96, 128, 144, 160, 192, 240, 256, 384, 441, 480, 512, 588, 768, 882, 960, 1024,
    2048,
];
/// Shortest repeat, and the part of a buffer that has to come again.
const SHORTEST: u64 = 32;
const SHARE: f64 = 0.9;
const LONG_ENOUGH: u64 = 256;
/// Any repeat holds a frame whose number is a multiple of this, and the one before it.
const STRIDE: u64 = 16;
/// A longer run, in buffers, is a periodic signal.
const PERIODIC: f64 = 2.2;
/// In units of rounding: samples that count, and their spread. Different values in a repeat.
const LEVEL: f64 = 4.0;
const SPREAD: f64 = 8.0;
const VALUES: usize = 12;

#[derive(Clone, Debug)]
pub(super) struct Repeats {
    format: Format,
    next: u64,
    pub found: Found,
}

impl Repeats {
    pub fn new(format: Format) -> Self {
        Self {
            format,
            next: STRIDE,
            found: Found::default(),
        }
    }

    pub fn scan(&mut self, trace: &Trace, end: bool) {
        let level = LEVEL * self.format.lsb;
        let x = &trace.samples;
        'frames: while self.next < trace.end() {
            let at = (self.next - trace.base) as usize;
            if x[at].abs() > level && any_equal(x, at) {
                for buffer in BUFFERS {
                    let lag = buffer as usize;
                    if at <= lag || x[at] != x[at - lag] || x[at - 1] != x[at - 1 - lag] {
                        continue;
                    }
                    match self.look(trace, at, lag, end) {
                        Look::Wait => return,
                        Look::Skip(to) => {
                            self.next = to;
                            continue 'frames;
                        }
                        Look::No => {}
                    }
                }
            }
            self.next += STRIDE;
        }
    }

    fn look(&mut self, trace: &Trace, at: usize, lag: usize, end: bool) -> Look {
        let x = &trace.samples;
        let mut first = at - 1;
        while first > lag && x[first - 1] == x[first - 1 - lag] {
            first -= 1;
        }
        let mut after = at + 1;
        while after < x.len() && x[after] == x[after - lag] {
            after += 1;
        }
        let samples = after - first;
        if samples as f64 > PERIODIC * lag as f64 {
            return Look::Skip(next_stride(trace.base + after as u64));
        }
        if after == x.len() && !end {
            return Look::Wait;
        }
        let enough = SHORTEST.max((SHARE * (lag as u64).min(LONG_ENOUGH) as f64) as u64);
        // a run that starts where the trace does may have begun anywhere before
        if (samples as u64) < enough
            || first <= lag
            || !self.lively(&x[first..after])
            || periodic(&x[first - lag..first])
            || from_silence(x, first - lag)
        {
            return Look::No;
        }
        let frame = trace.base + first as u64;
        self.found.add(Run {
            content: Gap::Repeat,
            frame,
            samples: samples as u64,
        });
        Look::Skip(next_stride(trace.base + after as u64))
    }

    /// Sound, not a hold or a slow wave of few values.
    fn lively(&self, samples: &[f64]) -> bool {
        let n = samples.len() as f64;
        let mean = samples.iter().sum::<f64>() / n;
        let variance = samples.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / n;
        let mut values: Vec<u64> = samples.iter().map(|x| x.to_bits()).collect();
        values.sort_unstable();
        values.dedup();
        variance.sqrt() > SPREAD * self.format.lsb && values.len() > VALUES
    }
}

/// Whether the sample stands at any distance of [`BUFFERS`] before: asked of all at once, since the
/// answer is nearly always no.
fn any_equal(x: &[f64], at: usize) -> bool {
    const REACH: usize = BUFFERS[BUFFERS.len() - 1] as usize;
    let value = x[at];
    // places that are known beforehand need no check
    match x[..at].last_chunk::<REACH>() {
        Some(before) => (BUFFERS.iter()).fold(false, |any, &buffer| {
            any | (before[REACH - buffer as usize] == value)
        }),
        None => (BUFFERS.iter())
            .filter_map(|&buffer| at.checked_sub(buffer as usize))
            .any(|i| x[i] == value),
    }
}

enum Look {
    /// Not a repeat.
    No,
    /// Dealt with up to this frame.
    Skip(u64),
    /// Its end is not here yet.
    Wait,
}

fn next_stride(frame: u64) -> u64 {
    frame.next_multiple_of(STRIDE)
}

/// Whether the samples repeat within themselves, as a synthetic tone does.
fn periodic(samples: &[f64]) -> bool {
    (2..=samples.len() / 2).any(|period| samples[period..].iter().zip(samples).all(|(a, b)| a == b))
}

/// Whether what is repeated begins out of digital silence: a synthetic burst of two periods.
fn from_silence(x: &[f64], first: usize) -> bool {
    x[first.saturating_sub(STRIDE as usize)..first]
        .iter()
        .all(|&v| v == 0.0)
}
