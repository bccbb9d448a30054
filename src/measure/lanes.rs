//! Sums and extremes over a slice in eight lanes: many times faster than a plain fold, the same
//! bits on every instruction set. Callers cut the stream at fixed frame numbers.

use multiversion::multiversion;

const LANES: usize = 8;

/// What one look at samples tells.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Stats {
    /// The smallest sample, or 0.
    pub low: f64,
    /// The largest, or 0.
    pub high: f64,
    /// All of them added.
    pub sum: f64,
    /// Their squares added.
    pub squares: f64,
}

impl Stats {
    /// Largest absolute sample.
    pub fn peak(&self) -> f64 {
        higher(self.high, -self.low)
    }

    /// Whether every sample is a number that a sound file can mean: neither NaN nor infinite, and
    /// within the range of 32-bit floats, so that no square of it overflows.
    pub fn all_usable(&self) -> bool {
        // what is no number passes by the peak, and is in the sum of squares for good
        usable(self.peak()) && self.squares.is_finite()
    }
}

/// [`Stats`] of samples, some of which may be no numbers.
#[multiversion(targets("x86_64+avx2"))]
pub(crate) fn stats(samples: &[f64]) -> Stats {
    let add = |a: f64, b: f64| a + b;
    Stats {
        low: joined(0.0, samples, |x| x, lower),
        high: joined(0.0, samples, |x| x, higher),
        sum: joined(0.0, samples, |x| x, add),
        squares: joined(0.0, samples, |x| x * x, add),
    }
}

/// Smallest and largest of two values and the samples.
pub(crate) fn widened((least, most): (f64, f64), samples: &[f64]) -> (f64, f64) {
    (lowest(least, samples), highest(most, samples))
}

#[multiversion(targets("x86_64+avx2"))]
fn lowest(least: f64, samples: &[f64]) -> f64 {
    joined(least, samples, |x| x, lower)
}

#[multiversion(targets("x86_64+avx2"))]
fn highest(most: f64, samples: &[f64]) -> f64 {
    joined(most, samples, |x| x, higher)
}

/// Largest absolute sample, 0 for none.
#[multiversion(targets("x86_64+avx2"))]
pub(crate) fn peak(samples: &[f64]) -> f64 {
    joined(0.0, samples, f64::abs, higher)
}

#[inline(always)]
fn lower(a: f64, b: f64) -> f64 {
    if b < a { b } else { a }
}

#[inline(always)]
fn higher(a: f64, b: f64) -> f64 {
    if b > a { b } else { a }
}

/// Joins the values of all samples to `start`, which joins with itself to itself. One result a loop,
/// and what is left over apart: else it is not compiled to vectors.
#[inline(always)]
fn joined(
    start: f64,
    samples: &[f64],
    value: impl Fn(f64) -> f64,
    join: impl Fn(f64, f64) -> f64,
) -> f64 {
    let mut lanes = [start; LANES];
    let (chunks, rest) = samples.as_chunks::<LANES>();
    for chunk in chunks {
        for lane in 0..LANES {
            lanes[lane] = join(lanes[lane], value(chunk[lane]));
        }
    }
    let all = lanes.into_iter().fold(start, &join);
    rest.iter().fold(all, |all, &x| join(all, value(x)))
}

/// Largest absolute second difference, 0 where there are fewer than three samples.
#[multiversion(targets("x86_64+avx2"))]
pub(crate) fn bend(samples: &[f64]) -> f64 {
    let bend = |a: f64, b: f64, c: f64| (a - 2.0 * b + c).abs();
    let n = samples.len().saturating_sub(2);
    let (a, a_rest) = samples[..n].as_chunks::<LANES>();
    let (b, b_rest) = samples.get(1..=n).unwrap_or(&[]).as_chunks::<LANES>();
    let (c, c_rest) = samples.get(2..).unwrap_or(&[]).as_chunks::<LANES>();
    let mut lanes = [0.0; LANES];
    for ((a, b), c) in a.iter().zip(b).zip(c) {
        for lane in 0..LANES {
            lanes[lane] = higher(lanes[lane], bend(a[lane], b[lane], c[lane]));
        }
    }
    let rest = a_rest.iter().zip(b_rest).zip(c_rest);
    let rest = rest.map(|((&a, &b), &c)| bend(a, b, c)).chain(lanes);
    rest.fold(0.0, higher)
}

/// See [`Stats::all_usable`].
pub(crate) fn usable(sample: f64) -> bool {
    sample.abs() <= f64::from(f32::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lanes_agree_with_a_plain_loop_at_every_length() {
        for n in 0..40 {
            let x: Vec<f64> = (0..n)
                .map(|i| f64::from((i * 37) % 19 - 9) / 16.0)
                .collect();
            assert_eq!(peak(&x), x.iter().fold(0.0, |m: f64, v| m.max(v.abs())));
            // sixteenths add without rounding, so any order gives the same sum
            let squares = x.iter().map(|v| v * v).sum::<f64>();
            let plain = Stats {
                low: x.iter().copied().fold(0.0, f64::min),
                high: x.iter().copied().fold(0.0, f64::max),
                sum: x.iter().sum::<f64>(),
                squares,
            };
            assert_eq!(stats(&x), plain);
            assert_eq!(plain.peak(), peak(&x));
            assert_eq!(
                widened((7.0, -7.0), &x).0,
                x.iter().copied().fold(7.0, f64::min)
            );
            assert_eq!(
                widened((7.0, -7.0), &x).1,
                x.iter().copied().fold(-7.0, f64::max)
            );
            let bends = x.windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]).abs());
            assert_eq!(bend(&x), bends.fold(0.0, f64::max));
        }
    }

    #[test]
    fn only_numbers_within_the_range_of_f32_are_usable() {
        for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e39, -1e300] {
            for place in 0..27 {
                let mut x = [0.5; 27];
                assert!(stats(&x).all_usable());
                x[place] = bad;
                assert!(!stats(&x).all_usable(), "{bad} at {place}");
            }
        }
    }
}
