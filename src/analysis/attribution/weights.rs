//! Weights of the logistic that turns features into a probability.
//!
//! A logistic regression, with a ridge on features divided by their root mean square, as
//! `cargo run --release --example fit_hits` makes it on set-ups of the fitting half of the test bed of
//! recorded drums (kits 1 and 4), every take alone and with what its set-up shows. Toms and cymbals: all
//! sixteen of them, and for toms, hat and ride six takes in the room of the demo, of songs that it does not
//! play. Kick and snare: the first six, and 18 kits, three takes each, of a generator that the project no
//! longer has: a new fit does without, and is worse. What a probability is worth stands in `DEVELOPERS.md`.

use crate::analysis::attribution::attribute::Drum;
use crate::analysis::attribution::features::{FEATURES, FIRST};
use crate::session::Family;

const CYMBAL: [f32; FEATURES] = [
    -5.5438, 0.083, 0.0833, -0.158, -1.1698, 0.0, 0.0, -0.0698, 0.003, -0.2124, 0.1342, -0.6631,
    0.1111, -0.0414, 0.4516, 0.0614, 0.0674, -0.4513, 0.0861, -0.3934, 0.0076, -0.2725, -0.0613,
    0.05, 0.164, 0.0483, 0.2159, 0.1513, 0.2235, -0.0498, 0.2462, 0.0806, -0.1189, 0.0256, 0.0348,
    0.2687, -0.3704, 0.875, -0.0039, -0.736, 0.5134, 0.5951, -0.0245, 0.0265, -0.1614, -0.1656,
];
/// A cymbal that leads the time: a stroke on it is softer beside all else than a crash, and as sure.
const RIDE: [f32; FEATURES] = [
    -0.1108, 0.0426, 0.0192, -0.0051, 0.9791, 0.0, 0.0, 0.0061, -0.015, 0.0196, 0.0178, -0.3173,
    0.0115, 0.0211, 0.0188, 0.0832, -0.0194, -0.0569, -0.0081, -0.1292, 0.0081, 0.0291, -0.0329,
    -0.0153, 0.1849, 0.08, 0.0815, 0.0061, 0.0649, -0.0021, -0.0643, 0.0564, 0.0666, 0.0192,
    -0.0698, 0.021, 0.0332, 0.049, -0.0548, 0.4137, 0.1838, 0.0151, 0.0409, -0.0366, 0.0025,
    -0.1125,
];
const HAT: [f32; FEATURES] = [
    -1.2399, 0.0679, 0.0648, -0.3281, 1.6464, 0.0, 0.0, -0.3093, -0.0763, 0.0303, -0.1224, -3.8236,
    0.1571, 0.2699, 0.0226, 0.002, -0.0642, 0.0224, 0.1709, 0.0283, -0.0284, 0.0824, -0.0137,
    0.0271, 0.2102, 0.0563, 0.0653, 0.0466, 0.1881, 0.0118, -0.0365, 0.069, -0.1031, -0.0765,
    0.2332, 0.1769, -0.4461, 1.1109, -0.0375, 0.2639, 0.7528, -0.5353, 0.0767, -0.0384, -0.0087,
    -0.0508,
];
const KICK: [f32; FIRST] = [
    0.6559, 0.2105, 0.0535, -0.2655, 0.055, 0.27, -0.2054, 0.0244, 0.0518, -0.0409, 0.0594,
    -1.3434, 0.2192, -0.0035, 0.2097, -0.2301, -0.0293, -0.1319, 0.1488, 0.424, 0.2872, -0.2351,
    0.1176, -0.0605, -0.1343, 0.1909, -0.1219, 0.0344, -0.0456, 0.1553, 0.066, 0.0757, 0.1233,
    -0.0066, -0.0723, 0.0255, -0.5372, 0.86, -0.1563, -0.3211,
];
const SNARE: [f32; FIRST] = [
    -2.7788, 0.2054, 0.1233, -0.0068, 0.2259, -0.0278, 0.0954, 0.0091, 0.0153, 0.0853, 0.0591,
    -0.8631, 0.18, 0.3781, -0.3206, 0.026, -0.0055, 0.3118, 0.1533, 0.0986, -0.1203, 0.2866,
    0.1536, -0.077, 0.0546, -0.0626, -0.0935, -0.0284, 0.1619, -0.041, -0.131, -0.0136, 0.006,
    -0.0425, 0.1853, 0.2434, -0.2425, 0.6276, -0.2013, -0.572,
];
const TOM: [f32; FIRST] = [
    -3.0615, 0.1208, 0.0782, -0.2737, 0.7482, 0.1017, 0.3475, 0.224, -0.0017, 0.0189, -0.0287,
    -1.2618, 0.1094, 0.1474, 0.124, -0.1915, 0.1083, -0.0879, 0.0808, 0.0213, -0.0059, -0.268,
    0.0031, 0.0062, -0.1068, -0.1602, 0.0296, 0.0638, 0.1363, -0.0535, -0.0188, 0.0346, 0.0958,
    0.064, -0.195, 0.0006, -0.3298, 1.0975, -0.0125, -0.2136,
];

/// A constant, and weights of what the others give (as a logarithm of odds) and of how well a moment lies
/// in time.
const HAT_IN_TIME: [f32; 3] = [-0.1936, 1.0698, 7.2339];
const RIDE_IN_TIME: [f32; 3] = [-0.7511, 1.1337, 6.298];

/// Probability that a drum was struck.
pub(crate) fn probability(drum: &Drum, features: &[f32; FEATURES]) -> f32 {
    let weights: &[f32] = match drum.family {
        Family::Kick => &KICK,
        Family::Snare => &SNARE,
        Family::Hat => &HAT,
        Family::Cymbal if drum.is_ride => &RIDE,
        Family::Cymbal => &CYMBAL,
        _ => &TOM,
    };
    let sum: f32 = weights.iter().zip(features).map(|(w, x)| w * x).sum();
    logistic(sum)
}

/// The same for a hat or ride, of which it is known how well the moment lies in its time, 0 to 1.
pub(crate) fn in_time(drum: &Drum, probability: f32, in_time: f32) -> f32 {
    let weights = if drum.is_ride {
        RIDE_IN_TIME
    } else {
        HAT_IN_TIME
    };
    let odds = libm::logf(probability / (1.0 - probability).max(1e-9));
    logistic(weights[0] + weights[1] * odds + weights[2] * in_time)
}

fn logistic(sum: f32) -> f32 {
    1.0 / (1.0 + libm::expf(-sum))
}
