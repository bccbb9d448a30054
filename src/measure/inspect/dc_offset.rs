//! A constant under the waveform: the median of the means of 0.1 s in the quieter half of the track,
//! which strokes hardly move.

use super::{Sure, found};
use crate::finding::{Code, Finding, Severity};
use crate::measure::lanes;
use crate::units;

/// 10 ms pieces in one mean.
const PIECES: usize = 10;
/// Fewest means.
const FEWEST: usize = 5;
/// Least offset, −66 dBFS, and least ratio to the uncertainty of the median.
const LEAST: f64 = 5.0e-4;
const SIGMAS: f64 = 4.0;

#[derive(Clone, Debug, Default)]
pub(super) struct DcOffset {
    pieces: usize,
    frames: usize,
    sum: f64,
    squares: f64,
    /// Mean and variance of each 0.1 s.
    means: Vec<(f32, f32)>,
}

impl DcOffset {
    pub fn tick(&mut self, samples: &[f64], whole: bool) {
        if !whole {
            return;
        }
        let (sum, squares) = lanes::sums(samples);
        self.sum += sum;
        self.squares += squares;
        self.frames += samples.len();
        self.pieces += 1;
        if self.pieces == PIECES {
            let mean = self.sum / self.frames as f64;
            let variance = self.squares / self.frames as f64 - mean * mean;
            self.means.push((mean as f32, variance as f32));
            (self.pieces, self.frames, self.sum, self.squares) = (0, 0, 0.0, 0.0);
        }
    }

    /// The offset, if it is one.
    fn offset(&self) -> Option<f64> {
        let n = self.means.len().div_ceil(2);
        if n < FEWEST {
            return None;
        }
        let mut quiet = self.means.clone();
        quiet.select_nth_unstable_by(n - 1, |a, b| a.1.total_cmp(&b.1));
        let quiet: Vec<f32> = quiet[..n].iter().map(|(mean, _)| *mean).collect();
        let centre = median(quiet.clone());
        // the median of absolute deviations estimates sigma, robustly (Rousseeuw and Croux 1993)
        let spread = 1.4826 * median(quiet.iter().map(|m| (m - centre).abs()).collect());
        let uncertainty = f64::from(spread) / (n as f64).sqrt();
        let centre = f64::from(centre);
        (centre.abs() > LEAST && centre.abs() > SIGMAS * uncertainty).then_some(centre)
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
    let message = format!(
        "a DC offset of {:+.2} % of full scale ({db:.1} dBFS) throughout: a high-pass removes it",
        100.0 * offset
    );
    let severity = if db > -40.0 {
        Severity::Warning
    } else {
        Severity::Note
    };
    Some(found(
        Code::DcOffset,
        severity,
        Sure::Certain,
        message,
        Vec::new(),
    ))
}
