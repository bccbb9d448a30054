//! The only sines, exponentials and logarithms that may touch audio or a coefficient.
//!
//! The platform's math library may differ in the last bit from machine to machine, and even choose
//! other code by instruction set at run time; these are the pure-Rust functions of the `libm` crate
//! and give the same bits everywhere. Addition, multiplication, division and square root already do.

pub use libm::{cos, exp, log as ln, log10, pow, sin, sinh, tan};

/// Decibels → amplitude ratio.
pub fn db_to_ratio(db: f64) -> f64 {
    pow(10.0, db / 20.0)
}

/// Amplitude ratio (above 0) → decibels.
pub fn ratio_to_db(ratio: f64) -> f64 {
    20.0 * log10(ratio)
}

/// c₀ + c₁x + c₂x² + …, from the highest power down.
#[inline(always)]
fn polynomial<const N: usize>(x: f64, coefficients: [f64; N]) -> f64 {
    let mut sum = coefficients[N - 1];
    for i in (0..N - 1).rev() {
        sum = coefficients[i] + x * sum;
    }
    sum
}

/// 2ˣ by a polynomial, for gains computed sample by sample: relative error below 1e-11 (1e-10 dB).
/// `x` is held to ±1000. No branch, so that loops over it vectorise.
#[inline]
pub fn fast_exp2(x: f64) -> f64 {
    // Adding and taking off 1.5·2⁵² rounds to the nearest integer, and leaves it in the low bits.
    const ROUND: f64 = 6_755_399_441_055_744.0;
    const LN_2: f64 = std::f64::consts::LN_2;
    let x = x.clamp(-1000.0, 1000.0);
    let rounded = x + ROUND;
    let t = (x - (rounded - ROUND)) * LN_2; // ±0.347
    const INVERSE_FACTORIALS: [f64; 10] = [
        1.0,
        1.0,
        1.0 / 2.0,
        1.0 / 6.0,
        1.0 / 24.0,
        1.0 / 120.0,
        1.0 / 720.0,
        1.0 / 5_040.0,
        1.0 / 40_320.0,
        1.0 / 362_880.0,
    ];
    let series = polynomial(t, INVERSE_FACTORIALS);
    let scale = f64::from_bits(rounded.to_bits().wrapping_add(1023) << 52);
    series * scale
}

/// Logarithm to base 2 by a series, for levels computed sample by sample: absolute error below 1e-10
/// (6e-10 dB). `x` must be a normal number above 0. No branch, so that loops over it vectorise.
#[inline]
pub fn fast_log2(x: f64) -> f64 {
    const SQRT_HALF: u64 = 0x3FE6_A09E_667F_3BCD;
    const TWO_52: u64 = 0x4330_0000_0000_0000;
    const TWO_OVER_LN_2: f64 = 2.0 / std::f64::consts::LN_2;
    // x = m · 2ᵉ with m from √½ to √2; 1024 keeps the exponent's bits above zero.
    let above = x.to_bits().wrapping_add(1024 << 52).wrapping_sub(SQRT_HALF);
    let biased = above >> 52;
    let exponent = f64::from_bits(TWO_52 | biased) - 4_503_599_627_371_520.0; // 2⁵² + 1024
    let m = f64::from_bits((above & ((1 << 52) - 1)) + SQRT_HALF);
    let s = (m - 1.0) / (m + 1.0); // ±0.172
    let q = s * s;
    const INVERSE_ODDS: [f64; 7] = [
        1.0,
        1.0 / 3.0,
        1.0 / 5.0,
        1.0 / 7.0,
        1.0 / 9.0,
        1.0 / 11.0,
        1.0 / 13.0,
    ];
    exponent + TWO_OVER_LN_2 * s * polynomial(q, INVERSE_ODDS)
}

/// sin(πx/2) by a polynomial: absolute error below 1e-11 for |x| to 10⁶. No branch, so that loops
/// over it vectorise.
#[inline]
pub fn sin_half_pi(x: f64) -> f64 {
    const ROUND: f64 = 6_755_399_441_055_744.0;
    const H: f64 = std::f64::consts::FRAC_PI_2;
    const H2: f64 = H * H;
    // x = 2n + t with t in ±1, and sin(π(2n + t)/2) = (−1)ⁿ sin(πt/2): an odd n turns the sign bit.
    let rounded = x * 0.5 + ROUND;
    let t = x - 2.0 * (rounded - ROUND);
    let t = f64::from_bits(t.to_bits() ^ (rounded.to_bits() << 63));
    let q = t * t * H2;
    // Each term of the series is the one before it times −q / (n (n + 1)).
    let mut series = 1.0;
    for divisor in [210.0, 156.0, 110.0, 72.0, 42.0, 20.0, 6.0] {
        series = 1.0 - q * (1.0 / divisor) * series;
    }
    H * t * series
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_fast_forms_keep_their_stated_errors() {
        for i in -40_000..=40_000 {
            let x = f64::from(i) * 0.001_37;
            let (ours, theirs) = (fast_exp2(x), libm::exp2(x));
            assert!((ours / theirs - 1.0).abs() < 1e-11, "2^{x}");
            let (ours, theirs) = (fast_log2(theirs), libm::log2(theirs));
            assert!((ours - theirs).abs() < 1e-10, "log2 2^{x}");
            let theirs = sin(x * std::f64::consts::FRAC_PI_2);
            assert!((sin_half_pi(x) - theirs).abs() < 1e-11, "sin {x} pi/2");
        }
        for x in [1.0, 2.0, 0.5, 1024.0] {
            assert_eq!(fast_log2(x), libm::log2(x));
        }
        assert_eq!(fast_exp2(0.0), 1.0);
        assert_eq!(fast_exp2(-3.0), 0.125);
        assert_eq!(sin_half_pi(0.0), 0.0);
        assert!(fast_exp2(-1e9) > 0.0 && fast_exp2(1e9).is_finite());
        assert!((fast_log2(f64::MIN_POSITIVE) + 1022.0).abs() < 1e-9);
        assert!((fast_log2(f64::MAX) - 1024.0).abs() < 1e-9);
    }

    #[test]
    fn agrees_with_the_platform_to_two_units_in_the_last_place() {
        for i in -2000..2000 {
            let x = f64::from(i) * 0.0173;
            for (ours, theirs) in [
                (sin(x), x.sin()),
                (cos(x), x.cos()),
                (exp(x), x.exp()),
                (db_to_ratio(x), 10f64.powf(x / 20.0)),
            ] {
                assert!(
                    (ours - theirs).abs() <= 2.0 * f64::EPSILON * theirs.abs().max(1e-3),
                    "{x}: {ours} {theirs}"
                );
            }
        }
    }

    #[test]
    fn twenty_decibels_are_a_factor_of_ten() {
        assert_eq!(db_to_ratio(20.0), 10.0);
        assert_eq!(ratio_to_db(10.0), 20.0);
    }
}
