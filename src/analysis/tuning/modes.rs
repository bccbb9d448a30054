//! Decaying partials in a short piece of sound.
//!
//! ESPRIT (Roy & Kailath, IEEE Trans. ASSP 37(7), 1989): the signal subspace of a Hankel matrix is
//! the same one sample later but for a rotation, whose eigenvalues are the poles. It resolves
//! partials that a Fourier transform of the same length cannot.

use nalgebra::{DMatrix, DVector, Schur, SymmetricEigen};

/// A decaying sine.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Mode {
    pub freq_hz: f64,
    /// Time in which it falls by 60 dB, in seconds.
    pub t60_s: f64,
    /// At the start of the sound, full scale 1.
    pub amplitude: f64,
}

/// ln 10³: from a time constant to the time for 60 dB.
const LN_1000: f64 = 6.907_755_278_982_137;
/// The stick's noise has gone by then, the ring of a dead drum has not.
const RING_FROM_S: f64 = 0.02;
/// No drum rings for longer, seconds for 60 dB.
pub const LONGEST_RING_S: f64 = 6.0;
/// Poles looked for: twelve partials.
const ORDER: usize = 24;
const ROUNDS: usize = 300;
/// Rows of the Hankel matrix, at most: more resolve no more partials, and cost the third power.
const ROWS: usize = 125;

impl Mode {
    /// Whether it behaves as a drum does: 0.03 to 6 s for 60 dB. Hum and tones do not.
    pub fn dies_away(&self) -> bool {
        self.t60_s > 0.03 && self.t60_s < LONGEST_RING_S
    }

    /// How strongly it rings: its energy from [`RING_FROM_S`] on, in decibels.
    pub fn ring_db(&self) -> f64 {
        let damping = (LN_1000 / self.t60_s).max(1.0);
        let energy = self.amplitude * self.amplitude * (-2.0 * damping * RING_FROM_S).exp();
        10.0 * (energy / (2.0 * damping)).max(1e-30).log10()
    }
}

/// Partials of `sound` (at `rate_hz`), by frequency, between 25 Hz and 0.44 of the rate. Nothing for sound that is too short, silent or not finite.
pub(crate) fn modes(sound: &[f64], rate_hz: f64) -> Vec<Mode> {
    poles(sound)
        .and_then(|poles| with_amplitudes(sound, &poles, rate_hz))
        .unwrap_or_default()
        .into_iter()
        .filter(|m| m.freq_hz > 25.0 && m.freq_hz < 0.44 * rate_hz && m.amplitude > 0.0)
        .collect()
}

/// Angle and logarithm of the modulus of the poles with a positive angle, by angle.
fn poles(sound: &[f64]) -> Option<Vec<(f64, f64)>> {
    let rows = (sound.len() * 2 / 5).min(ROWS);
    let columns = (sound.len() + 1).checked_sub(rows)?;
    let order = ORDER.min(rows.checked_sub(2)?);
    let energy: f64 = sound.iter().map(|x| x * x).sum();
    if order < 4 || !energy.is_finite() || energy < 1e-18 {
        return None;
    }
    // covariance of the Hankel matrix; each diagonal follows from the entry before
    let mut covariance = DMatrix::<f64>::zeros(rows, rows);
    for j in 0..rows {
        let mut sum: f64 = (0..columns).map(|k| sound[k] * sound[j + k]).sum();
        covariance[(0, j)] = sum;
        covariance[(j, 0)] = sum;
        for i in 1..rows - j {
            let (a, b) = (i - 1, i - 1 + j);
            sum += sound[a + columns] * sound[b + columns] - sound[a] * sound[b];
            covariance[(i, i + j)] = sum;
            covariance[(i + j, i)] = sum;
        }
    }
    let eigen = SymmetricEigen::try_new(covariance, 1e-13, ROUNDS * rows)?;
    let mut by_size: Vec<usize> = (0..rows).collect();
    by_size.sort_by(|&a, &b| eigen.eigenvalues[b].total_cmp(&eigen.eigenvalues[a]));
    let basis = DMatrix::from_fn(rows, order, |r, c| eigen.eigenvectors[(r, by_size[c])]);
    // least squares: the basis without its last row is orthogonal but for that row
    let upper = basis.rows(0, rows - 1);
    let lower = basis.rows(1, rows - 1);
    let last = basis.row(rows - 1).transpose();
    let rest = 1.0 - last.norm_squared();
    if rest < 1e-9 {
        return None;
    }
    let product = upper.transpose() * lower;
    let correction = &last * (last.transpose() * &product) / rest;
    let rotation = product + correction;
    let schur = Schur::try_new(rotation, 1e-13, ROUNDS * order)?;
    let mut poles: Vec<(f64, f64)> = schur
        .complex_eigenvalues()
        .iter()
        .map(|z| (z.im.atan2(z.re), z.re.hypot(z.im)))
        .filter(|(angle, size)| *angle > 1e-6 && *size > 0.5 && *size < 1.02)
        .map(|(angle, size)| (angle, size.ln()))
        .collect();
    poles.sort_by(|a, b| a.0.total_cmp(&b.0));
    Some(poles)
}

/// Amplitudes by least squares.
fn with_amplitudes(sound: &[f64], poles: &[(f64, f64)], rate_hz: f64) -> Option<Vec<Mode>> {
    let matrix = DMatrix::from_fn(sound.len(), poles.len() * 2, |n, c| {
        let (angle, log_size) = poles[c / 2];
        let n = n as f64;
        let phase = if c % 2 == 0 {
            0.0
        } else {
            std::f64::consts::FRAC_PI_2
        };
        (log_size * n).exp() * (angle * n - phase).cos()
    });
    let right = matrix.transpose() * DVector::from_column_slice(sound);
    let mut normal = matrix.transpose() * &matrix;
    let ridge = 1e-9 * normal.trace() / normal.nrows().max(1) as f64;
    for i in 0..normal.nrows() {
        normal[(i, i)] += ridge;
    }
    let solution = normal.cholesky()?.solve(&right);
    Some(
        poles
            .iter()
            .enumerate()
            .map(|(i, &(angle, log_size))| Mode {
                freq_hz: angle * rate_hz / std::f64::consts::TAU,
                // a pole that grows is one that does not decay within the window
                t60_s: LN_1000 / (-log_size * rate_hz).max(1e-3),
                amplitude: solution[2 * i].hypot(solution[2 * i + 1]),
            })
            .collect(),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_clean_partials_are_found_to_a_thousandth_of_a_hertz() {
        let rate = 2400.0;
        let sound: Vec<f64> = (0..312)
            .map(|i| {
                let t = f64::from(i) / rate;
                0.5 * (-LN_1000 * t / 0.4).exp() * (std::f64::consts::TAU * 201.3 * t).sin()
                    + 0.2 * (-LN_1000 * t / 0.2).exp() * (std::f64::consts::TAU * 330.7 * t).cos()
            })
            .collect();
        let found = modes(&sound, rate);
        for (freq, t60, amplitude) in [(201.3, 0.4, 0.5), (330.7, 0.2, 0.2)] {
            let mode = found
                .iter()
                .find(|m| (m.freq_hz - freq).abs() < 1e-3)
                .expect("the partial");
            assert!((mode.t60_s - t60).abs() < 1e-3, "{mode:?}");
            assert!((mode.amplitude - amplitude).abs() < 1e-4, "{mode:?}");
        }
    }

    #[test]
    fn nothing_comes_of_nothing() {
        assert!(modes(&[], 2400.0).is_empty());
        assert!(modes(&[0.1; 7], 2400.0).is_empty());
        assert!(modes(&[0.0; 312], 2400.0).is_empty());
        assert!(modes(&[f64::NAN; 312], 2400.0).is_empty());
    }
}
