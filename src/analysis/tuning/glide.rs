//! What a glide does to pitches that were read in windows of different length: the next stroke cuts a
//! window short, and its pitch is that of its start, which is higher. By how much, the strokes of the
//! same drum show that were left to ring.

use crate::analysis::tuning::hit::HitTuning;
use crate::dsp::median;

/// A head glides by less within the window (logarithm of the ratio); more is another partial.
const MOST: f64 = 0.08;

/// Brings the pitches of strokes whose window was cut short to what the whole window would show, as
/// far as other strokes of the takes tell.
pub(crate) fn even_out(takes: &mut [Vec<HitTuning>]) {
    let ratio = |short: usize, long: usize| {
        let ratios = takes.iter().flatten().filter_map(|hit| {
            let ratio = hit.early_hz[long]? / hit.early_hz[short]?;
            (ratio.ln().abs() < MOST).then_some(ratio)
        });
        median(ratios)
    };
    let middle = ratio(1, 2);
    let short = ratio(0, 1).zip(middle).map(|(a, b)| a * b);
    for hit in takes.iter_mut().flatten() {
        let ratio = match hit.early_hz {
            [_, _, Some(_)] => None,
            [_, Some(_), None] => middle,
            _ => short,
        };
        hit.shift(ratio.unwrap_or(1.0));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hit(early_hz: [Option<f64>; 3]) -> HitTuning {
        let last = early_hz.iter().flatten().last();
        HitTuning {
            early_hz,
            ..HitTuning::plain(last.copied().unwrap_or(0.0))
        }
    }

    #[test]
    fn a_stroke_that_was_cut_off_is_compared_by_what_others_glide() {
        let whole = hit([Some(181.0), Some(178.0), Some(174.0)]);
        let cut = [
            hit([Some(182.0), None, None]),
            hit([Some(190.0), Some(180.0), None]),
        ];
        let mut takes = [vec![whole, cut[0]], vec![cut[1]]];
        even_out(&mut takes);
        assert_eq!(takes[0][0], whole);
        // 178 / 181 and 180 / 190 in the middle, and then 174 / 178
        let short = 0.5 * (178.0 / 181.0 + 180.0 / 190.0);
        assert!((takes[0][1].fundamental_hz - 182.0 * short * 174.0 / 178.0).abs() < 1e-9);
        assert!((takes[1][0].fundamental_hz - 180.0 * 174.0 / 178.0).abs() < 1e-9);
    }

    #[test]
    fn where_no_stroke_shows_the_glide_nothing_is_changed() {
        let mut takes = [vec![
            hit([Some(182.0), None, None]),
            hit([None, Some(97.0), None]),
        ]];
        let before = takes.clone();
        even_out(&mut takes);
        assert_eq!(takes, before);
    }
}
