//! Bells, shelves and tilts that follow their analogue curve up to the top of the band.
//!
//! The bilinear transform alone squeezes all frequencies up to infinity below half the rate, so that
//! a bell at 12 kHz loses its upper skirt. Here a squared magnitude is written as a ratio of
//! polynomials in u = (tan(π f/rate) / tan(π f₀/rate))², which is what any digital section has, and
//! its coefficients follow from linear equations: equal to the analogue curve, a ratio in v = (f/f₀)²,
//! at 0 Hz, at f₀ (for a bell with level tangent) and at two or three more frequencies. Those are
//! taken from a short list: the set that stays closest to the analogue curve up to 20 kHz (or 0.4535
//! of the rate, where that is less). The bilinear transform is always on the list, so there is always
//! an answer. Roots are taken such that poles and zeros lie inside the unit circle.
//!
//! The largest deviations up to 18 kHz, for gains to ±12 dB and f₀ to 16 kHz: bells and shelves 0.27 dB
//! at 44.1 kHz, 0.25 dB at 48 kHz and 0.03 dB at 96 kHz; notches and tilts 0.5, 0.35 and 0.02 dB
//! (tests/it/stages.rs, tests/cross/filters.py). Matching magnitudes instead of transforming poles and zeros is
//! S. J. Orfanidis's idea ("Digital Parametric Equalizer Design with Prescribed Nyquist-Frequency
//! Gain", JAES 45(6), 1997); the analogue curves are those of R. Bristow-Johnson, "Audio EQ Cookbook"
//! (W3C Note, 2021).

use super::biquad::warped;
use crate::dsp::maths;

/// `(n0 + n1 s + n2 s²) / (d0 + d1 s + d2 s²)`, for [`super::Section::second_order`].
pub type Ratio = ([f64; 3], [f64; 3]);

/// The squared magnitude of a [`Ratio`]: polynomials in u.
type Power = ([f64; 3], [f64; 3]);

/// `p0 + p1 u + p2 u²`.
fn at(p: [f64; 3], u: f64) -> f64 {
    p[0] + u * (p[1] + u * p[2])
}

/// The squared magnitude of a polynomial in s at s² = −u.
fn square([p0, p1, p2]: [f64; 3]) -> [f64; 3] {
    [p0 * p0, p1 * p1 - 2.0 * p0 * p2, p2 * p2]
}

/// The polynomial in s whose squared magnitude is `p`, all coefficients positive; `None` where `p`
/// is no squared magnitude.
fn root(p: [f64; 3]) -> Option<[f64; 3]> {
    let (first, last) = (p[0].sqrt(), p[2].sqrt());
    let middle = (p[1] + 2.0 * first * last).sqrt();
    let all = [first, middle, last];
    all.iter().all(|x| x.is_finite()).then_some(all) // the root of a negative number is NaN
}

/// A curve to be met, and how far it is from being met.
struct Target<'a> {
    rate_hz: f64,
    freq_hz: f64,
    /// The analogue squared magnitude at v.
    power: &'a dyn Fn(f64) -> f64,
    /// Where a candidate is compared with it: u and the squared magnitude there.
    marks: Vec<(f64, f64)>,
}

impl<'a> Target<'a> {
    /// `q` says how narrow the curve is.
    fn new(rate_hz: f64, freq_hz: f64, q: f64, power: &'a dyn Fn(f64) -> f64) -> Self {
        let mut target = Self {
            rate_hz,
            freq_hz,
            power,
            marks: Vec::new(),
        };
        let top = (0.4535 * rate_hz).min(20_000.0);
        let band = (0..24).map(|i| top * maths::pow(0.75, f64::from(i)));
        let near = [0.1, 0.25, 0.5, 1.0, 2.0, 4.0].map(|x| x / q);
        let skirts = near
            .into_iter()
            .flat_map(|x| [freq_hz / (1.0 + x), freq_hz * (1.0 + x)]);
        let marks = band.chain(skirts).filter(|&hz| hz <= top);
        let marks = marks.map(|hz| target.point(hz));
        target.marks = marks.filter(|&(_, wanted)| wanted > 1e-6).collect(); // not inside a notch
        target
    }

    /// A frequency's u, and the squared magnitude wanted there.
    fn point(&self, hz: f64) -> (f64, f64) {
        let tan = warped(self.rate_hz, hz) / warped(self.rate_hz, self.freq_hz);
        let v = hz / self.freq_hz;
        (tan * tan, (self.power)(v * v))
    }

    /// Frequencies at parts of the way from 0 to f₀.
    fn below<const N: usize>(&self, parts: [f64; N]) -> [f64; N] {
        parts.map(|part| self.freq_hz * part)
    }

    /// Frequencies at parts of the way from f₀ to half the rate.
    fn above<const N: usize>(&self, parts: [f64; N]) -> [f64; N] {
        parts.map(|part| self.freq_hz + (self.rate_hz / 2.0 - self.freq_hz) * part)
    }

    /// The closest of `safe`, the bilinear transform, and all candidates that are stable.
    fn closest(&self, safe: Ratio, candidates: impl Iterator<Item = Power>) -> Ratio {
        let degree = if safe.1[2] == 0.0 { 1 } else { 2 };
        let mut best = self.worst(square(safe.0), square(safe.1));
        let mut ratio = safe;
        for (n, d) in candidates {
            if let (Some(n_root), Some(d_root)) = (root(n), root(d)) {
                let worst = self.worst(n, d);
                if worst < best && d_root[..=degree].iter().all(|&x| x > 0.0) {
                    best = worst;
                    ratio = (n_root, d_root);
                }
            }
        }
        ratio
    }

    /// The largest factor between the curve and what was wanted.
    fn worst(&self, n: [f64; 3], d: [f64; 3]) -> f64 {
        let apart = |&(u, wanted): &(f64, f64)| {
            let factor = at(n, u) / (at(d, u) * wanted);
            factor.max(1.0 / factor)
        };
        self.marks.iter().map(apart).fold(1.0, f64::max)
    }
}

/// A bell of squared gain `g2` (0: a notch) at f₀ whose analogue form has the denominator
/// `1 + damping s + s²`. The numerator is exactly `1 + s²` for a notch.
///
/// With N(u) = G² D(u) + (1 − G²)(u − 1)² gain and level tangent at f₀ are exact whatever D is; the
/// analogue curve obeys the same in v, and D follows from two points.
pub fn bell(rate_hz: f64, freq_hz: f64, g2: f64, damping: f64) -> Ratio {
    let bilinear = [1.0, damping, 1.0];
    let analogue = |v: f64| at(square(bilinear), v);
    let power = |v: f64| g2 + (1.0 - g2) * (v - 1.0) * (v - 1.0) / analogue(v);
    let target = Target::new(rate_hz, freq_hz, 1.0 / damping, &power);
    let of_denominator = |d1: f64, d2: f64| {
        let n = [1.0, g2 * (2.0 + d1) - 2.0, 1.0 + g2 * (d2 - 1.0)];
        (n, [1.0, d1, d2])
    };
    // (D(u) − 1) / u = d1 + d2 u at a point
    let line = |hz: f64| {
        let (u, _) = target.point(hz);
        let v = (hz / freq_hz) * (hz / freq_hz);
        let stretch = (u - 1.0) / (v - 1.0);
        (u, (analogue(v) * stretch * stretch - 1.0) / u)
    };
    let below = target
        .below([0.125, 0.25, 0.4, 0.55, 0.67, 0.8, 0.9, 0.97])
        .map(line);
    let above = target
        .above([0.03, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9])
        .map(line);
    let pairs = below
        .iter()
        .flat_map(|&a| above.iter().map(move |&b| (a, b)));
    let candidates = pairs.map(|((ua, ya), (ub, yb))| {
        let d2 = (yb - ya) / (ub - ua);
        of_denominator(ya - d2 * ua, d2)
    });
    let middle = g2.sqrt() * damping;
    target.closest(([1.0, middle, 1.0], bilinear), candidates)
}

/// A low shelf that lifts by `a`² (`a` above 1), with `damping` = 1/Q.
pub fn low_shelf(rate_hz: f64, freq_hz: f64, a: f64, damping: f64) -> Ratio {
    let r = a.sqrt() * damping;
    let bilinear = ([a * a, a * r, a], [1.0, r, a]);
    let low = a * a * a * a;
    let power = |v: f64| at(square(bilinear.0), v) / at(square(bilinear.1), v);
    let target = Target::new(rate_hz, freq_hz, 1.0 / damping, &power);
    let below = target.below([0.25, 0.5, 0.7]);
    let above = target.above([0.15, 0.3, 0.5, 0.7, 0.85]);
    let rows: Vec<[f64; 5]> = std::iter::once(freq_hz)
        .chain(below)
        .chain(above)
        .map(|hz| {
            // N(u) = wanted D(u), divided by u (1 + u)
            let (u, wanted) = target.point(hz);
            let right = (wanted - low) / u;
            [1.0, u, -wanted, -wanted * u, right].map(|x| x / (1.0 + u))
        })
        .collect();
    let others = 1..rows.len();
    let triples = others.clone().flat_map(|i| {
        let rest = i + 1..rows.len();
        rest.clone()
            .flat_map(move |j| (j + 1..rest.end).map(move |k| [0, i, j, k]))
    });
    let candidates = triples.filter_map(|set| {
        let [n1, n2, d1, d2] = solve(set.map(|i| rows[i]))?;
        Some(([low, n1, n2], [1.0, d1, d2]))
    });
    target.closest(bilinear, candidates)
}

/// A first-order tilt that lifts the highs by `a` (above 1) and lowers the lows as much:
/// `(1 + a s) / (a + s)`.
pub fn tilt(rate_hz: f64, freq_hz: f64, a: f64) -> Ratio {
    let low = 1.0 / (a * a);
    let power = |v: f64| (low + v) / (1.0 + low * v);
    let target = Target::new(rate_hz, freq_hz, 1.0, &power);
    // 0 dB at u = 1 is n1 = 1 + d1 − low
    let of_denominator = |d1: f64| ([low, 1.0 + d1 - low, 0.0], [1.0, d1, 0.0]);
    let above = target.above([0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9]);
    let candidates = above.map(|hz| {
        let (u, wanted) = target.point(hz);
        of_denominator((wanted - low - u * (1.0 - low)) / (u * (1.0 - wanted)))
    });
    target.closest(([1.0, a, 0.0], [a, 1.0, 0.0]), candidates.into_iter())
}

/// Four equations, right side last, by elimination with pivots; `None` where they are singular.
fn solve(mut rows: [[f64; 5]; 4]) -> Option<[f64; 4]> {
    for i in 0..4 {
        let pivot = (i..4).max_by(|&a, &b| rows[a][i].abs().total_cmp(&rows[b][i].abs()))?;
        rows.swap(i, pivot);
        let head = rows[i];
        for row in &mut rows[i + 1..] {
            let factor = row[i] / head[i];
            for (x, h) in row.iter_mut().zip(head) {
                *x -= factor * h;
            }
        }
    }
    let mut x = [0.0; 4];
    for i in (0..4).rev() {
        let known: f64 = (i + 1..4).map(|j| rows[i][j] * x[j]).sum();
        x[i] = (rows[i][4] - known) / rows[i][i];
    }
    x.iter().all(|x| x.is_finite()).then_some(x)
}
