//! Weights of the logistic that turns features into a probability.
//!
//! Fitted by `cargo run --release --example fit_hits` on synthetic takes whose kits and rooms are
//! not used in any test or table.

use crate::analysis::attribution::attribute::FEATURES;
use crate::session::Family;

const KICK: [f32; FEATURES] = [
    -3.3775, 0.3526, -0.0001, -0.3323, 0.3413, 0.1151, -0.1275, 0.0851, 0.1393, 0.0084, 0.0932,
    4.0167, 0.1574, 0.4159, -0.2722, -0.161,
];
const SNARE: [f32; FEATURES] = [
    0.1111, 0.1919, 0.1314, 0.374, 0.4277, 0.0872, 0.008, -0.1276, -0.1381, 0.076, 0.0434, 0.6698,
    0.1949, 0.4466, -0.4598, 0.0404,
];
const TOM: [f32; FEATURES] = [
    -0.0683, 0.32, 0.1228, 0.0539, 0.0549, 0.2554, -0.1243, 0.3929, 0.0179, -0.1365, 0.2421,
    1.3081, -0.0434, 0.1541, 0.0569, -0.1471,
];

/// Probability that a drum of this family was struck.
pub(crate) fn probability(family: Family, features: &[f32; FEATURES]) -> f32 {
    let weights = match family {
        Family::Kick => &KICK,
        Family::Snare => &SNARE,
        _ => &TOM,
    };
    let sum: f32 = weights.iter().zip(features).map(|(w, x)| w * x).sum();
    1.0 / (1.0 + libm::expf(-sum))
}
