//! Weights of the logistic that turns features into a probability.
//!
//! Fitted by `cargo run --release --example fit_hits` on synthetic takes whose kits and rooms are
//! not used in any test or table.

use super::attribute::FEATURES;
use crate::session::Family;

const KICK: [f32; FEATURES] = [
    -1.9113, 0.2659, 0.1319, -0.3014, 0.565, 0.1575, -0.1501, 0.1057, 0.0573, -0.0061, 0.197,
    3.6972, 0.2041, 0.2389, -0.1201, -0.1628,
];
const SNARE: [f32; FEATURES] = [
    0.1882, 0.2144, 0.1051, 0.3722, 0.407, 0.1187, -0.0776, -0.118, -0.0902, 0.1274, 0.0109,
    0.5419, 0.1305, 0.411, -0.5582, 0.1253,
];
const TOM: [f32; FEATURES] = [
    -0.5692, 0.2941, 0.1153, 0.1415, 0.0654, 0.2778, -0.1673, 0.3464, 0.017, -0.1065, 0.1862,
    1.4165, -0.0548, 0.1398, 0.0683, -0.1143,
];

/// Probability that a drum of this family was struck.
pub(super) fn probability(family: Family, features: &[f32; FEATURES]) -> f32 {
    let weights = match family {
        Family::Kick => &KICK,
        Family::Snare => &SNARE,
        _ => &TOM,
    };
    let sum: f32 = weights.iter().zip(features).map(|(w, x)| w * x).sum();
    1.0 / (1.0 + libm::expf(-sum))
}
