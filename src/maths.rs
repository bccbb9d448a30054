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

#[cfg(test)]
mod tests {
    use super::*;

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
