//! Which drum an onset is, as far as its spectrum tells: a kick falls on a kick, a snare on a snare.

use super::hear::{COLOUR_HZ, Onset};
use crate::dsp::maths;

/// How far colours may differ and still count about half in the histogram, in decibels.
const COLOUR_DB: f64 = 8.0;
/// How far below the loudest a level still counts, in decibels.
const COLOUR_RANGE_DB: f64 = 40.0;
/// What a pair of quite different colours counts.
const COLOURLESS: f64 = 0.15;
/// Hits whose colours vary less than this are all alike: nothing can be said by them.
const VARIED_DB: f64 = 4.0;
/// Fewest pairs whose colours can be compared.
const COLOUR_PAIRS: usize = 8;

/// The colour of an onset against the mean of its take, so that another drum of the kind, mic or
/// gain makes no difference.
pub(super) type Colour = [f64; COLOUR_HZ.len()];

pub(super) fn colours(onsets: &[Onset]) -> Vec<Colour> {
    let top: Colour = std::array::from_fn(|i| {
        onsets
            .iter()
            .map(|o| o.colour_db[i])
            .fold(f64::MIN, f64::max)
    });
    let held = |o: &Onset| -> Colour {
        std::array::from_fn(|i| o.colour_db[i].max(top[i] - COLOUR_RANGE_DB))
    };
    let mut colours: Vec<Colour> = onsets.iter().map(held).collect();
    for i in 0..COLOUR_HZ.len() {
        let mean = colours.iter().map(|c| c[i]).sum::<f64>() / onsets.len().max(1) as f64;
        colours.iter_mut().for_each(|c| c[i] -= mean);
    }
    colours
}

/// What a pair of colours counts in a histogram, up to 1.
pub(super) fn alike(x: &Colour, y: &Colour) -> f64 {
    let square = x.iter().zip(y).map(|(x, y)| (x - y) * (x - y)).sum::<f64>() / x.len() as f64;
    COLOURLESS + (1.0 - COLOURLESS) * maths::exp(-square / (2.0 * COLOUR_DB * COLOUR_DB))
}

/// Correlation over the pairs, each range about the mean of the paired hits: what only
/// one of them plays does not count.
pub(super) fn likeness(pairs: &[(usize, usize)], a: &[Colour], b: &[Colour]) -> Option<f64> {
    let count = pairs.len() as f64;
    let (mut xy, mut xx, mut yy) = (0.0, 0.0, 0.0);
    for range in 0..COLOUR_HZ.len() {
        let points = || pairs.iter().map(|&(i, j)| (a[i][range], b[j][range]));
        let sums = points().fold((0.0, 0.0), |(x, y), p| (x + p.0, y + p.1));
        let mean = (sums.0 / count, sums.1 / count);
        for (x, y) in points().map(|p| (p.0 - mean.0, p.1 - mean.1)) {
            xy += x * y;
            xx += x * x;
            yy += y * y;
        }
    }
    let spread = |sum: f64| (sum / (count * COLOUR_HZ.len() as f64)).sqrt();
    let varied = pairs.len() >= COLOUR_PAIRS && spread(xx) > VARIED_DB && spread(yy) > VARIED_DB;
    varied.then(|| xy / (xx * yy).sqrt())
}
