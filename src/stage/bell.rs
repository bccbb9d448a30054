//! `peak` and `notch`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::biquad::{Section, warped};
use super::{Fault, Settings, between, matched, within};
use crate::dsp::maths;

/// Lifts or lowers the surroundings of a frequency.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Peak {
    /// Centre, in hertz: above 0 and below half the sample rate.
    pub freq_hz: f64,
    /// Gain at the centre, −24 to 24 dB.
    pub gain_db: f64,
    /// Quality, 0.1 to 40: centre divided by the width between the points of half the gain in dB.
    pub q: f64,
}

/// Takes one frequency out.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Notch {
    /// Centre, in hertz: above 0 and below half the sample rate.
    pub freq_hz: f64,
    /// Quality, 0.1 to 200: centre divided by the width between the −3.01 dB points.
    pub q: f64,
}

impl Settings for Peak {
    fn freq_hz(&mut self) -> Option<&mut f64> {
        Some(&mut self.freq_hz)
    }

    fn check(&self, rate_hz: f64) -> Vec<Fault> {
        let freq = between("freq_hz", self.freq_hz, 0.0, rate_hz / 2.0);
        let gain = within("gain_db", self.gain_db, -24.0, 24.0);
        let q = within("q", self.q, 0.1, 40.0);
        freq.into_iter().chain(gain).chain(q).collect()
    }

    fn sections(&self, rate_hz: f64) -> Option<Vec<Section>> {
        if self.gain_db == 0.0 {
            return Some(Vec::new());
        }
        let k = warped(rate_hz, self.freq_hz);
        let a = maths::db_to_ratio(self.gain_db.abs() / 2.0);
        let damping = 1.0 / (a * self.q);
        let (n, d) = matched::bell(rate_hz, self.freq_hz, a * a * a * a, damping);
        // A cut is the boost turned upside down, so that one undoes the other.
        let (n, d) = if self.gain_db > 0.0 { (n, d) } else { (d, n) };
        Some(vec![Section::second_order(n, d, k)])
    }
}

impl Settings for Notch {
    fn freq_hz(&mut self) -> Option<&mut f64> {
        Some(&mut self.freq_hz)
    }

    fn check(&self, rate_hz: f64) -> Vec<Fault> {
        let freq = between("freq_hz", self.freq_hz, 0.0, rate_hz / 2.0);
        let q = within("q", self.q, 0.1, 200.0);
        freq.into_iter().chain(q).collect()
    }

    fn sections(&self, rate_hz: f64) -> Option<Vec<Section>> {
        let k = warped(rate_hz, self.freq_hz);
        let (n, d) = matched::bell(rate_hz, self.freq_hz, 0.0, 1.0 / self.q);
        Some(vec![Section::second_order(n, d, k)])
    }
}
