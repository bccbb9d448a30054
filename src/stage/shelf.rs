//! `low-shelf`, `high-shelf` and `tilt`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::biquad::{Section, warped};
use super::{Expected, Fault, Settings, between, matched, within};
use crate::dsp::maths;

/// A shelf's settings: both kinds have the same.
macro_rules! shelf {
    ($(#[$about:meta])* $name:ident, $section:path) => {
        $(#[$about])*
        #[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
        #[serde(deny_unknown_fields)]
        pub struct $name {
            /// Where half the gain is reached, in hertz: above 0 and below half the sample rate.
            pub freq_hz: f64,
            /// Gain of the shelf, −24 to 24 dB.
            pub gain_db: f64,
            /// Quality, 0.1 to 2; above 0.707 the shelf overshoots. Default 0.707.
            #[serde(default, skip_serializing_if = "Option::is_none")]
            pub q: Option<f64>,
            /// Slope, 0.01 to 1, instead of `q`; 1 is the steepest without overshoot.
            #[serde(default, skip_serializing_if = "Option::is_none")]
            pub slope: Option<f64>,
        }

        impl Settings for $name {
            fn freq_hz(&mut self) -> Option<&mut f64> {
                Some(&mut self.freq_hz)
            }

            fn check(&self, rate_hz: f64) -> Vec<Fault> {
                check(self.freq_hz, self.gain_db, self.q, self.slope, rate_hz)
            }

            fn sections(&self, rate_hz: f64) -> Option<Vec<Section>> {
                let damping = damping(self.gain_db, self.q, self.slope);
                let section = $section(rate_hz, self.freq_hz, self.gain_db, damping);
                Some(section.into_iter().collect())
            }
        }
    };
}

shelf! {
    /// Lifts or lowers everything below a frequency.
    LowShelf, low_shelf
}

shelf! {
    /// Lifts or lowers everything above a frequency.
    HighShelf, high_shelf
}

/// Turns the balance about a frequency: lows down and highs up by the same amount, or the reverse.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Tilt {
    /// The frequency that keeps its level, in hertz: above 0 and below half the sample rate.
    pub freq_hz: f64,
    /// Gain far above it, −12 to 12 dB; far below it has the opposite sign.
    pub gain_db: f64,
}

impl Settings for Tilt {
    fn freq_hz(&mut self) -> Option<&mut f64> {
        Some(&mut self.freq_hz)
    }

    fn check(&self, rate_hz: f64) -> Vec<Fault> {
        let freq = between("freq_hz", self.freq_hz, 0.0, rate_hz / 2.0);
        let gain = within("gain_db", self.gain_db, -12.0, 12.0);
        freq.into_iter().chain(gain).collect()
    }

    fn sections(&self, rate_hz: f64) -> Option<Vec<Section>> {
        if self.gain_db == 0.0 {
            return Some(Vec::new());
        }
        let k = warped(rate_hz, self.freq_hz);
        let a = maths::db_to_ratio(self.gain_db.abs());
        let (n, d) = matched::tilt(rate_hz, self.freq_hz, a);
        let (n, d) = if self.gain_db > 0.0 { (n, d) } else { (d, n) };
        let section = Section::first_order([n[0], n[1]], [d[0], d[1]], k);
        Some(vec![section])
    }
}

fn check(
    freq_hz: f64,
    gain_db: f64,
    q: Option<f64>,
    slope: Option<f64>,
    rate_hz: f64,
) -> Vec<Fault> {
    let freq = between("freq_hz", freq_hz, 0.0, rate_hz / 2.0);
    let gain = within("gain_db", gain_db, -24.0, 24.0);
    let of_q = q.and_then(|q| within("q", q, 0.1, 2.0));
    let of_slope = slope.and_then(|slope| within("slope", slope, 0.01, 1.0));
    let both = q.is_some().then_some(slope).flatten().map(|slope| Fault {
        key: "slope",
        value: slope.to_string(),
        expected: Expected::Other("expected one of `q` and `slope`"),
    });
    let faults = freq.into_iter().chain(gain).chain(of_q);
    faults.chain(of_slope).chain(both).collect()
}

/// 1/Q: as given, or from the slope S by the cookbook's `1/Q² = (A + 1/A)(1/S − 1) + 2`.
fn damping(gain_db: f64, q: Option<f64>, slope: Option<f64>) -> f64 {
    let a = maths::db_to_ratio(gain_db / 2.0);
    match (q, slope) {
        (Some(q), _) => 1.0 / q,
        (None, Some(slope)) => ((a + 1.0 / a) * (1.0 / slope - 1.0) + 2.0).sqrt(),
        (None, None) => std::f64::consts::SQRT_2,
    }
}

/// `None` for 0 dB. A cut is the boost turned upside down, so that one undoes the other.
fn low_shelf(rate_hz: f64, freq_hz: f64, gain_db: f64, damping: f64) -> Option<Section> {
    let k = warped(rate_hz, freq_hz);
    let a = maths::db_to_ratio(gain_db.abs() / 2.0);
    let (n, d) = matched::low_shelf(rate_hz, freq_hz, a, damping);
    let (n, d) = if gain_db > 0.0 { (n, d) } else { (d, n) };
    (gain_db != 0.0).then(|| Section::second_order(n, d, k))
}

/// A high shelf is a low shelf of the opposite gain, and that gain.
fn high_shelf(rate_hz: f64, freq_hz: f64, gain_db: f64, damping: f64) -> Option<Section> {
    let mut section = low_shelf(rate_hz, freq_hz, -gain_db, damping)?;
    let gain = maths::db_to_ratio(gain_db);
    section.b = section.b.map(|b| b * gain);
    Some(section)
}
