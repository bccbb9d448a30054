//! [`Reach`]: how far the output of filters can come above their input, millisecond by millisecond.
//!
//! No output can exceed the sum over all lags of |tap| times the largest |input| at that lag. So where
//! the input is known to be small, and was small as long as the filters remember, a peak found
//! elsewhere stands without filtering there. The taps are those of the filters and of the true-peak
//! interpolation behind them.

use multiversion::multiversion;

use super::true_peak;
use crate::block::Block;
use crate::stage::{Chain, Stage};

/// Filters that remember longer than this are not worth it.
const LONGEST_S: f64 = 0.25;
/// What is forgotten: taps that together are this share of all, 0.0001 dB.
const FORGOTTEN: f64 = 1e-5;
/// Room for that, and for the rounding of single precision.
const MARGIN: f64 = 1.001;

/// What linear stages in series remember.
#[derive(Clone, Debug)]
pub struct Reach {
    /// Of each millisecond of lag: the sum of |taps|, of the fraction of a sample where it is largest.
    weights: Vec<f32>,
    /// Frames after which all is forgotten.
    pub memory_frames: usize,
}

impl Reach {
    /// Of `chain` at a rate; `None` where it is not linear, changes with time, looks ahead or
    /// remembers longer than a quarter of a second.
    pub fn of(chain: &[Stage], rate_hz: u32) -> Option<Self> {
        let rate = f64::from(rate_hz);
        if !chain.iter().all(Stage::is_filter) {
            return None;
        }
        let frames = (LONGEST_S * rate) as usize;
        let mut block = Block::new(1, frames);
        block.channel_mut(0)[0] = 1.0;
        Chain::start(chain, rate, 1).process(&mut block);
        let taps = block.channel(0);
        // What looks ahead keeps the last frames back.
        if taps.len() < frames {
            return None;
        }
        let most = FORGOTTEN * taps.iter().map(|tap| tap.abs()).sum::<f64>();
        let mut rest = 0.0;
        let memory_frames = taps.iter().rposition(|tap| {
            rest += tap.abs();
            rest > most
        })? + 1;
        // What goes on to the end of the look goes on behind it.
        if memory_frames * 10 > taps.len() * 9 {
            return None;
        }
        let mut weights = Vec::new();
        for taps in true_peak::between(&taps[..memory_frames]) {
            let mut sums = vec![0.0; taps.len() * 1000 / rate_hz as usize + 1];
            for (lag, tap) in taps.iter().enumerate() {
                sums[lag * 1000 / rate_hz as usize] += tap.abs();
            }
            weights.resize(sums.len().max(weights.len()), 0.0f32);
            for (weight, sum) in weights.iter_mut().zip(sums) {
                *weight = weight.max((sum * MARGIN) as f32);
            }
        }
        Some(Self {
            weights,
            memory_frames,
        })
    }

    /// What the output cannot exceed in each millisecond, between its samples too, where `peaks` are
    /// the largest |samples| of the input in each. An output counts where its last sample lies: up
    /// to [`true_peak::LATE`] frames late.
    pub fn bounds(&self, peaks: &[f32]) -> Vec<f32> {
        // A lag of m milliseconds leads back into one of two of them.
        let before = std::iter::once(&0.0).chain(peaks);
        let either: Vec<f32> = peaks
            .iter()
            .chain([&0.0])
            .zip(before)
            .map(|(a, b)| a.max(*b))
            .collect();
        let mut bounds = vec![0.0; peaks.len() + 1];
        for (lag, &weight) in self.weights.iter().enumerate() {
            if let Some(later) = bounds.get_mut(lag..) {
                add_scaled(weight, &either, later);
            }
        }
        bounds
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn add_scaled(factor: f32, values: &[f32], sums: &mut [f32]) {
    for (sum, value) in sums.iter_mut().zip(values) {
        *sum += factor * value;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::testing::drums;
    use crate::measure::true_peak::{LATE, TruePeak};
    use crate::testing::stages;

    #[test]
    fn no_output_exceeds_its_bound_and_the_loudest_come_near_it() {
        for (rate_hz, lines) in [
            (
                48_000,
                "{ high-pass = { freq_hz = 80, order = 4 } }, { peak = { freq_hz = 4500, gain_db = 6, q = 1.2 } }",
            ),
            (
                44_100,
                "{ delay = { samples = 100 } }, { low-pass = { freq_hz = 900, order = 2 } }, { gain = { gain_db = 9 } }",
            ),
            (96_000, "{ polarity = { inverted = true } }"),
        ] {
            let chain = stages(lines);
            let reach = Reach::of(&chain, rate_hz).expect("it is a filter");
            let mut block = Block::from_channels(vec![drums(1, rate_hz, 2.0)]);
            let start = |ms: usize| (ms * rate_hz as usize).div_ceil(1000);
            let frames = block.frames();
            let part = |block: &Block, ms: usize| {
                block.channel(0)[start(ms).min(frames)..start(ms + 1).min(frames)].to_vec()
            };
            let peak = |samples: Vec<f64>| samples.iter().fold(0.0f64, |most, x| most.max(x.abs()));
            let peaks: Vec<f32> = (0..2000).map(|ms| peak(part(&block, ms)) as f32).collect();
            let bounds = reach.bounds(&peaks);
            Chain::start(&chain, f64::from(rate_hz), 1).process(&mut block);
            let mut nearest = 0.0f64;
            for (ms, &bound) in bounds.iter().enumerate() {
                let mut here = TruePeak::new();
                let before = start(ms).saturating_sub(LATE);
                here.jump(&block.channel(0)[before.min(frames)..start(ms).min(frames)]);
                here.push(&part(&block, ms));
                let here = here.so_far();
                assert!(
                    here <= f64::from(bound) + 1e-6,
                    "{lines} {ms}: {here} {bound}"
                );
                nearest = nearest.max(here / f64::from(bound));
            }
            assert!(nearest > 0.2, "{lines}: {nearest}");
        }
    }

    #[test]
    fn what_is_no_filter_or_remembers_for_long_has_no_reach() {
        for lines in [
            "{ drive = { curve = \"soft\", drive_db = 3 } }",
            "{ notch = { freq_hz = 50, q = 30 } }",
            "{ delay = { samples = -5 } }",
            "{ gate = { range_db = -20 } }",
        ] {
            assert!(Reach::of(&stages(lines), 48_000).is_none(), "{lines}");
        }
        let through = Reach::of(&[], 48_000).expect("nothing is a filter");
        assert_eq!(through.memory_frames, 1);
    }
}
