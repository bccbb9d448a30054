//! [`Ticks`]: cuts a stream into pieces of 10 ms at frame numbers that do not depend on how the
//! stream came in. Everything that sums works on these pieces, so block sizes cannot show.

use super::lanes::{self, Stats};
use crate::block::Block;

/// Pieces a second.
pub(crate) const PER_SECOND: u64 = 100;

/// First frame of piece `tick`: `tick` × 10 ms to the nearest frame.
pub(crate) fn boundary(rate_hz: u32, tick: u64) -> u64 {
    (tick * u64::from(rate_hz) + PER_SECOND / 2) / PER_SECOND
}

/// One piece of the stream, every sample usable.
pub(crate) struct Tick<'a> {
    /// Its first frame, counted from the start of the stream.
    pub start: u64,
    /// One slice a channel, and what one look at it tells.
    pub channels: &'a [(&'a [f64], Stats)],
    /// False for what is left at the end.
    pub whole: bool,
}

/// Samples that are no numbers (or beyond the range of 32-bit floats); they were read as 0.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct NonFinite {
    /// How many.
    pub count: u64,
    /// The first frames that hold one, at most [`super::inspect::PLACES`].
    pub frames: Vec<u64>,
}

/// The cutter. See the module.
#[derive(Clone, Debug)]
pub(crate) struct Ticks {
    rate_hz: u32,
    tick: u64,
    start: u64,
    length: usize,
    held: Vec<Vec<f64>>,
    non_finite: NonFinite,
}

impl Ticks {
    pub fn new(rate_hz: u32, channels: usize) -> Self {
        let length = boundary(rate_hz, 1) as usize;
        Self {
            rate_hz,
            tick: 0,
            start: 0,
            length,
            held: vec![Vec::with_capacity(length + 1); channels],
            non_finite: NonFinite::default(),
        }
    }

    /// Gives every piece that is complete with this block to `each`.
    pub fn push(&mut self, block: &Block, mut each: impl FnMut(&Tick)) {
        debug_assert_eq!(block.count(), self.held.len());
        let mut whole: Vec<(&[f64], Stats)> = Vec::with_capacity(self.held.len());
        let mut at = 0;
        while at < block.frames() && !self.held.is_empty() {
            let have = self.held[0].len();
            let n = (self.length - have).min(block.frames() - at);
            // most pieces lie within a block, and are fit to be seen as they are
            if n == self.length {
                whole.clear();
                whole.extend(block.channels().map(|channel| looked(&channel[at..at + n])));
                if whole.iter().all(|(_, stats)| stats.all_usable()) {
                    self.give(&whole, &mut each);
                    at += n;
                    continue;
                }
            }
            for (held, channel) in self.held.iter_mut().zip(block.channels()) {
                held.extend_from_slice(&channel[at..at + n]);
                self.non_finite
                    .mend(&mut held[have..], self.start + have as u64);
            }
            at += n;
            if have + n == self.length {
                let mut held = std::mem::take(&mut self.held);
                let channels: Vec<_> = held.iter().map(|held| looked(held)).collect();
                self.give(&channels, &mut each);
                held.iter_mut().for_each(Vec::clear);
                self.held = held;
            }
        }
    }

    fn give(&mut self, channels: &[(&[f64], Stats)], each: &mut impl FnMut(&Tick)) {
        each(&Tick {
            start: self.start,
            channels,
            whole: true,
        });
        self.tick += 1;
        self.start = boundary(self.rate_hz, self.tick);
        self.length = (boundary(self.rate_hz, self.tick + 1) - self.start) as usize;
    }

    /// Gives what is left after the last whole piece, which may be empty.
    pub fn rest(&self, each: impl FnOnce(&Tick)) {
        let channels: Vec<_> = self.held.iter().map(|held| looked(held)).collect();
        each(&Tick {
            start: self.start,
            channels: &channels,
            whole: false,
        });
    }

    pub fn non_finite(&self) -> &NonFinite {
        &self.non_finite
    }
}

fn looked(samples: &[f64]) -> (&[f64], Stats) {
    (samples, lanes::stats(samples))
}

impl NonFinite {
    fn mend(&mut self, samples: &mut [f64], first: u64) {
        for (x, frame) in samples.iter_mut().zip(first..) {
            if !lanes::usable(*x) {
                *x = 0.0;
                self.count += 1;
                if self.frames.len() < super::inspect::PLACES && self.frames.last() != Some(&frame)
                {
                    self.frames.push(frame);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pieces_stand_at_the_same_frames_however_the_stream_is_cut() {
        for rate_hz in [8000, 11_025, 44_100, 48_000, 44_101] {
            for size in [1, 7, 64, 4096] {
                let mut ticks = Ticks::new(rate_hz, 1);
                let (mut next, mut seen) = (0u64, 0);
                for at in (0..20_000usize).step_by(size) {
                    let n = size.min(20_000 - at);
                    let x = (at..at + n).map(|i| i as f64).collect();
                    ticks.push(&Block::from_channels(vec![x]), |tick| {
                        assert_eq!(tick.start, boundary(rate_hz, seen));
                        for &x in tick.channels[0].0 {
                            assert_eq!(x, next as f64);
                            next += 1;
                        }
                        seen += 1;
                    });
                }
                ticks.rest(|rest| assert_eq!(next + rest.channels[0].0.len() as u64, 20_000));
            }
        }
    }

    #[test]
    fn what_is_no_number_is_counted_and_read_as_silence() {
        let mut ticks = Ticks::new(8000, 1);
        let x = vec![0.5, f64::NAN, f64::INFINITY, 1e200, -0.5];
        ticks.push(&Block::from_channels(vec![x]), |_| {});
        ticks.rest(|rest| assert_eq!(rest.channels[0].0, [0.5, 0.0, 0.0, 0.0, -0.5]));
        assert_eq!(ticks.non_finite().count, 3);
        assert_eq!(ticks.non_finite().frames, [1, 2, 3]);
    }
}
