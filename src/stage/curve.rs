//! The curves of `drive`, with second-order antiderivative anti-aliasing.
//!
//! Between samples the signal is taken for straight lines; the curve acts on these, and the result is
//! averaged with a triangle. With F″ = f this is y = 2·F[x₀, x₁, x₂], twice the second divided
//! difference (Bilbao, Esqueda, Parker, Välimäki, IEEE Signal Processing Letters 24(7), 2017), late by
//! one sample. Computed as it is written it loses all digits where two samples nearly agree. But a
//! divided difference is a mean of the derivative (Hermite, Genocchi): y is the mean of f, weighted
//! with a hat that stands on the smallest and largest of the three samples and has its top at the
//! middle one. That form has only positive weights, and needs no tolerance:
//!
//! - three samples within one polynomial piece: a polynomial in the three, without a division;
//! - three samples on the same flat: the flat;
//! - the few others: the hat piece by piece, by a Gauss rule that is exact for the piece's degree.

use crate::maths::sin_half_pi;

/// An odd curve: polynomials between knots, ±1 outside.
pub(crate) trait Shape {
    /// Where the pieces meet, ascending; beyond the first and last the curve is −1 and 1.
    const KNOTS: &'static [f64];
    /// Up to this |x| there is one piece.
    const INNER: f64;
    /// Points on ±1 and weights of a Gauss-Legendre rule that is exact for the degree of the pieces + 1.
    const GAUSS: &'static [(f64, f64)];
    /// The curve itself.
    fn at(x: f64) -> f64;
    /// The hat's mean where all three samples are within ±`INNER`.
    fn smooth(a: f64, b: f64, c: f64) -> f64;
}

/// 1.5x − 0.5x³, flat from ±1.
pub(crate) struct Soft;

impl Shape for Soft {
    const KNOTS: &'static [f64] = &[-1.0, 1.0];
    const INNER: f64 = 1.0;
    // Three points: exact to degree 5. ±√(3/5), 5/9 and 8/9.
    const GAUSS: &'static [(f64, f64)] = &[
        (-0.774_596_669_241_483_4, 5.0 / 9.0),
        (0.0, 8.0 / 9.0),
        (0.774_596_669_241_483_4, 5.0 / 9.0),
    ];

    #[inline]
    fn at(x: f64) -> f64 {
        let x = x.clamp(-1.0, 1.0);
        x * (1.5 - 0.5 * x * x)
    }

    /// For f = xⁿ the mean is 2·hₙ/((n + 1)(n + 2)), hₙ the complete homogeneous symmetric polynomial of
    /// degree n; h₃ = e₁(e₁² − 2e₂) + e₃ from the elementary ones.
    #[inline]
    fn smooth(a: f64, b: f64, c: f64) -> f64 {
        let sum = b + c;
        let product = b * c;
        let (e1, e2, e3) = (a + sum, a * sum + product, a * product);
        let h3 = e1 * (e1 * e1 - (e2 + e2)) + e3;
        0.5 * e1 - 0.05 * h3
    }
}

/// Straight to ±0.75, a parabola to ±1.25, flat from there.
pub(crate) struct Hard;

impl Shape for Hard {
    const KNOTS: &'static [f64] = &[-1.25, -0.75, 0.75, 1.25];
    const INNER: f64 = 0.75;
    // Two points: exact to degree 3. ±√(1/3).
    const GAUSS: &'static [(f64, f64)] = &[
        (-0.577_350_269_189_625_8, 1.0),
        (0.577_350_269_189_625_8, 1.0),
    ];

    #[inline]
    fn at(x: f64) -> f64 {
        let a = x.abs();
        let over = (a - 0.75).clamp(0.0, 0.5);
        let y = a.min(1.25) - over * over;
        if x < 0.0 { -y } else { y }
    }

    #[inline]
    fn smooth(a: f64, b: f64, c: f64) -> f64 {
        (a + b + c) * (1.0 / 3.0)
    }
}

/// `y[i]` from `x[i]`, `x[i + 1]` and `x[i + 2]`: `x` holds two samples more than `y`.
pub(crate) fn antialiased<S: Shape>(x: &[f64], y: &mut [f64]) {
    const LANES: usize = 8;
    let whole = y.len() - y.len() % LANES;
    let (head, tail) = y.split_at_mut(whole);
    for (chunk, y) in head.chunks_exact_mut(LANES).enumerate() {
        let x = &x[chunk * LANES..][..LANES + 2];
        let mut most = [0.0; 2];
        for two in x.chunks_exact(2) {
            most[0] = larger(most[0], two[0].abs());
            most[1] = larger(most[1], two[1].abs());
        }
        if larger(most[0], most[1]) <= S::INNER {
            for lane in 0..LANES {
                y[lane] = S::smooth(x[lane], x[lane + 1], x[lane + 2]);
            }
        } else {
            for (y, x) in y.iter_mut().zip(x.windows(3)) {
                *y = mean::<S>(x[0], x[1], x[2]);
            }
        }
    }
    for (y, x) in tail.iter_mut().zip(x[whole..].windows(3)) {
        *y = mean::<S>(x[0], x[1], x[2]);
    }
}

/// The mean wherever the three samples lie.
#[inline]
fn mean<S: Shape>(a: f64, b: f64, c: f64) -> f64 {
    let (low, high) = (smaller(a, b), larger(a, b));
    let (lo, hi) = (smaller(low, c), larger(high, c));
    let outer = S::KNOTS[S::KNOTS.len() - 1];
    if lo >= outer {
        1.0
    } else if hi <= -outer {
        -1.0
    } else if lo >= -S::INNER && hi <= S::INNER {
        S::smooth(a, b, c)
    } else {
        hat_mean::<S>(lo, larger(low, smaller(high, c)), hi)
    }
}

#[inline]
fn smaller(a: f64, b: f64) -> f64 {
    if a < b { a } else { b }
}

#[inline]
fn larger(a: f64, b: f64) -> f64 {
    if a > b { a } else { b }
}

/// Mean of the curve with the weight of a hat from `lo` to `hi`, its top at `middle`.
fn hat_mean<S: Shape>(lo: f64, middle: f64, hi: f64) -> f64 {
    if lo == hi {
        return S::at(middle);
    }
    let rising = (middle - lo) * ramp_mean::<S>(lo, middle);
    let falling = (hi - middle) * ramp_mean::<S>(hi, middle);
    (rising + falling) / (hi - lo)
}

/// ∫₀¹ f(foot + t·(top − foot))·2t dt: mean with a weight that grows in a straight line.
fn ramp_mean<S: Shape>(foot: f64, top: f64) -> f64 {
    let span = top - foot;
    if span == 0.0 {
        return S::at(foot);
    }
    let per_span = 1.0 / span;
    let share = |x: f64| ((x - foot) * per_span).clamp(0.0, 1.0);
    let upwards = span > 0.0;
    let mut sum = 0.0;
    // Pieces from left to right: `left` and `right` are their ends on the ramp, as t.
    let mut left = if upwards { 0.0 } else { 1.0 };
    for (piece, &knot) in S::KNOTS.iter().enumerate() {
        let right = share(knot);
        let signed = if piece == 0 {
            left * left - right * right // the flat at −1
        } else if left == right {
            0.0
        } else {
            let (centre, half) = (0.5 * (left + right), 0.5 * (right - left));
            S::GAUSS.iter().fold(0.0, |sum, &(point, weight)| {
                let t = centre + half * point;
                sum + weight * half * 2.0 * t * S::at(foot + span * t)
            })
        };
        sum += signed;
        left = right;
    }
    let end = if upwards { 1.0 } else { 0.0 };
    sum += end * end - left * left; // the flat at 1
    if upwards { sum } else { -sum }
}

/// sin(πx/2), one sample late like the others: `x` holds two samples more than `y`. A sine of a sine
/// has harmonics that die out faster than any power, so oversampling alone is enough within the drive
/// that `check` admits.
pub(crate) fn folded(x: &[f64], y: &mut [f64]) {
    for (y, x) in y.iter_mut().zip(&x[1..]) {
        *y = sin_half_pi(*x);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Antiderivatives written down by hand, as an independent reference.
    struct Reference {
        f: fn(f64) -> f64,
        first: fn(f64) -> f64,
        second: fn(f64) -> f64,
    }

    fn odd(x: f64, of: impl Fn(f64) -> f64) -> f64 {
        of(x.abs()) * if x < 0.0 { -1.0 } else { 1.0 }
    }

    const SOFT: Reference = Reference {
        f: |x| {
            odd(x, |a| {
                if a < 1.0 {
                    1.5 * a - 0.5 * a.powi(3)
                } else {
                    1.0
                }
            })
        },
        first: |x| {
            let a = x.abs();
            if a < 1.0 {
                0.75 * a.powi(2) - a.powi(4) / 8.0
            } else {
                a - 3.0 / 8.0
            }
        },
        second: |x| {
            odd(x, |a| {
                if a < 1.0 {
                    a.powi(3) / 4.0 - a.powi(5) / 40.0
                } else {
                    a * a / 2.0 - 3.0 / 8.0 * a + 0.1
                }
            })
        },
    };

    const HARD: Reference = Reference {
        f: |x| {
            odd(x, |a| {
                if a < 0.75 {
                    a
                } else if a < 1.25 {
                    a - (a - 0.75).powi(2)
                } else {
                    1.0
                }
            })
        },
        first: |x| {
            let a = x.abs();
            if a < 0.75 {
                a * a / 2.0
            } else if a < 1.25 {
                a * a / 2.0 - (a - 0.75).powi(3) / 3.0
            } else {
                a - 49.0 / 96.0
            }
        },
        second: |x| {
            odd(x, |a| {
                if a < 0.75 {
                    a.powi(3) / 6.0
                } else if a < 1.25 {
                    a.powi(3) / 6.0 - (a - 0.75).powi(4) / 12.0
                } else {
                    a * a / 2.0 - 49.0 / 96.0 * a + 17.0 / 96.0
                }
            })
        },
    };

    fn each_curve(mut test: impl FnMut(&Reference, fn(f64) -> f64, fn(&[f64], &mut [f64]))) {
        test(&SOFT, Soft::at, antialiased::<Soft>);
        test(&HARD, Hard::at, antialiased::<Hard>);
    }

    /// Different numbers from −`range` to `range`, without an order.
    fn scattered(range: f64, count: usize) -> Vec<f64> {
        let golden = |i: usize| (i as f64 * 0.618_033_988_749_894_9).fract();
        (0..count)
            .map(|i| range * (2.0 * golden(i) - 1.0))
            .collect()
    }

    #[test]
    fn the_reference_antiderivatives_differentiate_back() {
        each_curve(|reference, at, _| {
            for i in -3000..=3000 {
                let (x, h) = (f64::from(i) * 1e-3 + 1e-4, 1e-5);
                let slope = |f: fn(f64) -> f64| (f(x + h) - f(x - h)) / (2.0 * h);
                assert!(
                    (slope(reference.second) - (reference.first)(x)).abs() < 1e-9,
                    "{x}"
                );
                assert!(
                    (slope(reference.first) - (reference.f)(x)).abs() < 1e-9,
                    "{x}"
                );
                assert!((at(x) - (reference.f)(x)).abs() < 1e-15, "{x}");
            }
        });
    }

    #[test]
    fn the_mean_under_the_hat_is_twice_the_second_divided_difference() {
        each_curve(|reference, _, shaped| {
            for range in [0.5, 1.5, 4.0, 60.0] {
                let x = scattered(range, 4000);
                let mut y = vec![0.0; x.len() - 2];
                shaped(&x, &mut y);
                for (y, x) in y.iter().zip(x.windows(3)) {
                    let first =
                        |a: f64, b: f64| ((reference.second)(a) - (reference.second)(b)) / (a - b);
                    let expected = 2.0 * (first(x[0], x[1]) - first(x[1], x[2])) / (x[0] - x[2]);
                    assert!((y - expected).abs() < 1e-12, "{x:?}: {y} {expected}");
                }
            }
        });
    }

    #[test]
    fn nearly_equal_samples_keep_their_digits() {
        each_curve(|_, at, shaped| {
            for knot in [0.75, 1.0, 1.25, -1.0, -0.75, 0.2, 30.0] {
                for step in [0.0, 1e-15, 1e-12, 1e-9, 1e-6] {
                    let mut y = [0.0; 3];
                    let x = [
                        knot - step,
                        knot + step,
                        knot,
                        knot - 2.0 * step,
                        knot + step,
                    ];
                    shaped(&x, &mut y);
                    assert!(
                        y.iter().all(|y| (y - at(knot)).abs() < 1e-15 + 4.0 * step),
                        "{knot} {step}"
                    );
                }
            }
        });
    }

    #[test]
    fn chebyshev_polynomials_confirm_the_soft_curve() {
        // x = cos t: x³ = (3T₁ + T₃)/4, so the full-scale curve gives 1.5 − 3/8 and −1/8.
        let expected = [1.125, -0.125, 0.0];
        for (k, expected) in [1.0, 3.0, 5.0].into_iter().zip(expected) {
            let n = 64;
            let sum: f64 = (0..n)
                .map(|i| {
                    let t = 2.0 * std::f64::consts::PI * f64::from(i) / f64::from(n);
                    Soft::at(t.cos()) * (k * t).cos()
                })
                .sum();
            assert!((2.0 * sum / f64::from(n) - expected).abs() < 1e-14);
        }
    }

    #[test]
    fn how_the_stream_is_cut_changes_no_bit() {
        each_curve(|_, _, shaped| {
            let x = scattered(2.0, 300);
            let mut whole = vec![0.0; 298];
            shaped(&x, &mut whole);
            for size in [1, 7, 64] {
                let mut parts = vec![0.0; 298];
                for (i, y) in parts.chunks_mut(size).enumerate() {
                    shaped(&x[i * size..i * size + y.len() + 2], y);
                }
                assert_eq!(whole, parts);
            }
        });
    }
}
