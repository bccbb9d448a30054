//! How two mics of one drum add up, frequency by frequency: what a decision on their sum needs,
//! whatever their chains do to phase and level.

use realfft::num_complex::Complex;
use serde::{Deserialize, Serialize};

/// The lowest and the highest frequency that is kept, in hertz.
pub(crate) const KEPT_HZ: (f64, f64) = (30.0, 630.0);

/// Two mics at one frequency, summed over strokes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Together {
    /// In hertz.
    pub hz: f64,
    /// Energy of the first.
    pub first: f64,
    /// Energy of the second.
    pub second: f64,
    /// Mean product of the conjugate of the first with the second: real and imaginary part.
    pub common: (f64, f64),
}

/// Of two spectra of one stroke, whose bins lie `step_hz` apart.
pub(crate) fn of_stroke(a: &[Complex<f64>], b: &[Complex<f64>], step_hz: f64) -> Vec<Together> {
    let bins = a.iter().zip(b).enumerate();
    bins.map(|(k, (a, b))| {
        let common = a.conj() * b;
        Together {
            hz: k as f64 * step_hz,
            first: a.norm_sqr(),
            second: b.norm_sqr(),
            common: (common.re, common.im),
        }
    })
    .filter(|bin| (KEPT_HZ.0..=KEPT_HZ.1).contains(&bin.hz))
    .collect()
}

/// Adds the strokes of one list of bins to another; an empty one has none yet.
pub(crate) fn pool(all: &mut Vec<Together>, more: &[Together]) {
    if all.is_empty() {
        all.extend_from_slice(more);
        return;
    }
    for (sum, bin) in all.iter_mut().zip(more) {
        sum.first += bin.first;
        sum.second += bin.second;
        sum.common.0 += bin.common.0;
        sum.common.1 += bin.common.1;
    }
}

/// How much louder two mics are together than the sum of their powers, in decibels, between two
/// frequencies: as they are, and with the second one inverted. `chains`: the complex response of what
/// each goes through at a frequency. `None` without sound there.
pub fn sum_gain_db(
    bins: &[Together],
    (low_hz, high_hz): (f64, f64),
    chains: impl Fn(f64) -> [Complex<f64>; 2],
) -> Option<[f64; 2]> {
    let (mut powers, mut cross) = (0.0, 0.0);
    for bin in bins.iter().filter(|b| (low_hz..=high_hz).contains(&b.hz)) {
        let [first, second] = chains(bin.hz);
        let common = Complex::new(bin.common.0, bin.common.1);
        powers += first.norm_sqr() * bin.first + second.norm_sqr() * bin.second;
        cross += 2.0 * (first.conj() * second * common).re;
    }
    let db = |sum: f64| 10.0 * (sum / powers).max(1e-3).log10();
    (powers > 0.0 && cross.is_finite()).then(|| [db(powers + cross), db(powers - cross)])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bins(second: Complex<f64>) -> Vec<Together> {
        let first = vec![Complex::new(1.0, 0.5); 100];
        let second: Vec<_> = first.iter().map(|a| a * second).collect();
        of_stroke(&first, &second, 10.0)
    }

    fn plain(_: f64) -> [Complex<f64>; 2] {
        [Complex::new(1.0, 0.0); 2]
    }

    #[test]
    fn two_alike_gain_3_db_opposed_ones_cancel_and_a_quarter_cycle_does_neither() {
        let one = Complex::new(1.0, 0.0);
        let gain = |second| sum_gain_db(&bins(second), (40.0, 120.0), plain).unwrap();
        // |1 + 1|² over 1 + 1
        assert!((gain(one)[0] - 3.0103).abs() < 1e-4);
        assert!((gain(-one)[1] - 3.0103).abs() < 1e-4 && gain(-one)[0] <= -30.0);
        let quarter = gain(Complex::new(0.0, 1.0));
        assert!(quarter.iter().all(|db| db.abs() < 1e-9));
        // a chain that turns the second by half a cycle turns the verdict
        let turned = |_: f64| [one, -one];
        let found = sum_gain_db(&bins(one), (40.0, 120.0), turned).unwrap();
        assert!(found[0] <= -30.0 && (found[1] - 3.0103).abs() < 1e-4);
        // at half the level: (1 + 0.5)² over 1 + 0.25
        let half = |_: f64| [one, 0.5 * one];
        let found = sum_gain_db(&bins(one), (40.0, 120.0), half).unwrap();
        assert!((found[0] - 10.0 * (2.25f64 / 1.25).log10()).abs() < 1e-9);
        assert_eq!(sum_gain_db(&bins(one), (1.0, 2.0), plain), None);
    }

    #[test]
    fn strokes_are_pooled_by_their_energy() {
        let one = Complex::new(1.0, 0.0);
        let mut all = Vec::new();
        pool(&mut all, &bins(one));
        pool(&mut all, &bins(-one));
        let found = sum_gain_db(&all, (40.0, 120.0), plain).unwrap();
        assert!(found.iter().all(|db| db.abs() < 1e-9), "{found:?}");
    }
}
