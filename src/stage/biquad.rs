//! [`Section`]: what every filter of this crate consists of, from analogue prototypes.
//!
//! Coefficients are computed here with [`crate::dsp::maths`], since they decide every bit that comes out;
//! those of the `biquad` crate come from `num-traits`, which calls the platform's sine wherever any
//! other crate switches its `std` on. Its runner is plain arithmetic: it runs where one sample is
//! wanted at a time, ahead of the detector of `compress`, and gives the bits of a
//! [`Cascade`](super::Cascade), which the tests compare with it.

use std::f64::consts::PI;

use realfft::num_complex::Complex;

use crate::dsp::maths;

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

    /// Squared magnitude where sin w and 1 − cos w are these, w = 2π f / rate. Written so that
    /// nothing cancels at low frequencies that does not cancel in the coefficients.
    fn power(&self, sin: f64, versine: f64) -> f64 {
        // p0 + p1 z⁻¹ + p2 z⁻², turned by w
        let of = |p0: f64, p1: f64, p2: f64| {
            let re = (p0 + p2 + p1) - versine * (p0 + p2);
            let im = sin * (p0 - p2);
            re * re + im * im
        };
        let [b0, b1, b2] = self.b;
        of(b0, b1, b2) / of(1.0, self.a[0], self.a[1])
    }

    /// Complex response at a frequency: what a sine of it is multiplied by.
    pub fn response(&self, rate_hz: f64, freq_hz: f64) -> Complex<f64> {
        let w = 2.0 * PI * freq_hz / rate_hz;
        let later = Complex::new(maths::cos(w), -maths::sin(w));
        let of = |p0: f64, p1: f64, p2: f64| later * (later * p2 + p1) + p0;
        let [b0, b1, b2] = self.b;
        of(b0, b1, b2) / of(1.0, self.a[0], self.a[1])
    }
}

/// Magnitude of sections in series, in dB, −300 at least (a notch has −∞ at its centre).
pub fn magnitude_db(sections: &[Section], rate_hz: f64, freq_hz: f64) -> f64 {
    let half = PI * freq_hz / rate_hz;
    let (sin, cos) = (maths::sin(half), maths::cos(half));
    let power = |s: &Section| s.power(2.0 * sin * cos, 2.0 * sin * sin);
    let db = |s: &Section| 10.0 * maths::log10(power(s).max(1e-30));
    sections.iter().map(db).sum::<f64>().max(-300.0)
}
