//! [`Fades`]: a mix begins and ends without a step.

use crate::block::Block;
use crate::dsp::maths;

/// A mix comes up within so many seconds, and goes down within so many. Common practice, no source.
pub const FADE_IN_S: f64 = 0.005;
/// As above.
pub const FADE_OUT_S: f64 = 0.050;

/// The fades of a mix of known length, half a cosine each. A mix shorter than both has the lower of
/// the two at each frame.
#[derive(Clone, Copy, Debug)]
pub struct Fades {
    frames: u64,
    rise: u64,
    fall: u64,
}

impl Fades {
    /// Of a mix of so many frames.
    pub fn new(rate_hz: u32, frames: u64) -> Self {
        let of = |seconds: f64| (seconds * f64::from(rate_hz)) as u64;
        Self {
            frames,
            rise: of(FADE_IN_S),
            fall: of(FADE_OUT_S),
        }
    }

    /// What a frame is multiplied by, 0 to 1.
    pub fn gain(&self, frame: u64) -> f64 {
        let left = self.frames.saturating_sub(frame + 1);
        let edge = |from_end: u64, length: u64| match from_end < length {
            true => {
                let turn = from_end as f64 / length as f64;
                0.5 - 0.5 * maths::cos(std::f64::consts::PI * turn)
            }
            false => 1.0,
        };
        edge(frame, self.rise).min(edge(left, self.fall))
    }

    /// Fades the part of the mix that begins at frame `at`.
    pub fn apply(&self, block: &mut Block, at: u64) {
        let frames = block.frames();
        let edges = (0..frames)
            .map(|i| at + i as u64)
            .enumerate()
            .filter(|(_, frame)| *frame < self.rise || frame + 1 + self.fall > self.frames);
        for (i, frame) in edges {
            let gain = self.gain(frame);
            for samples in block.channels_mut() {
                samples[i] *= gain;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_constant_rises_in_5_ms_and_falls_in_50_however_it_is_cut() {
        let fades = Fades::new(48_000, 48_000);
        let whole = |size: usize| -> Vec<f64> {
            let mut all = Vec::new();
            for at in (0..48_000).step_by(size) {
                let mut block = Block::from_channels(vec![vec![1.0; size.min(48_000 - at)]]);
                fades.apply(&mut block, at as u64);
                all.extend_from_slice(block.channel(0));
            }
            all
        };
        let mix = whole(48_000);
        assert_eq!(mix, whole(700));
        assert_eq!((mix[0], mix[240], mix[45_599]), (0.0, 1.0, 1.0));
        // half a cosine is at its middle after half of the time, and has no step
        assert!((mix[120] - 0.5).abs() < 1e-12 && (mix[48_000 - 1 - 1200] - 0.5).abs() < 1e-12);
        assert_eq!(mix[47_999], 0.0);
        let steps = mix.windows(2).map(|w| (w[1] - w[0]).abs());
        assert!(steps.fold(0.0, f64::max) < 0.007);
        assert!(mix[240..45_600].iter().all(|x| *x == 1.0));
    }

    #[test]
    fn a_mix_of_a_few_frames_has_both_fades() {
        let fades = Fades::new(48_000, 10);
        assert!((0..10).all(|frame| fades.gain(frame) < 1e-3));
        assert_eq!(Fades::new(48_000, 0).gain(0), 0.0);
    }
}
