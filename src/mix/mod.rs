//! Rough mixes and group stems: faders, pans and sums, block by block.
//!
//! A mix is the sum of its strips in their order, times one final gain that all takes of a song
//! share ([`rough_gain`]). A group stem is the sum of some of the strips with the very same gains
//! and no final gain, so that all group stems together are the mix before its final gain.
//!
//! Where a track stands is the session file's to say. Nothing here knows a file; the caller reads
//! sources, hands blocks over and measures what comes out.

pub mod fade;
pub mod gain;
pub mod pan;

use std::ops::Range;

pub use fade::{FADE_IN_S, FADE_OUT_S, Fades};
pub use gain::{MixLevels, RoughGain, no_louder_than, reach_lufs, rough_gain};
pub use pan::{PanLaw, pan_gains};

use crate::block::Block;

/// One track in a mix.
#[derive(Clone, Debug, PartialEq)]
pub struct Strip {
    /// Fader and group fader, linear.
    pub gain: f64,
    /// What each channel of the track gives to left and right, before the fader.
    pub pan: Vec<[f64; 2]>,
    /// Frame of the mix at which the track starts.
    pub offset_frames: u64,
}

impl Strip {
    /// A track of one channel at the first position, or of two at both, panned with constant power.
    pub fn new(fader_db: f64, pan: (f64, f64), channels: usize, offset_frames: u64) -> Self {
        let pan = [pan.0, pan.1].into_iter().take(channels);
        Self {
            gain: crate::dsp::maths::db_to_ratio(fader_db),
            pan: pan
                .map(|pan| pan_gains(PanLaw::ConstantPower, pan))
                .collect(),
            offset_frames,
        }
    }

    /// Which frames of the track fall into `frames` frames of the mix from `at` on. May reach
    /// beyond the track's end; empty where the mix block lies before its start.
    pub fn needed(&self, at: u64, frames: usize) -> Range<u64> {
        let end = at.saturating_add(frames as u64);
        at.saturating_sub(self.offset_frames)..end.saturating_sub(self.offset_frames)
    }

    /// Adds the part of `source` that overlaps `mix`. `source` starts at frame `source_at` of the
    /// track and has its channels; `mix` is stereo and starts at frame `mix_at` of the mix. How a
    /// stream is cut into blocks makes no difference to any bit of the sum.
    pub fn add(&self, source: &Block, source_at: u64, mix: &mut Block, mix_at: u64) {
        let starts = self.offset_frames.saturating_add(source_at);
        let skip_mix = clamp(starts.saturating_sub(mix_at), mix.frames());
        let skip_source = clamp(mix_at.saturating_sub(starts), source.frames());
        for (samples, pan) in source.channels().zip(&self.pan) {
            for (side, share) in mix.channels_mut().zip(pan) {
                let gain = self.gain * share;
                if gain == 0.0 {
                    continue;
                }
                for (out, x) in side[skip_mix..].iter_mut().zip(&samples[skip_source..]) {
                    *out += gain * x;
                }
            }
        }
    }
}

fn clamp(frames: u64, at_most: usize) -> usize {
    usize::try_from(frames).map_or(at_most, |frames| frames.min(at_most))
}

/// `frames` frames of a mix from frame `at` on: the sum of `strips`, in their order. `blocks` holds
/// for each strip the frames that [`Strip::needed`] names, as far as the track has them.
pub fn sum(strips: &[Strip], blocks: &[Block], at: u64, frames: usize) -> Block {
    let mut mix = Block::new(2, frames);
    for (strip, block) in strips.iter().zip(blocks) {
        strip.add(block, strip.needed(at, frames).start, &mut mix, at);
    }
    mix
}

/// When the tracks of a take start.
#[derive(Clone, Debug, PartialEq)]
pub struct Placement {
    /// Time reference of the mix: that of its earliest track.
    pub time_reference_samples: Option<u64>,
    /// Start of each track in the mix, frames.
    pub offsets: Vec<u64>,
    /// Length of the mix, frames.
    pub frames: u64,
    /// The time references cannot be true (tracks of one take would not sound together): all tracks
    /// start at frame 0. A person should know.
    pub disbelieved: bool,
}

/// So much further than the longest track a short take may always reach: half a minute at 48 kHz.
const LITTLE_FRAMES: u64 = 30 * 48_000;

/// Places tracks, given as (time reference in samples, frames), by their time references. A track
/// without one starts with the earliest.
///
/// Tracks of one take sound together. Where they reach further than the longest of them and half as
/// much again, clocks differ (an hour is common): placed by them, silence would be written by the
/// gigabyte.
pub fn place(tracks: &[(Option<u64>, u64)]) -> Placement {
    let first = tracks.iter().filter_map(|track| track.0).min();
    let longest = tracks.iter().map(|track| track.1).max().unwrap_or(0);
    let start = first.unwrap_or(0);
    let mut offsets: Vec<u64> = (tracks.iter())
        .map(|track| track.0.map_or(0, |reference| reference - start))
        .collect();
    let furthest = longest.saturating_add((longest / 2).max(LITTLE_FRAMES));
    let lies_apart = |(track, offset): (&(Option<u64>, u64), &u64)| {
        *offset >= longest.max(1) || track.1.saturating_add(*offset) > furthest
    };
    let disbelieved = tracks.iter().zip(&offsets).any(lies_apart);
    if disbelieved {
        offsets.fill(0);
    }
    let frames = (tracks.iter().zip(&offsets))
        .map(|(track, offset)| track.1.saturating_add(*offset))
        .max();
    Placement {
        time_reference_samples: if disbelieved { None } else { first },
        offsets,
        frames: frames.unwrap_or(0),
        disbelieved,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::random::Random;
    use proptest::prelude::*;

    fn noise(name: &str, channels: usize, frames: usize) -> Block {
        let mut random = Random::of(1, name);
        let mut channel = || (0..frames).map(|_| 0.3 * random.noise()).collect();
        Block::from_channels((0..channels).map(|_| channel()).collect())
    }

    fn strip(gain: f64, pan: &[[f64; 2]], offset_frames: u64) -> Strip {
        Strip {
            gain,
            pan: pan.to_vec(),
            offset_frames,
        }
    }

    fn cut(block: &Block, range: Range<u64>) -> Block {
        let frames = block.frames() as u64;
        let range = range.start.min(frames) as usize..range.end.min(frames) as usize;
        Block::from_channels(
            block
                .channels()
                .map(|c| c[range.clone()].to_vec())
                .collect(),
        )
    }

    fn take() -> (Vec<Strip>, Vec<Block>) {
        let strips = vec![
            strip(0.8, &[pan_gains(PanLaw::ConstantPower, 0.0)], 0),
            strip(0.5, &[pan_gains(PanLaw::ConstantPower, -40.0)], 137),
            strip(1.0, &[[1.0, 0.0], [0.0, 1.0]], 5),
            strip(0.7, &[pan_gains(PanLaw::ConstantPower, 35.0)], 700),
        ];
        let blocks = vec![
            noise("kick", 1, 1000),
            noise("tom", 1, 400),
            noise("overhead", 2, 900),
            noise("late", 1, 600),
        ];
        (strips, blocks)
    }

    /// The mix of a whole take, cut into blocks of `size`.
    fn mixed(strips: &[Strip], tracks: &[Block], frames: u64, size: usize) -> Vec<Vec<f64>> {
        let mut mix = vec![Vec::new(), Vec::new()];
        for at in (0..frames).step_by(size) {
            let length = size.min((frames - at) as usize);
            let blocks: Vec<Block> = (strips.iter().zip(tracks))
                .map(|(strip, track)| cut(track, strip.needed(at, length)))
                .collect();
            let block = sum(strips, &blocks, at, length);
            for (whole, part) in mix.iter_mut().zip(block.channels()) {
                whole.extend_from_slice(part);
            }
        }
        mix
    }

    #[test]
    fn a_mix_is_the_sum_written_out_sample_by_sample() {
        let (strips, tracks) = take();
        let mix = mixed(&strips, &tracks, 1300, 64);
        for (side, mix) in mix.iter().enumerate() {
            for (n, y) in mix.iter().enumerate() {
                let mut wanted = 0.0;
                for (strip, track) in strips.iter().zip(&tracks) {
                    let Some(m) = n.checked_sub(strip.offset_frames as usize) else {
                        continue;
                    };
                    for channel in 0..track.count() {
                        let x = track.channel(channel).get(m).copied().unwrap_or(0.0);
                        wanted += strip.gain * strip.pan[channel][side] * x;
                    }
                }
                assert!((y - wanted).abs() < 1e-15, "{n} {side}");
            }
        }
        assert!(
            mix[0][1250].abs() > 0.0,
            "the late track is there to its end"
        );
    }

    proptest! {
        #[test]
        fn block_size_does_not_change_a_bit(size in 1usize..1500) {
            let (strips, tracks) = take();
            prop_assert!(mixed(&strips, &tracks, 1300, size) == mixed(&strips, &tracks, 1300, 1300));
        }
    }

    #[test]
    fn a_pair_at_full_width_passes_unchanged() {
        let pair = noise("pair", 2, 100);
        let pan: Vec<[f64; 2]> = [-100.0, 100.0]
            .map(|pan| pan_gains(PanLaw::ConstantPower, pan))
            .to_vec();
        let strips = [strip(1.0, &pan, 0)];
        assert_eq!(sum(&strips, std::slice::from_ref(&pair), 0, 100), pair);
    }

    #[test]
    fn group_stems_sum_to_the_mix_below_120_db_through_24_bits() {
        let (strips, tracks) = take();
        let mut dither = Random::of(2, "dither");
        let mut stored = |side: &[f64]| -> Vec<f64> {
            let full = f64::from(1 << 23);
            (side.iter())
                .map(|x| {
                    let tpdf = 0.5 * (dither.noise() + dither.noise());
                    (x * full + tpdf).round() / full
                })
                .collect()
        };
        let mix = mixed(&strips, &tracks, 1300, 256);
        let mut left = 0.0;
        for side in 0..2 {
            let mut rest = stored(&mix[side]);
            for group in [&[0usize, 3][..], &[1], &[2]] {
                let strips: Vec<Strip> = group.iter().map(|&i| strips[i].clone()).collect();
                let tracks: Vec<Block> = group.iter().map(|&i| tracks[i].clone()).collect();
                let stem = mixed(&strips, &tracks, 1300, 100);
                for (rest, y) in rest.iter_mut().zip(stored(&stem[side])) {
                    *rest -= y;
                }
            }
            left += rest.iter().map(|y| y * y).sum::<f64>() / (2.0 * rest.len() as f64);
        }
        let left_dbfs = 10.0 * left.log10();
        // four roundings with triangular dither, each q²/4 of power: −138.5 dBFS expected
        assert!((left_dbfs + 138.5).abs() < 1.0, "{left_dbfs}");
    }

    #[test]
    fn tracks_are_placed_by_their_time_references() {
        let placed = place(&[(Some(48_100), 1000), (None, 900), (Some(48_000), 1000)]);
        assert_eq!(placed.offsets, [100, 0, 0]);
        assert_eq!(placed.time_reference_samples, Some(48_000));
        assert_eq!(placed.frames, 1100);
        assert!(!placed.disbelieved);
    }

    #[test]
    fn a_time_reference_hours_away_does_not_make_a_mix_of_hours() {
        let placed = place(&[(Some(0), 1000), (Some(2_000_000_000), 1000)]);
        assert_eq!(placed.offsets, [0, 0]);
        assert_eq!((placed.frames, placed.time_reference_samples), (1000, None));
        assert!(placed.disbelieved);
        assert_eq!(place(&[]).frames, 0);
        assert!(!place(&[(Some(5), 0)]).disbelieved);
        // Takes longer than the hour by which their clocks differ.
        let (hour, length) = (3600 * 48_000, 3900 * 48_000);
        let placed = place(&[(Some(0), length), (Some(hour), length)]);
        assert!(placed.disbelieved && placed.frames == length);
        // A recorder that was started late and stopped late, and a mic that was armed at the end.
        let minute = 60 * 48_000;
        let placed = place(&[(Some(0), 10 * minute), (Some(3 * minute), 10 * minute)]);
        assert_eq!(placed.offsets, [0, 3 * minute]);
        assert!(!place(&[(Some(0), 10 * minute), (Some(9 * minute), minute)]).disbelieved);
    }
}
