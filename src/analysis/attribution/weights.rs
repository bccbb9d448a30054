//! Weights of the logistic that turns features into a probability.
//!
//! A logistic regression, with a ridge on features divided by their root mean square, as
//! `cargo run --release --example fit_hits` makes it on set-ups of the fitting half of the test bed of
//! recorded drums, every take alone and with what its set-up shows. Cymbals: on all 32 of them; toms: on the
//! sixteen of kits 1 and 4, the others change nothing. Toms, hat and ride: also on six takes in the room of
//! the demo, of songs that it does not play. Kick and snare: on the first six, and on 18 kits, three takes
//! each, of a generator that the project no longer has: a new fit does without, and is worse. What a
//! probability is worth stands in `DEVELOPERS.md`.
#![expect(clippy::approx_constant, reason = "a weight happens to look like one")]

use crate::analysis::attribution::attribute::Drum;
use crate::analysis::attribution::features::{FEATURES, FIRST};
use crate::session::Family;

const CYMBAL: [f32; FEATURES] = [
    -5.9986, 0.0737, 0.0851, -0.4399, 0.1011, 0.0, 0.0, 0.1959, 0.0319, -0.2264, 0.1818, -0.8296,
    0.1588, 0.0939, 0.3183, -0.0144, -0.0225, -0.4034, 0.0695, -0.2224, -0.0222, -0.0502, -0.0809,
    0.0385, 0.2637, -0.2446, 0.6524, 0.0788, 0.1938, -0.0541, 0.0376, 0.0925, -0.2214, 0.1122,
    -0.2224, 0.0627, -0.231, 0.798, -0.0182, -0.0472, 0.2537, 0.6146, -0.039, -0.0499, 0.0062,
    0.1004, 0.2703, 0.239, -0.5111, 0.0457, 0.412, 0.0859,
];
/// A cymbal that leads the time: a stroke on it is softer beside all else than a crash, and as sure.
const RIDE: [f32; FEATURES] = [
    -0.1467, 0.054, 0.0182, -0.0235, 1.0828, 0.0, 0.0, -0.0281, -0.0233, 0.0266, 0.0237, -0.3127,
    -0.016, 0.0401, 0.0361, 0.1024, -0.049, -0.0566, -0.0335, -0.0779, 0.0047, 0.0416, -0.0393,
    -0.0124, 0.1884, 0.0715, 0.0784, -0.0076, 0.0792, -0.0003, -0.0589, 0.0565, 0.0752, 0.028,
    -0.0747, 0.039, 0.019, 0.0385, -0.0611, 0.4413, 0.2033, 0.0277, 0.0577, -0.0231, 0.0214,
    -0.1309, -0.2949, 0.0584, -0.0251, -0.0256, -0.002, 0.0089,
];
const HAT: [f32; FEATURES] = [
    -1.0995, 0.0041, 0.0569, 0.0879, 1.7209, 0.0, 0.0, -0.3422, -0.0923, -0.042, -0.1319, -3.929,
    0.065, 0.1913, 0.0417, -0.0714, -0.0767, -0.0005, 0.0722, 0.2294, 0.0107, 0.0267, 0.0317,
    0.0154, 0.2702, -0.1067, 0.1812, 0.0326, 0.2206, 0.0176, -0.0845, 0.09, -0.0825, -0.0238,
    0.038, 0.2615, -0.4877, 1.5209, -0.1655, 0.7095, 0.6555, -0.2175, 0.0816, -0.0423, 0.1091,
    0.0112, 0.1164, 0.3312, -0.7587, -0.0403, -0.0142, 0.0872,
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
const HAT_IN_TIME: [f32; 3] = [-0.0847, 1.0845, 6.1817];
const RIDE_IN_TIME: [f32; 3] = [-0.7996, 1.1138, 6.3391];

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
    logistic(weights[0] + weights[1] * log_odds(probability) + weights[2] * in_time)
}

/// What [`logistic`] makes a probability of.
pub(crate) fn log_odds(probability: f32) -> f32 {
    libm::logf(probability / (1.0 - probability).max(1e-9))
}

pub(crate) fn logistic(sum: f32) -> f32 {
    1.0 / (1.0 + libm::expf(-sum))
}
