//! [`pan_gains`]: how a position between the loudspeakers becomes two gains.

use std::f64::consts::FRAC_PI_2;

use serde::{Deserialize, Serialize};

use crate::dsp::maths::sin;

/// What the two gains of a position keep constant. The formulas are plain trigonometry; that mixers
/// use one of these is common practice, no source.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum PanLaw {
    /// Equal power: L² + R² = 1, −3.0103 dB each at the centre.
    #[default]
    ConstantPower,
    /// Between the other two: −4.5154 dB at the centre.
    Compromise,
    /// Equal gain: L + R = 1, −6.0206 dB at the centre; the sum to mono does not depend on the pan.
    ConstantGain,
}

/// Linear gains (left, right) of a position from −100 (left) to 100 (right); beyond that as at the
/// end. With p from 0 (left) to 1 (right):
/// constant power cos(pπ/2), sin(pπ/2); constant gain 1 − p, p; compromise the root of the product
/// of both. At the ends exactly (1, 0) and (0, 1), at −x exactly the mirror image of x.
pub fn pan_gains(law: PanLaw, pan: f64) -> [f64; 2] {
    let pan = pan.clamp(-100.0, 100.0);
    // cos(pπ/2) = sin((1 − p)π/2): both sides by one formula, so that mirrors agree to the bit
    [(100.0 - pan) / 200.0, (100.0 + pan) / 200.0].map(|share| match law {
        PanLaw::ConstantPower => sin(share * FRAC_PI_2),
        PanLaw::Compromise => (sin(share * FRAC_PI_2) * share).sqrt(),
        PanLaw::ConstantGain => share,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const LAWS: [PanLaw; 3] = [
        PanLaw::ConstantPower,
        PanLaw::Compromise,
        PanLaw::ConstantGain,
    ];

    #[test]
    fn the_laws_are_their_formulas() {
        for step in 0..=1000 {
            let p = f64::from(step) / 1000.0;
            let (l, r) = ((p * FRAC_PI_2).cos(), (p * FRAC_PI_2).sin());
            for (law, wanted) in LAWS.into_iter().zip([
                [l, r],
                [(l * (1.0 - p)).max(0.0).sqrt(), (r * p).sqrt()],
                [1.0 - p, p],
            ]) {
                let gains = pan_gains(law, 200.0 * p - 100.0);
                for (gain, wanted) in gains.iter().zip(wanted) {
                    assert!(
                        (gain - wanted).abs() < 1e-12,
                        "{law:?} {p}: {gain} {wanted}"
                    );
                }
            }
        }
    }

    #[test]
    fn the_centre_is_3_4_5_or_6_db_down_on_both_sides() {
        for (law, wanted_db) in LAWS.into_iter().zip([-3.0103, -4.5154, -6.0206]) {
            let [left, right] = pan_gains(law, 0.0);
            assert_eq!(left, right);
            assert!((20.0 * left.log10() - wanted_db).abs() < 5e-5, "{law:?}");
        }
    }

    #[test]
    fn the_ends_are_exact_and_mirrors_agree_to_the_bit() {
        for law in LAWS {
            assert_eq!(pan_gains(law, -100.0), [1.0, 0.0]);
            assert_eq!(pan_gains(law, 100.0), [0.0, 1.0]);
            assert_eq!(pan_gains(law, 250.0), [0.0, 1.0]);
            for pan in [3.7, 35.0, 40.0, 99.9] {
                let [left, right] = pan_gains(law, pan);
                assert_eq!(pan_gains(law, -pan), [right, left]);
            }
        }
    }
}
