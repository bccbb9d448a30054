//! Hat and ride keep the time: between strokes that follow each other in equal steps another one is likely.

use crate::analysis::strokes::rows::PARTS;

/// Steps from stroke to stroke, in milliseconds: sixteenths of a fast song to quarters of a slow one.
const STEP_MS: (f64, f64) = (90.0, 700.0);
/// How far a player is off, in milliseconds. Common practice, no source.
const OFF_MS: f64 = 20.0;
/// What is less probable keeps no time.
const LEAST: f32 = 0.1;

/// How well each moment lies between strokes of one drum, 0 to 1: the product of the probabilities of one
/// before it, one as far behind it, and one a step further on either side, for the step that gives most.
/// `probability` and `at_parts` (quarters of a millisecond) have one value a moment.
pub(crate) fn in_time(probability: &[f32], at_parts: &[i64]) -> Vec<f32> {
    let ms = |parts: &i64| *parts as f64 / PARTS as f64;
    let all = at_parts.iter().map(ms).zip(probability.iter().copied());
    let mut struck: Vec<(f64, f32)> = all.filter(|(_, p)| *p > LEAST).collect();
    struck.sort_by(|a, b| a.0.total_cmp(&b.0));
    let within = |from: f64, to: f64| {
        let first = struck.partition_point(|s| s.0 < from);
        struck[first..].iter().take_while(move |s| s.0 <= to)
    };
    let near = |at: f64| within(at - OFF_MS, at + OFF_MS).fold(0.0, |most: f32, s| most.max(s.1));
    let between = |at: f64| {
        within(at - STEP_MS.1, at - STEP_MS.0).fold(0.0, |most: f32, (before, p)| {
            let step = at - before;
            let further = near(at - 2.0 * step).max(near(at + 2.0 * step));
            most.max(p * near(at + step) * further)
        })
    };
    at_parts.iter().map(ms).map(between).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn moments(all: &[(i64, f32)]) -> Vec<f32> {
        let (at, p): (Vec<i64>, Vec<f32>) =
            all.iter().map(|(ms, p)| (ms * PARTS as i64, *p)).unzip();
        in_time(&p, &at)
    }

    #[test]
    fn a_stroke_is_likely_between_strokes_in_equal_steps() {
        let run = [
            (0, 0.9),
            (200, 0.9),
            (405, 0.05),
            (600, 0.9),
            (700, 0.05),
            (800, 0.9),
        ];
        let found = moments(&run);
        // what is struck at 200, 600, 0 and 800 ms stands for it
        assert!((found[2] - 0.729).abs() < 1e-6, "{found:?}");
        // 100 ms before and after there are strokes, 200 ms away there are none
        assert_eq!(found[4], 0.0);
        // nothing before it
        assert_eq!(found[0], 0.0);
    }

    #[test]
    fn nothing_keeps_time_alone() {
        assert_eq!(moments(&[(0, 0.9), (200, 0.5), (400, 0.9)]), [0.0; 3]);
        assert_eq!(moments(&[]), Vec::<f32>::new());
    }
}
