//! Followers of the level, shared by the stages that react to it. No platform maths; a state that
//! dies away is set to zero long before it gets denormal.

use biquad::{Biquad, DirectForm2Transposed};
use dasp::Fixed;

use super::Settings;
use super::pass::{HighPass, Shape};
use crate::dsp::maths;

/// Below this a state is silence.
const NOTHING: f64 = 1e-30;

/// Zero for what is too small to matter, so that silence does not cost denormal arithmetic, and for
/// what is not finite, so that a broken sample does not break those behind it.
#[inline]
pub(crate) fn flushed(x: f64) -> f64 {
    let size = x.abs();
    if size > NOTHING && size < f64::INFINITY {
        x
    } else {
        0.0
    }
}

/// What a first-order follower keeps per sample to have gone 63 % of a step after `ms`.
pub(crate) fn kept(ms: f64, rate_hz: f64) -> f64 {
    maths::exp(-1000.0 / (ms * rate_hz))
}

/// First-order follower that rises and falls at different speeds.
#[derive(Clone)]
pub(crate) struct Follower {
    attack: f64,
    release: f64,
    state: f64,
}

impl Follower {
    /// Time constants in milliseconds; an attack of 0 follows at once.
    pub(crate) fn new(attack_ms: f64, release_ms: f64, rate_hz: f64) -> Self {
        let keep = |ms: f64| if ms > 0.0 { kept(ms, rate_hz) } else { 0.0 };
        Self {
            attack: keep(attack_ms),
            release: keep(release_ms),
            state: 0.0,
        }
    }

    #[inline]
    pub(crate) fn next(&mut self, x: f64) -> f64 {
        self.state = flushed(self.led_by(x));
        self.state
    }

    /// The state after `x`. Both speeds are tried at once, since the next sample waits for this one;
    /// the faster one leads furthest in its direction.
    #[inline]
    fn led_by(&self, x: f64) -> f64 {
        let at = |keep: f64| keep * self.state + (1.0 - keep) * x;
        let (up, down) = (at(self.attack), at(self.release));
        let rises_faster = self.attack <= self.release;
        if (up > down) == rises_faster {
            up
        } else {
            down
        }
    }
}

/// States are flushed at multiples of this frame number, counted from the start of the track. More
/// often would interrupt a fast loop for nothing: it only bounds for how long denormal numbers ring.
const TIDY_EVERY: usize = 1024;

/// Cuts a stream where its states are to be flushed, wherever its blocks end.
#[derive(Clone, Default)]
pub(crate) struct Tidy {
    /// Frames since the last time.
    since: usize,
}

impl Tidy {
    /// How many of `frames` to go through next, and whether to flush behind them.
    pub(crate) fn next(&mut self, frames: usize) -> (usize, bool) {
        let count = frames.min(TIDY_EVERY - self.since);
        self.since = (self.since + count) % TIDY_EVERY;
        (count, self.since == 0)
    }

    /// Gives `samples` to `each` in such parts, and says whether to flush behind each.
    pub(crate) fn parts(
        &mut self,
        mut samples: &mut [f64],
        mut each: impl FnMut(&mut [f64], bool),
    ) {
        while !samples.is_empty() {
            let (count, flush) = self.next(samples.len());
            let (part, rest) = samples.split_at_mut(count);
            each(part, flush);
            samples = rest;
        }
    }
}

/// The amplitude that a sine of the same power would have, smoothed: mean square over 5 ms, then
/// 10 ms up and 50 ms down. Squares rather than rectifies, since |x| aliases and x² does so less.
#[derive(Clone)]
pub(crate) struct Amplitude {
    keep: f64,
    square: f64,
    follower: Follower,
    tidy: Tidy,
}

impl Amplitude {
    pub(crate) fn new(rate_hz: f64) -> Self {
        Self {
            keep: kept(5.0, rate_hz),
            square: 0.0,
            follower: Follower::new(10.0, 50.0, rate_hz),
            tidy: Tidy::default(),
        }
    }

    /// Replaces finite samples by amplitudes.
    pub(crate) fn follow(&mut self, samples: &mut [f64]) {
        let Self {
            keep,
            square,
            follower,
            tidy,
        } = self;
        tidy.parts(samples, |part, flush| {
            for x in &mut *part {
                *square = *keep * *square + (1.0 - *keep) * (*x * *x);
                *x = *square;
            }
            for x in &mut *part {
                *x = (2.0 * *x).sqrt();
            }
            for x in part {
                follower.state = follower.led_by(*x);
                *x = follower.state;
            }
            if flush {
                *square = flushed(*square);
                follower.state = flushed(follower.state);
            }
        });
    }
}

/// A high-pass of second order ahead of a detector, for one channel.
pub(crate) struct SideHighPass(Vec<DirectForm2Transposed<f64>>);

impl SideHighPass {
    pub(crate) fn new(freq_hz: f64, rate_hz: f64) -> Self {
        let settings = HighPass {
            freq_hz,
            order: 2,
            shape: Shape::Butterworth,
        };
        let sections = settings.sections(rate_hz).unwrap_or_default();
        let runner = |section| DirectForm2Transposed::new(biquad::Coefficients::from(section));
        Self(sections.into_iter().map(runner).collect())
    }

    #[inline]
    pub(crate) fn next(&mut self, x: f64) -> f64 {
        self.0.iter_mut().fold(x, |x, section| {
            let y = section.run(x);
            section.s1 = flushed(section.s1);
            section.s2 = flushed(section.s2);
            flushed(y)
        })
    }
}

/// Mean square of the last so many samples.
pub(crate) struct MeanSquare {
    squares: Fixed<Vec<f64>>,
    sum: f64,
    until_fresh: usize,
}

impl MeanSquare {
    pub(crate) fn new(window_ms: f64, rate_hz: f64) -> Self {
        let length = ((window_ms * rate_hz / 1000.0).round() as usize).max(1);
        Self {
            squares: Fixed::from(vec![0.0; length]),
            sum: 0.0,
            until_fresh: length,
        }
    }

    /// Takes the next square. The running sum is made afresh once a window, by count of samples, so
    /// that its rounding errors cannot pile up.
    #[inline]
    pub(crate) fn next(&mut self, square: f64) -> f64 {
        let oldest = self.squares.push(square);
        self.sum += square - oldest;
        self.until_fresh -= 1;
        if self.until_fresh == 0 {
            self.until_fresh = self.squares.len();
            self.sum = self.squares.iter().sum();
        }
        self.sum.max(0.0) / self.squares.len() as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_follower_goes_63_percent_in_its_time() {
        let mut follower = Follower::new(10.0, 50.0, 48e3);
        let up: Vec<f64> = (0..48_000).map(|_| follower.next(1.0)).collect();
        let down: Vec<f64> = (0..48_000).map(|_| follower.next(0.0)).collect();
        let e = std::f64::consts::E;
        assert!((up[479] - (1.0 - 1.0 / e)).abs() < 1e-12);
        assert!((down[2399] - 1.0 / e).abs() < 1e-12);
    }

    #[test]
    fn a_follower_that_falls_faster_does_so() {
        let mut follower = Follower::new(50.0, 10.0, 48e3);
        let mut slow = 0.0;
        for n in 0..10_000 {
            let x = f64::from((n / 1000) % 3);
            let ms = if x > slow { 50.0 } else { 10.0 };
            slow = x + kept(ms, 48e3) * (slow - x);
            assert!((follower.next(x) - slow).abs() < 1e-12);
        }
    }

    #[test]
    fn the_amplitude_of_a_sine_is_read_within_four_percent() {
        // At 100 Hz, where the mean square still moves and the fast rise takes its tops.
        for (freq_hz, most) in [(100.0, 0.04), (1000.0, 0.005)] {
            let step = 2.0 * std::f64::consts::PI * freq_hz / 48e3;
            let sine = |n: u32| 0.5 * maths::sin(step * f64::from(n));
            let mut whole: Vec<f64> = (0..48_000).map(sine).collect();
            let mut cut = whole.clone();
            Amplitude::new(48e3).follow(&mut whole);
            let mut amplitude = Amplitude::new(48e3);
            cut.chunks_mut(37).for_each(|part| amplitude.follow(part));
            assert_eq!(cut, whole);
            let last = whole[47_999];
            assert!((last / 0.5 - 1.0).abs() < most, "{freq_hz}: {last}");
        }
    }

    #[test]
    fn the_side_high_pass_is_that_of_the_chain_and_recovers_from_a_broken_sample() {
        let settings = HighPass {
            freq_hz: 100.0,
            order: 2,
            shape: Shape::Butterworth,
        };
        let input = crate::testing::noise(5, 500);
        let mut side = SideHighPass::new(100.0, 48e3);
        let heard: Vec<f64> = input.iter().map(|&x| side.next(x)).collect();
        let stage = crate::stage::Stage::HighPass(settings);
        assert_eq!(heard, crate::testing::run_mono(&[stage], &input, 48e3));
        assert_eq!(side.next(f64::NAN), 0.0);
        assert!(input.iter().all(|&x| side.next(x).is_finite()));
        (0..100_000).for_each(|_| _ = side.next(0.0));
        assert_eq!(side.next(0.0), 0.0);
    }

    #[test]
    fn the_mean_square_equals_the_slow_sum() {
        let mut mean = MeanSquare::new(1.0, 48e3);
        let x: Vec<f64> = (0..1000)
            .map(|n| maths::sin(f64::from(n * n) * 0.37))
            .collect();
        for (n, &value) in x.iter().enumerate() {
            let window = &x[(n + 1).saturating_sub(48)..=n];
            let slow = window.iter().map(|v| v * v).sum::<f64>() / 48.0;
            assert!((mean.next(value * value) - slow).abs() < 1e-14);
        }
    }
}
