//! Weights of the logistic that turns features into a probability.
//!
//! A logistic regression, with a ridge on features divided by their root mean square, as
//! `cargo run --release --example fit_hits` makes it: on the six set-ups of the fitting half of the test bed
//! of recorded drums (kits 1 and 4), every take alone and with what its set-up shows; hat and ride also on
//! six takes in the room of the demo, of songs that it does not play; other cymbals on four set-ups of kits
//! 1 and 4 (a and b). In the fit of kick, snare and toms were also 18 kits, three takes each, of a
//! generator that the project no longer has: a new fit does without. What a probability is worth stands in
//! `DEVELOPERS.md`.

use crate::analysis::attribution::attribute::Drum;
use crate::analysis::attribution::features::{FEATURES, FIRST};
use crate::session::Family;

const CYMBAL: [f32; FIRST] = [
    -2.7693, 0.1028, 0.0651, -0.2326, -0.2001, 0.0367, 0.0858, 0.6669, -0.0574, -0.0245, 0.0639,
    -1.0916, 0.0688, -0.0302, 0.3259, -0.1203, 0.1128, -0.3813, 0.0672, -0.3745, 0.0046, -0.2355,
    -0.0281, 0.0897, 0.1747, 0.0685, 0.2888, 0.0493, 0.1212, 0.0249, -0.0587, 0.0148, 0.025,
    0.0339, 0.2023, -0.0623, -0.0048, -0.0687, -0.0073, 0.2625,
];
/// A cymbal that leads the time: a stroke on it is softer beside all else than a crash, and as sure.
const RIDE: [f32; FEATURES] = [
    -0.3844, 0.0227, 0.0265, -0.0619, -0.3683, 0.1632, -0.0195, -0.0633, -0.0016, 0.0204, -0.0932,
    0.7264, 0.0542, 0.0831, 0.1183, -0.0938, 0.003, -0.012, 0.0157, 0.0055, -0.0384, -0.0494,
    -0.0937, 0.0118, 0.1659, 0.1259, 0.094, 0.0392, 0.0706, -0.0206, 0.0194, 0.1035, 0.1356,
    -0.0438, -0.0215, -0.0223, -0.1669, 0.1904, -0.1351, 0.1631, 0.1663, 0.2474, 0.1912, -0.0078,
    -0.0307, -0.1231,
];
const HAT: [f32; FEATURES] = [
    -3.3889, 0.0312, 0.0433, -0.1737, -0.2103, 0.1913, -0.2926, 0.1141, -0.0424, -0.0448, 0.0317,
    -1.7777, 0.1926, -0.0251, 0.68, -0.1244, 0.0155, -0.2486, 0.125, 0.1758, -0.0477, -0.1734,
    -0.0464, 0.0453, 0.3306, 0.2874, -0.1833, 0.1391, 0.0862, -0.0435, 0.1389, -0.0901, 0.1197,
    0.0542, 0.1569, 0.4289, -0.7373, 1.6199, -0.0728, -0.4493, 0.4599, 0.0154, -0.0758, 0.0074,
    0.1031, -0.0557,
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
    -2.9784, 0.2691, 0.134, 0.3326, 0.3961, -0.2422, 0.5601, 0.0669, 0.0293, -0.0829, 0.0598,
    -0.1181, 0.0384, 0.0422, 0.076, -0.0966, 0.1979, 0.1493, 0.0627, 0.0172, -0.0517, -0.1867,
    0.0124, -0.0968, 0.0238, 0.1825, -0.0334, -0.0439, -0.0266, 0.0586, -0.0557, 0.0035, -0.048,
    0.0848, -0.0505, 0.2359, -0.4697, 1.1061, -0.2898, -0.1324,
];

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
    1.0 / (1.0 + libm::expf(-sum))
}
