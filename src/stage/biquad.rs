//! [`Section`] and [`Cascade`]: what every filter of this crate consists of.
//!
//! - Shape: sections in series, every channel alone, in place; transposed direct form 2 in `f64`;
//!   latency 0. The bits do not depend on how the stream is cut, nor on how sections are grouped.
//! - A state below 1e-30 (−600 dBFS) becomes 0 at every 64th frame, counted from the start of the
//!   track, so that no filter rings on in denormal numbers; a state that is not finite becomes 0 too.
//!
//! Coefficients are computed here with [`crate::maths`], since they decide every bit that comes out;
//! those of the `biquad` crate come from `num-traits`, which calls the platform's sine wherever any
//! other crate switches its `std` on. Its runner is plain arithmetic: one sample at a time, as in a
//! detector, `DirectForm2Transposed::new(section.into())` gives the bits of a [`Cascade`]; the tests
//! hold both against each other.

use std::f64::consts::PI;

use super::{Running, Settings};
use crate::block::Block;
use crate::maths;

/// `(b0 + b1 z⁻¹ + b2 z⁻²) / (1 + a1 z⁻¹ + a2 z⁻²)`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Section {
    /// b0, b1, b2.
    pub b: [f64; 3],
    /// a1, a2.
    pub a: [f64; 2],
}

impl From<Section> for biquad::Coefficients<f64> {
    fn from(Section { b, a }: Section) -> Self {
        Self {
            b0: b[0],
            b1: b[1],
            b2: b[2],
            a1: a[0],
            a2: a[1],
        }
    }
}

/// tan(π f / rate): where the bilinear transform finds an analogue frequency. Frequencies closer to
/// 0 or to half the rate than a ten-millionth of the rate act as that: beyond, poles would fall on
/// the unit circle.
pub fn warped(rate_hz: f64, freq_hz: f64) -> f64 {
    maths::tan(PI * (freq_hz / rate_hz).clamp(1e-7, 0.5 - 1e-7))
}

impl Section {
    /// The bilinear transform of `(n0 + n1 s + n2 s²) / (d0 + d1 s + d2 s²)`, whose s = j falls on
    /// the frequency that `k` is the [`warped`] value of. Stable where all d are above 0.
    pub fn second_order(n: [f64; 3], d: [f64; 3], k: f64) -> Self {
        let z = |p: [f64; 3]| {
            let (p0, p1) = (p[0] * k * k, p[1] * k);
            [p0 + p1 + p[2], 2.0 * (p0 - p[2]), p0 - p1 + p[2]]
        };
        let a = z(d);
        Self {
            b: z(n).map(|b| b / a[0]),
            a: [a[1] / a[0], a[2] / a[0]],
        }
    }

    /// The same of `(n0 + n1 s) / (d0 + d1 s)`.
    pub fn first_order(n: [f64; 2], d: [f64; 2], k: f64) -> Self {
        let z = |p: [f64; 2]| [p[0] * k + p[1], p[0] * k - p[1]];
        let (b, a) = (z(n), z(d));
        Self {
            b: [b[0] / a[0], b[1] / a[0], 0.0],
            a: [a[1] / a[0], 0.0],
        }
    }

    /// Squared magnitude at φ = sin²(w/2), w = 2π f / rate. In φ nothing cancels at low frequencies.
    fn power(&self, phi: f64) -> f64 {
        let of = |p0: f64, p1: f64, p2: f64| {
            let sum = p0 + p2 + p1;
            sum * sum - 4.0 * phi * (p1 * (p0 + p2) + 4.0 * p0 * p2 - 4.0 * phi * p0 * p2)
        };
        let [b0, b1, b2] = self.b;
        of(b0, b1, b2) / of(1.0, self.a[0], self.a[1])
    }
}

/// Magnitude of sections in series, in dB, −300 at least (a notch has −∞ at its centre).
pub fn magnitude_db(sections: &[Section], rate_hz: f64, freq_hz: f64) -> f64 {
    let sin = maths::sin(PI * freq_hz / rate_hz);
    let db = |s: &Section| 10.0 * maths::log10(s.power(sin * sin).max(1e-30));
    sections.iter().map(db).sum::<f64>().max(-300.0)
}

/// Sections at work on one track.
pub struct Cascade {
    sections: Vec<Section>,
    /// Two numbers a section, one vector a channel.
    states: Vec<Vec<[f64; 2]>>,
    /// Frames since the start of the track.
    frame: u64,
}

/// States are tidied at multiples of this.
const TIDY_EVERY: u64 = 64;

impl Cascade {
    /// The sections of a stage that consists of nothing else.
    pub fn start(stage: &dyn Settings, rate_hz: f64, channels: usize) -> Self {
        Self::new(stage.sections(rate_hz).unwrap_or_default(), channels)
    }

    /// The sections in series, at rest.
    pub fn new(sections: Vec<Section>, channels: usize) -> Self {
        let states = vec![vec![[0.0; 2]; sections.len()]; channels];
        Self {
            sections,
            states,
            frame: 0,
        }
    }
}

impl Running for Cascade {
    fn process(&mut self, block: &mut Block) {
        let frames = block.frames();
        let mut from = 0;
        while from < frames {
            let phase = (self.frame % TIDY_EVERY) as usize;
            let to = frames.min(from + TIDY_EVERY as usize - phase);
            for (samples, states) in block.channels_mut().zip(&mut self.states) {
                for (section, state) in self.sections.iter().zip(states.iter_mut()) {
                    run(section, state, &mut samples[from..to]);
                    if phase + (to - from) == TIDY_EVERY as usize {
                        *state = state.map(tidy);
                    }
                }
            }
            self.frame += (to - from) as u64;
            from = to;
        }
    }
}

/// 0 for what nobody can hear and for what is not finite.
fn tidy(x: f64) -> f64 {
    if x.abs() > 1e-30 && x.is_finite() {
        x
    } else {
        0.0
    }
}

fn run(section: &Section, state: &mut [f64; 2], samples: &mut [f64]) {
    let Section {
        b: [b0, b1, b2],
        a: [a1, a2],
    } = *section;
    let [mut s1, mut s2] = *state;
    for sample in samples {
        let x = *sample;
        let y = s1 + b0 * x;
        s1 = s2 + b1 * x - a1 * y;
        s2 = b2 * x - a2 * y;
        *sample = y;
    }
    *state = [s1, s2];
}
