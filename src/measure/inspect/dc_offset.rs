//! A constant under the waveform: the median of weighted means of 0.4 s (Hann, so that a low note
//! does not pass for it) in the quieter half of the track, which strokes hardly move.

use super::{Sure, found};
use crate::dsp::maths;
use crate::finding::{Finding, FindingKind, Severity};
use crate::units;

/// Length of a mean; the next one begins half of it later.
const MEAN_S: f64 = 0.4;
/// Fewest means in the quieter half.
const FEWEST: usize = 3;
/// Least offset, −66 dBFS, and least ratio to the uncertainty of the median.
const LEAST: f64 = 5.0e-4;
const SIGMAS: f64 = 4.0;
/// Least share of it in the quietest tenth.
const STILL: f64 = 0.5;

#[derive(Clone, Debug)]
pub(super) struct DcOffset {
    weights: Vec<f64>,
    low: Vec<f64>,
    /// Mean and variance of each piece.
    means: Vec<(f32, f32)>,
}

impl DcOffset {
    pub fn new(low_hz: f64) -> Self {
        let n = 2 * (MEAN_S * low_hz / 2.0) as usize;
        let weight =
            |i| (1.0 - maths::cos(std::f64::consts::TAU * (i as f64 + 0.5) / n as f64)) / n as f64;
        Self {
            weights: (0..n).map(weight).collect(),
            low: Vec::with_capacity(n),
            means: Vec::new(),
        }
    }

    /// The next decimated sample.
    pub fn push(&mut self, x: f64) {
        self.low.push(x);
        let n = self.weights.len();
        if self.low.len() < n {
            return;
        }
        let weighted = || self.low.iter().zip(&self.weights);
        let mean: f64 = weighted().map(|(x, w)| x * w).sum();
        let variance: f64 = weighted().map(|(x, w)| (x - mean) * (x - mean) * w).sum();
        self.means.push((mean as f32, variance as f32));
        self.low.drain(..n / 2);
    }

    /// The offset, if it is one.
    fn offset(&self) -> Option<f64> {
        let n = self.means.len().div_ceil(2);
        if n < FEWEST {
            return None;
        }
        let mut sorted = self.means.clone();
        sorted.sort_by(|a, b| a.1.total_cmp(&b.1));
        let quiet: Vec<f32> = sorted[..n].iter().map(|(mean, _)| *mean).collect();
        let centre = median(quiet.clone());
        // the median of absolute deviations estimates sigma, robustly (Rousseeuw and Croux 1993)
        let spread = 1.4826 * median(quiet.iter().map(|m| (m - centre).abs()).collect());
        let uncertainty = f64::from(spread) / (n as f64).sqrt();
        let centre = f64::from(centre);
        // what comes and goes with the strokes is no offset of the converter
        let tenth = self.means.len().div_ceil(10);
        sorted.truncate(tenth.max(2));
        let still = f64::from(median(sorted.iter().map(|(mean, _)| *mean).collect()));
        (centre.abs() > LEAST && centre.abs() > SIGMAS * uncertainty && still / centre > STILL)
            .then_some(centre)
    }
}

fn median(mut values: Vec<f32>) -> f32 {
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f32::total_cmp).1
}

pub(super) fn finding(channels: &[DcOffset]) -> Option<Finding> {
    let worst = |a: &f64, b: &f64| a.abs().total_cmp(&b.abs());
    let offset = channels.iter().filter_map(DcOffset::offset).max_by(worst)?;
    let db = units::ratio_to_db(offset.abs())?;
    let severity = if db > -40.0 {
        Severity::Warning
    } else {
        Severity::Note
    };
    let kind = FindingKind::DcOffset {
        percent: units::round_to(100.0 * offset, 2),
        level_dbfs: units::round_to(db, 1),
    };
    Some(found(kind, severity, Sure::Certain, Vec::new()))
}
