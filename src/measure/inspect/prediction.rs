//! Linear prediction: what a sample cannot be told from the ones before it stands out.
//! Autocorrelation method with the Levinson-Durbin recursion (Makhoul, Proc. IEEE 63, 1975).

use multiversion::multiversion;

/// Order of the predictor.
pub(super) const ORDER: usize = 24;

/// A Hann window of `n` samples.
pub(super) fn window(n: usize) -> Vec<f64> {
    let weight =
        |i| 0.5 - 0.5 * crate::dsp::maths::cos(std::f64::consts::TAU * i as f64 / n as f64);
    (0..n).map(weight).collect()
}

/// Coefficients a[1..=ORDER] of the prediction-error filter x[n] + Σ a[k]·x[n−k], for samples that
/// are weighted by `window` first, which is as long; `None` for silence.
pub(super) fn predictor(samples: &[f64], window: &[f64]) -> Option<[f64; ORDER]> {
    let windowed: Vec<f64> = samples.iter().zip(window).map(|(x, w)| x * w).collect();
    let mut r = autocorrelation(&windowed);
    if r[0] < 1e-14 {
        return None;
    }
    r[0] *= 1.0 + 1e-9; // as if a noise 90 dB below were added: keeps the recursion stable
    let mut a = [0.0; ORDER + 1];
    a[0] = 1.0;
    let mut error = r[0];
    for order in 1..=ORDER {
        let sum: f64 = (0..order).map(|k| a[k] * r[order - k]).sum();
        let reflection = -sum / error;
        let before = a;
        for k in 1..=order {
            a[k] = before[k] + reflection * before[order - k];
        }
        error *= 1.0 - reflection * reflection;
    }
    let mut taps = [0.0; ORDER];
    taps.copy_from_slice(&a[1..]);
    Some(taps)
}

/// Lags 0 to `ORDER`, eight side by side.
#[multiversion(targets("x86_64+avx2"))]
fn autocorrelation(x: &[f64]) -> [f64; ORDER + 1] {
    const LANES: usize = 8;
    let mut padded = x.to_vec();
    padded.resize(x.len() + ORDER + LANES, 0.0);
    let mut r = [0.0; ORDER + 1];
    for first in (0..=ORDER).step_by(LANES) {
        let mut sums = [0.0; LANES];
        for (value, ahead) in x.iter().zip(padded[first..].array_windows::<LANES>()) {
            for lane in 0..LANES {
                sums[lane] += value * ahead[lane];
            }
        }
        for (r, sum) in r[first..].iter_mut().zip(sums) {
            *r = sum;
        }
    }
    r
}

/// The prediction error of `samples[ORDER..]`.
#[multiversion(targets("x86_64+avx2"))]
pub(super) fn residual(taps: &[f64; ORDER], samples: &[f64]) -> Vec<f64> {
    let predicted = samples.get(ORDER..).unwrap_or_default();
    let mut sums = vec![0.0; predicted.len()];
    for (k, tap) in taps.iter().enumerate() {
        for (sum, x) in sums.iter_mut().zip(samples.iter().skip(ORDER - 1 - k)) {
            *sum += tap * x;
        }
    }
    for (error, x) in sums.iter_mut().zip(predicted) {
        *error += x;
    }
    sums
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::random::Random;

    #[test]
    fn a_resonance_in_noise_is_predicted_down_to_the_noise() {
        let mut random = Random::new(1);
        let (mut y1, mut y2) = (0.0, 0.0);
        let mut noise = Vec::new();
        let x: Vec<f64> = (0..4096)
            .map(|_| {
                noise.push(random.normal(1.0));
                let y = noise[noise.len() - 1] + 1.8 * y1 - 0.95 * y2;
                (y2, y1) = (y1, y);
                y
            })
            .collect();
        let taps = predictor(&x, &window(x.len())).unwrap();
        assert!(
            (taps[0] + 1.8).abs() < 0.1 && (taps[1] - 0.95).abs() < 0.15,
            "{taps:?}"
        );
        let rest = residual(&taps, &x);
        let power = |v: &[f64]| v.iter().map(|x| x * x).sum::<f64>() / v.len() as f64;
        assert!((power(&rest) / power(&noise) - 1.0).abs() < 0.1);
    }

    #[test]
    fn the_residual_is_the_plain_one() {
        let mut random = Random::new(2);
        let x: Vec<f64> = (0..90).map(|_| random.normal(1.0)).collect();
        let taps = std::array::from_fn(|_| random.normal(1.0));
        for length in [0, 5, ORDER, ORDER + 1, ORDER + 8, 90] {
            let found = residual(&taps, &x[..length]);
            let plain = |n: usize| {
                let sum: f64 = (0..ORDER).map(|k| taps[k] * x[n - 1 - k]).sum();
                x[n] + sum
            };
            let want: Vec<f64> = (ORDER..length).map(plain).collect();
            assert_eq!(found, want, "{length}");
        }
    }

    #[test]
    fn the_autocorrelation_is_the_plain_one() {
        let x = [1.0, -2.0, 3.0, 0.5, 4.0, -1.0, 2.0];
        let r = autocorrelation(&x);
        for (lag, got) in r.iter().enumerate() {
            let want: f64 = x.iter().zip(x.iter().skip(lag)).map(|(a, b)| a * b).sum();
            assert_eq!(*got, want, "{lag}");
        }
    }
}
