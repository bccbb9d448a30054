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
//! - three samples on the same flat: the flat;
//! - otherwise, where they meet the knots of one side only, in closed form: the polynomial of the middle
//!   piece, and a truncated power for what each knot adds to it. Free of branches, so that samples
//!   are worked on side by side;
//! - the few that leap from one side to the other, or far out: the hat piece by piece, by a Gauss rule
//!   that is exact for the piece's degree.

use multiversion::multiversion;

use crate::dsp::maths::sin_half_pi;

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
    /// The hat's mean of the inner piece's polynomial.
    fn smooth(a: f64, b: f64, c: f64) -> f64;
    /// The hat's mean of what the upper knots add to it.
    fn bend(hat: &Hat) -> f64;
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
    #[inline(always)]
    fn smooth(a: f64, b: f64, c: f64) -> f64 {
        let sum = b + c;
        let product = b * c;
        let (e1, e2, e3) = (a + sum, a * sum + product, a * product);
        let h3 = e1 * (e1 * e1 - (e2 + e2)) + e3;
        0.5 * e1 - 0.05 * h3
    }

    #[inline(always)]
    fn bend(hat: &Hat) -> f64 {
        let (square, cube) = hat.powers_above(1.0);
        1.5 * square + 0.5 * cube
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

    #[inline(always)]
    fn smooth(a: f64, b: f64, c: f64) -> f64 {
        (a + b + c) * (1.0 / 3.0)
    }

    #[inline(always)]
    fn bend(hat: &Hat) -> f64 {
        hat.powers_above(1.25).0 - hat.powers_above(0.75).0
    }
}

/// So far out the truncated powers keep 12 digits.
const REACH: f64 = 8.0;

/// `y[i]` from `x[i]`, `x[i + 1]` and `x[i + 2]`: `x` holds two samples more than `y`.
#[multiversion(targets("x86_64+avx2"))]
pub(crate) fn antialiased<S: Shape>(x: &[f64], y: &mut [f64]) {
    const LANES: usize = 8;
    let (chunks, tail) = y.as_chunks_mut::<LANES>();
    let done = LANES * chunks.len();
    for (chunk, y) in chunks.iter_mut().enumerate() {
        let Some(x) = x[chunk * LANES..].first_chunk::<{ LANES + 2 }>() else {
            return;
        };
        let (mut lo, mut hi) = ([x[LANES], x[LANES + 1]], [x[LANES], x[LANES + 1]]);
        for two in x.as_chunks::<2>().0 {
            for lane in 0..2 {
                lo[lane] = smaller(lo[lane], two[lane]);
                hi[lane] = larger(hi[lane], two[lane]);
            }
        }
        let (lo, hi) = (smaller(lo[0], lo[1]), larger(hi[0], hi[1]));
        let outer = S::KNOTS[S::KNOTS.len() - 1];
        if lo >= -S::INNER && hi <= S::INNER {
            for lane in 0..LANES {
                y[lane] = S::smooth(x[lane], x[lane + 1], x[lane + 2]);
            }
        } else if lo >= outer {
            y.fill(1.0);
        } else if hi <= -outer {
            y.fill(-1.0);
        } else {
            for lane in 0..LANES {
                y[lane] = near_mean::<S>(x[lane], x[lane + 1], x[lane + 2]);
            }
            if !is_near::<S>(lo, hi) {
                far_means::<S>(x, y);
            }
        }
    }
    let x = &x[done..];
    for (y, x) in tail.iter_mut().zip(x.windows(3)) {
        *y = near_mean::<S>(x[0], x[1], x[2]);
    }
    far_means::<S>(x, tail);
}

/// Three samples in order, with the weight of a hat.
pub(crate) struct Hat {
    lo: f64,
    middle: f64,
    hi: f64,
    /// 1 / ((middle − lo)(hi − lo)).
    left: f64,
    /// 1 / ((hi − middle)(hi − lo)).
    right: f64,
}

impl Hat {
    #[inline(always)]
    fn over(a: f64, b: f64, c: f64) -> Self {
        let (low, high) = (smaller(a, b), larger(a, b));
        let (lo, hi) = (smaller(low, c), larger(high, c));
        let middle = larger(low, smaller(high, c));
        // Where one is 0, so is what it is multiplied with.
        let per = |x: f64, y: f64| 1.0 / larger(x * y, 1e-300);
        Self {
            lo,
            middle,
            hi,
            left: per(middle - lo, hi - lo),
            right: per(hi - middle, hi - lo),
        }
    }

    /// Means of (x − knot)² and (x − knot)³, both 0 below the knot. The second antiderivative of the
    /// n-th power is the n+2nd divided by (n + 1)(n + 2); of its divided difference, terms of samples
    /// below the knot are left out, or taken off the whole polynomial, whichever are fewer.
    #[inline(always)]
    fn powers_above(&self, knot: f64) -> (f64, f64) {
        let (a, b, c) = (self.lo - knot, self.middle - knot, self.hi - knot);
        let (sum, product) = (a + b, a * b);
        let (e1, e2, e3) = (sum + c, sum * c + product, product * c);
        let e1_squared = e1 * e1;
        let whole = (e1_squared - e2, e1 * (e1_squared - (e2 + e2)) + e3);

        let (below, above) = (larger(-a, 0.0), larger(c, 0.0));
        let fourth = |x: f64| (x * x) * (x * x);
        let without = fourth(below) * self.left;
        let only = fourth(above) * self.right;
        let beyond = b <= 0.0;
        let square = if beyond { only } else { whole.0 - without };
        let cube = if beyond {
            only * above
        } else {
            whole.1 + without * below
        };
        (square * (1.0 / 6.0), cube * 0.1)
    }
}

/// Whether [`near_mean`] holds for all samples from `lo` to `hi`.
#[inline(always)]
fn is_near<S: Shape>(lo: f64, hi: f64) -> bool {
    let outer = S::KNOTS[S::KNOTS.len() - 1];
    let (small, large) = if -lo > hi { (-hi, -lo) } else { (lo, hi) };
    small >= outer || (small >= -S::INNER && large <= REACH)
}

/// The mean where the samples lie on the same flat, or within reach and not outside both inner knots.
#[inline(always)]
fn near_mean<S: Shape>(a: f64, b: f64, c: f64) -> f64 {
    // The curve is odd: turned so that only upper knots matter.
    let lo = smaller(smaller(a, b), c);
    let hi = larger(larger(a, b), c);
    let sign = if -lo > hi { -1.0 } else { 1.0 };
    let (a, b, c) = (sign * a, sign * b, sign * c);
    let hat = Hat::over(a, b, c);
    let bent = S::smooth(a, b, c) + S::bend(&hat);
    let flat = hat.lo >= S::KNOTS[S::KNOTS.len() - 1];
    sign * if flat { 1.0 } else { bent }
}

/// Replaces the means where [`near_mean`] does not hold.
#[cold]
fn far_means<S: Shape>(x: &[f64], y: &mut [f64]) {
    for (y, x) in y.iter_mut().zip(x.windows(3)) {
        let Hat { lo, middle, hi, .. } = Hat::over(x[0], x[1], x[2]);
        if !is_near::<S>(lo, hi) {
            *y = hat_mean::<S>(lo, middle, hi);
        }
    }
}

#[inline(always)]
fn smaller(a: f64, b: f64) -> f64 {
    if a < b { a } else { b }
}

#[inline(always)]
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
#[multiversion(targets("x86_64+avx2"))]
pub(crate) fn folded(x: &[f64], y: &mut [f64]) {
    for (y, x) in y.iter_mut().zip(&x[1..]) {
        *y = sin_half_pi(*x);
    }
}

#[cfg(test)]
mod tests;
