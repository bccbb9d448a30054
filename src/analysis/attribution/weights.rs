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
    -5.5442, 0.0829, 0.0833, -0.1582, -1.1668, 0.0, 0.0, -0.0696, 0.0031, -0.2123, 0.1339, -0.6627,
    0.1111, -0.0416, 0.4515, 0.061, 0.0674, -0.4512, 0.0861, -0.3932, 0.0076, -0.2724, -0.0613,
    0.05, 0.164, 0.048, 0.2162, 0.1513, 0.2235, -0.0499, 0.2463, 0.0807, -0.1189, 0.0256, 0.0348,
    0.2686, -0.3704, 0.8752, -0.0039, -0.736, 0.5131, 0.5952, -0.0242, 0.0263, -0.1613, -0.1657,
];
/// A cymbal that leads the time: a stroke on it is softer beside all else than a crash, and as sure.
const RIDE: [f32; FEATURES] = [
    -0.111, 0.0426, 0.0192, -0.0056, 0.9792, 0.0, 0.0, 0.0062, -0.0149, 0.0196, 0.0181, -0.3174,
    0.0116, 0.0211, 0.0188, 0.0832, -0.0194, -0.0569, -0.0081, -0.1292, 0.0081, 0.0291, -0.0329,
    -0.0153, 0.1848, 0.08, 0.0813, 0.0062, 0.065, -0.0022, -0.0646, 0.0564, 0.0666, 0.0192,
    -0.0696, 0.021, 0.0333, 0.0486, -0.0548, 0.4135, 0.1836, 0.0155, 0.0412, -0.0366, 0.0025,
    -0.1125,
];
const HAT: [f32; FEATURES] = [
    -1.2388, 0.0677, 0.0647, -0.3283, 1.6504, 0.0, 0.0, -0.3101, -0.0762, 0.0304, -0.1226, -3.8235,
    0.1572, 0.2698, 0.023, 0.0023, -0.0643, 0.0227, 0.1711, 0.0284, -0.0283, 0.0826, -0.0138,
    0.027, 0.2105, 0.0559, 0.0659, 0.0466, 0.1881, 0.0121, -0.0364, 0.0691, -0.1029, -0.0763,
    0.2319, 0.1764, -0.4466, 1.1127, -0.0376, 0.2642, 0.7533, -0.5368, 0.0754, -0.0383, -0.0087,
    -0.0509,
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
    -3.0619, 0.1209, 0.0784, -0.2726, 0.7415, 0.1031, 0.3474, 0.2237, -0.0018, 0.0189, -0.0292,
    -1.2597, 0.1095, 0.1475, 0.1237, -0.1908, 0.1082, -0.0878, 0.0806, 0.0215, -0.0062, -0.2685,
    0.0034, 0.0062, -0.1062, -0.1599, 0.0292, 0.0638, 0.1359, -0.0534, -0.0189, 0.034, 0.0964,
    0.0643, -0.1952, 0.001, -0.3302, 1.0987, -0.0126, -0.2121,
];

/// A constant, and weights of what the others give (as a logarithm of odds) and of how well a moment lies
/// in time.
const HAT_IN_TIME: [f32; 3] = [-0.1946, 1.07, 7.2373];
const RIDE_IN_TIME: [f32; 3] = [-0.7087, 1.127, 4.2447];

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
