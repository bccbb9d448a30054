//! Followers of the level, shared by the stages that react to it. No platform maths; a state that
//! dies away is set to zero long before it gets denormal.

use dasp::ring_buffer::Fixed;

use super::Fault;
use crate::maths;

/// Below this a state is silence.
const NOTHING: f64 = 1e-30;

/// Zero for what is too small to matter, so that silence does not cost denormal arithmetic.
#[inline]
pub(crate) fn flushed(x: f64) -> f64 {
    if x.abs() < NOTHING { 0.0 } else { x }
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
        let keep = if x > self.state {
            self.attack
        } else {
            self.release
        };
        self.state = flushed(x + keep * (self.state - x));
        self.state
    }
}

/// The amplitude that a sine of the same power would have, smoothed: mean square over 5 ms, then
/// 10 ms up and 50 ms down. Squares rather than rectifies, since |x| aliases and x² does so less.
#[derive(Clone)]
pub(crate) struct Amplitude {
    keep: f64,
    square: f64,
    follower: Follower,
}

impl Amplitude {
    pub(crate) fn new(rate_hz: f64) -> Self {
        Self {
            keep: kept(5.0, rate_hz),
            square: 0.0,
            follower: Follower::new(10.0, 50.0, rate_hz),
        }
    }

    #[inline]
    pub(crate) fn next(&mut self, x: f64) -> f64 {
        let square = x * x;
        self.square = flushed(square + self.keep * (self.square - square));
        self.follower.next((2.0 * self.square).sqrt())
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

/// Adds a fault where `freq_hz` cannot be the corner of a [`SideHighPass`].
pub(crate) fn check_side_high_pass(freq_hz: f64, rate_hz: f64, faults: &mut Vec<Fault>) {
    if !(freq_hz > 0.0 && freq_hz < rate_hz / 2.0) {
        faults.push(Fault {
            key: "side_high_pass_hz",
            value: freq_hz.to_string(),
            message: format!("expected above 0 and below {}", rate_hz / 2.0),
        });
    }
}

/// Second-order Butterworth high-pass for what a detector hears (bilinear, transposed direct form II).
#[derive(Clone)]
pub(crate) struct SideHighPass {
    gain: f64,
    a1: f64,
    a2: f64,
    s1: f64,
    s2: f64,
}

impl SideHighPass {
    pub(crate) fn new(freq_hz: f64, rate_hz: f64) -> Self {
        let k = maths::tan(std::f64::consts::PI * freq_hz / rate_hz);
        let norm = 1.0 / (1.0 + std::f64::consts::SQRT_2 * k + k * k);
        Self {
            gain: norm,
            a1: 2.0 * (k * k - 1.0) * norm,
            a2: (1.0 - std::f64::consts::SQRT_2 * k + k * k) * norm,
            s1: 0.0,
            s2: 0.0,
        }
    }

    #[inline]
    pub(crate) fn next(&mut self, x: f64) -> f64 {
        let b = self.gain * x;
        let y = b + self.s1;
        self.s1 = flushed(self.s2 - 2.0 * b - self.a1 * y);
        self.s2 = flushed(b - self.a2 * y);
        y
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
    fn the_amplitude_of_a_sine_is_read_within_four_percent() {
        // At 100 Hz, where the mean square still moves and the fast rise takes its tops.
        for (freq_hz, most) in [(100.0, 0.04), (1000.0, 0.005)] {
            let mut amplitude = Amplitude::new(48e3);
            let step = 2.0 * std::f64::consts::PI * freq_hz / 48e3;
            let mut last = 0.0;
            for n in 0..48_000 {
                last = amplitude.next(0.5 * maths::sin(step * f64::from(n)));
            }
            assert!((last / 0.5 - 1.0).abs() < most, "{freq_hz}: {last}");
        }
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

    #[test]
    fn the_side_high_pass_is_3_db_down_at_its_frequency() {
        for (freq, expected_db) in [(100.0, -3.0103), (1000.0, -0.0004), (10.0, -40.0)] {
            let mut filter = SideHighPass::new(100.0, 48e3);
            let step = 2.0 * std::f64::consts::PI * freq / 48e3;
            let (mut input, mut output) = (0.0, 0.0);
            for n in 0..96_000 {
                let x = maths::sin(step * f64::from(n));
                let y = filter.next(x);
                if n >= 48_000 {
                    input += x * x;
                    output += y * y;
                }
            }
            let db = 10.0 * maths::log10(output / input);
            assert!((db - expected_db).abs() < 0.005, "{freq}: {db}");
        }
    }
}
