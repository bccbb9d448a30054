//! Rough mixes: the arithmetic of panning, summing and the one gain of a song. No audio files here.

use crate::block::Block;
use crate::maths;
use crate::units::{power_to_db, round_to};

/// Gains of the left and the right side for a position from −100 (left) to 100 (right): constant
/// power, `cos` and `sin` of a quarter turn, −3.01 dB each in the middle. The ends are exact.
pub fn pan_gains(pan: f64) -> [f64; 2] {
    if pan <= -100.0 {
        return [1.0, 0.0];
    }
    if pan >= 100.0 {
        return [0.0, 1.0];
    }
    let angle = (pan + 100.0) / 200.0 * std::f64::consts::FRAC_PI_2;
    [maths::cos(angle), maths::sin(angle)]
}

/// How one track enters a mix.
#[derive(Clone, Debug, PartialEq)]
pub struct Strip {
    /// Left and right gain of each channel.
    pub gains: Vec<[f64; 2]>,
    /// Frames after the start of the mix at which the track begins.
    pub offset: u64,
}

impl Strip {
    /// A track of one channel at the first position, or of two at both; `fader_db` counts for both.
    pub fn new(fader_db: f64, pan: (f64, f64), channels: usize, offset: u64) -> Self {
        let fader = maths::db_to_ratio(fader_db);
        let gains = [pan.0, pan.1]
            .into_iter()
            .take(channels)
            .map(|pan| pan_gains(pan).map(|gain| gain * fader))
            .collect();
        Self { gains, offset }
    }

    /// Adds frames of the track to a stereo block of the mix, from frame `at` of the block on.
    pub fn add(&self, track: &Block, at: usize, mix: &mut Block) {
        for (samples, gains) in track.channels().zip(&self.gains) {
            for (side, &gain) in gains.iter().enumerate() {
                if gain == 0.0 {
                    continue;
                }
                let out = mix.channel_mut(side).iter_mut().skip(at);
                for (out, sample) in out.zip(samples) {
                    *out += gain * sample;
                }
            }
        }
    }
}

/// Figures of one take's mix before its gain.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Loudness {
    /// Integrated; `None` where it is silent or too short.
    pub integrated_lufs: Option<f64>,
    /// `None` where it is silent.
    pub true_peak_dbtp: Option<f64>,
    /// Length.
    pub frames: u64,
}

/// The one gain of all mixes of a song.
#[derive(Clone, Debug, PartialEq)]
pub struct Gain {
    /// In dB, steps of 0.1.
    pub db: f64,
    /// Why, in words.
    pub why: String,
}

/// The gain that brings the takes of a song together to `target_lufs`, lowered until none of them
/// passes `ceiling_dbtp`. The loudness of the song is the mean power of its takes by their length:
/// what a listener hears who plays them one after another.
pub fn song_gain(takes: &[Loudness], target_lufs: f64, ceiling_dbtp: f64) -> Gain {
    let parts = || {
        takes.iter().filter_map(|t| {
            t.integrated_lufs
                .map(|l| (10f64.powf(l / 10.0), t.frames as f64))
        })
    };
    let frames: f64 = parts().map(|p| p.1).sum();
    let pooled = power_to_db(parts().map(|p| p.0 * p.1).sum::<f64>() / frames.max(1.0));
    let Some(loudness) = pooled else {
        return Gain {
            db: 0.0,
            why: "silent, or too short for a loudness".to_owned(),
        };
    };
    let wanted = round_to(target_lufs - loudness, 1);
    let mut why = format!(
        "the takes measure {} LUFS, target {target_lufs}",
        round_to(loudness, 1)
    );
    let loudest = takes
        .iter()
        .enumerate()
        .filter_map(|(i, t)| t.true_peak_dbtp.map(|peak| (peak, i)))
        .max_by(|a, b| a.0.total_cmp(&b.0));
    if let Some((peak, take)) = loudest
        && peak + wanted > ceiling_dbtp
    {
        let db = round_to(((ceiling_dbtp - peak) * 10.0).floor() / 10.0, 1);
        why += &format!(
            "; {} dB quieter, since the loudest peak (take {} of the song) may reach {ceiling_dbtp} dBTP and no more",
            round_to(wanted - db, 1),
            take + 1
        );
        return Gain { db, why };
    }
    Gain { db: wanted, why }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn panning_keeps_the_power_and_follows_its_formula() {
        // cos and sin of a quarter turn: constant power (common practice, no source).
        for pan in -100..=100 {
            let [left, right] = pan_gains(f64::from(pan));
            assert!((left * left + right * right - 1.0).abs() < 1e-15, "{pan}");
            let p = (f64::from(pan) + 100.0) / 200.0;
            assert!((left - (p * std::f64::consts::FRAC_PI_2).cos()).abs() < 1e-15);
        }
        assert!((20.0 * pan_gains(0.0)[0].log10() + 3.0103).abs() < 1e-4);
    }

    #[test]
    fn a_pair_at_both_ends_passes_unchanged() {
        let strip = Strip::new(0.0, (-100.0, 100.0), 2, 0);
        let pair = Block::from_channels(vec![vec![0.1, -0.7, 0.3], vec![0.9, 0.2, -0.4]]);
        let mut mix = Block::new(2, 3);
        strip.add(&pair, 0, &mut mix);
        assert_eq!(mix, pair);
    }

    #[test]
    fn a_track_that_begins_later_is_placed_there() {
        let strip = Strip::new(-6.0, (-100.0, -100.0), 1, 0);
        let mut mix = Block::new(2, 4);
        strip.add(
            &Block::from_channels(vec![vec![1.0, 1.0, 1.0]]),
            2,
            &mut mix,
        );
        let half = crate::maths::db_to_ratio(-6.0);
        assert_eq!(mix.channel(0), [0.0, 0.0, half, half]);
        assert_eq!(mix.channel(1), [0.0; 4]);
    }

    fn take(integrated_lufs: f64, true_peak_dbtp: f64) -> Loudness {
        Loudness {
            integrated_lufs: Some(integrated_lufs),
            true_peak_dbtp: Some(true_peak_dbtp),
            frames: 48_000,
        }
    }

    #[test]
    fn takes_of_a_song_share_one_gain_and_the_ceiling_wins() {
        assert_eq!(
            song_gain(&[take(-24.0, -12.0), take(-24.0, -11.0)], -18.0, -1.0).db,
            6.0
        );
        let held = song_gain(&[take(-24.0, -12.0), take(-24.0, -3.0)], -18.0, -1.0);
        assert_eq!(held.db, 2.0);
        assert!(
            held.why.contains("4 dB quieter") && held.why.contains("take 2"),
            "{}",
            held.why
        );
        let silent = Loudness {
            integrated_lufs: None,
            true_peak_dbtp: None,
            frames: 10,
        };
        assert_eq!(song_gain(&[silent], -18.0, -1.0).db, 0.0);
        assert_eq!(song_gain(&[], -18.0, -1.0).db, 0.0);
    }
}
