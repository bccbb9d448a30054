//! `high-pass` and `low-pass`: slopes of Butterworth or Linkwitz-Riley shape.
//!
//! A Butterworth filter of order N is N/2 second-order sections of quality `Q_k = 1 / (2 cos θ_k)`,
//! `θ_k = (2k + 1 + N mod 2) π / 2N`, and for odd N one first-order section; a Linkwitz-Riley filter
//! of order 2N is the Butterworth filter of order N twice. Each section is the bilinear transform of
//! its analogue, pre-warped so that the frequency lands exactly: with r = tan(π f₀/rate) / tan(π f/rate)
//! the squared magnitude of a high-pass is `1 / (1 + r^2N)`, and of a low-pass the same of 1/r.
//! All zeros lie at 0 Hz or half the rate exactly, and the sections run from low Q to high Q, so that
//! a low cut at a high rate keeps its shape and its noise floor.
//!
//! Sources: A. V. Oppenheim, R. W. Schafer, "Discrete-Time Signal Processing", 3rd ed., appendix B.1;
//! S. H. Linkwitz, "Active Crossover Networks for Noncoincident Drivers", JAES 24(1), 1976.

use std::f64::consts::PI;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::biquad::{Section, warped};
use super::{Expected, Fault, Settings, between, within};
use crate::dsp::maths;

/// The family of a slope.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Shape {
    /// Flattest pass band, 3.01 dB down at the frequency.
    #[default]
    Butterworth,
    /// Two Butterworth filters in series, 6.02 dB down at the frequency; even orders only.
    LinkwitzRiley,
}

/// A slope's settings: both kinds have the same. `first` and `second` are the numerators of its
/// analogue sections.
macro_rules! pass {
    ($(#[$about:meta])* $name:ident, $first:expr, $second:expr) => {
        $(#[$about])*
        #[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
        #[serde(deny_unknown_fields)]
        pub struct $name {
            /// Where the level is 3.01 dB down (Butterworth), in hertz: above 0 and below half the sample rate.
            pub freq_hz: f64,
            /// 1 to 8; the slope is 6 dB per octave times the order.
            pub order: u8,
            /// The family of the slope.
            #[serde(default, skip_serializing_if = "crate::stage::is_default")]
            pub shape: Shape,
        }

        impl Settings for $name {
            fn freq_hz(&mut self) -> Option<&mut f64> {
                Some(&mut self.freq_hz)
            }

            fn check(&self, rate_hz: f64) -> Vec<Fault> {
                check(self.freq_hz, self.order, self.shape, rate_hz)
            }

            fn sections(&self, rate_hz: f64) -> Option<Vec<Section>> {
                let k = warped(rate_hz, self.freq_hz);
                let section = |damping: Option<f64>| match damping {
                    Some(damping) => Section::second_order($second, [1.0, damping, 1.0], k),
                    None => Section::first_order($first, [1.0, 1.0], k),
                };
                Some(dampings(self.order, self.shape).map(section).collect())
            }
        }
    };
}

pass! {
    /// Takes out what lies below a frequency.
    HighPass, [0.0, 1.0], [0.0, 0.0, 1.0]
}

pass! {
    /// Takes out what lies above a frequency.
    LowPass, [1.0, 0.0], [1.0, 0.0, 0.0]
}

fn check(freq_hz: f64, order: u8, shape: Shape, rate_hz: f64) -> Vec<Fault> {
    let freq = between("freq_hz", freq_hz, 0.0, rate_hz / 2.0);
    let range = within("order", order, 1, 8);
    let odd = shape == Shape::LinkwitzRiley && order % 2 == 1;
    let even = (odd && range.is_none()).then(|| Fault {
        key: "order",
        value: order.to_string(),
        expected: Expected::Other("expected an even number for linkwitz-riley"),
    });
    freq.into_iter().chain(range).chain(even).collect()
}

/// 1/Q of every section, from low Q to high Q; `None` for a first-order section.
fn dampings(order: u8, shape: Shape) -> impl Iterator<Item = Option<f64>> {
    let (order, times) = match shape {
        Shape::Butterworth => (order, 1),
        Shape::LinkwitzRiley => (order / 2, 2),
    };
    let first = (order % 2 == 1).then_some(None);
    let second = (0..order / 2).map(move |k| {
        let theta = PI * f64::from(2 * k + 1 + order % 2) / f64::from(2 * order);
        Some(2.0 * maths::cos(theta))
    });
    first
        .into_iter()
        .chain(second)
        .flat_map(move |damping| std::iter::repeat_n(damping, times))
}
