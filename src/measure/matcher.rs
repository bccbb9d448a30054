//! [`Matcher`]: how loud the sound of a drive is, dry and distorted, before anything is rendered.
//!
//! One gain serves all takes of a mic, so [`Match::db`] pools them: the gates of ITU-R BS.1770-5 look
//! at all takes as at one programme.

use serde::{Deserialize, Serialize};

use super::loudness::{Gating, Loudness};
use crate::block::Block;
use crate::stage::{Drive, Running, Settings};
use crate::units;

/// Listens to the signal ahead of one drive, and to what the drive would make of it.
pub struct Matcher {
    drive: Box<dyn Running>,
    channels: usize,
    block: Block,
    /// Frames of the distorted sound still to be dropped for the drive's latency.
    late: usize,
    dry: Loudness,
    wet: Loudness,
}

impl Matcher {
    /// `drive` must pass its `check` at this rate; its `mix` and `match_db` do not count.
    pub fn new(drive: &Drive, rate_hz: u32, channels: usize) -> Self {
        let alone = Drive {
            mix: 1.0,
            match_db: Some(0.0),
            ..drive.clone()
        };
        let drive = alone.start(f64::from(rate_hz), channels);
        Self {
            late: drive.latency(),
            drive,
            channels,
            block: Block::default(),
            dry: Loudness::new(rate_hz, channels),
            wet: Loudness::new(rate_hz, channels),
        }
    }

    /// The next frames of the signal at the drive's input. Gives what comes out of the drive, which
    /// lines up with its input and comes later by the drive's latency.
    pub fn push(&mut self, block: &Block) -> &Block {
        self.dry.push(block);
        self.block.clone_from(block);
        self.distort()
    }

    fn distort(&mut self) -> &Block {
        self.drive.process(&mut self.block);
        let dropped = self.late.min(self.block.frames());
        self.late -= dropped;
        self.block.drop_front(dropped);
        self.wet.push(&self.block);
        &self.block
    }

    /// The end of the take: what the drive still holds.
    pub fn rest(&mut self) -> &Block {
        self.block = Block::new(self.channels, self.drive.latency());
        self.distort()
    }

    /// What was heard, after [`Matcher::rest`].
    pub fn finish(self) -> Match {
        Match {
            dry: self.dry.finish(),
            wet: self.wet.finish(),
        }
    }
}

/// What the sound of a drive measures in one take.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Match {
    /// Ahead of the drive.
    pub dry: Gating,
    /// Behind it, not matched.
    pub wet: Gating,
}

impl Match {
    /// The `match_db` that makes dry and distorted equally loud over all takes of a mic, rounded to
    /// 0.01 dB; `None` where nothing passes the gates.
    pub fn db(takes: &[&Match]) -> Option<f64> {
        let pool = |of: fn(&Match) -> &Gating| {
            Gating::pool(&takes.iter().map(|take| of(take)).collect::<Vec<_>>())
        };
        let db = pool(|take| &take.dry)? - pool(|take| &take.wet)?;
        Some(units::round_to(db, 2))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dsp::maths;
    use crate::stage::drive::Curve;

    fn sine(amplitude: f64, freq_hz: f64, frames: usize) -> Vec<f64> {
        let step = 2.0 * std::f64::consts::PI * freq_hz / 48e3;
        (0..frames)
            .map(|n| amplitude * maths::sin(step * n as f64))
            .collect()
    }

    fn heard(drive: &Drive, samples: Vec<f64>) -> Match {
        let mut matcher = Matcher::new(drive, 48_000, 1);
        for part in samples.chunks(4096) {
            matcher.push(&Block::from_channels(vec![part.to_vec()]));
        }
        matcher.rest();
        matcher.finish()
    }

    fn drive(curve: Curve, drive_db: f64) -> Drive {
        Drive {
            curve,
            drive_db,
            mix: 1.0,
            bias: 0.0,
            threshold_db: None,
            match_db: None,
        }
    }

    #[test]
    fn the_matched_sound_is_as_loud_as_the_dry_one() {
        let mut samples = Vec::new();
        for hit in 0..16 {
            let level = maths::db_to_ratio(-10.0 - f64::from(hit % 5));
            let tone = sine(level, 140.0 + 900.0 * f64::from(hit % 3), 12_000);
            let ring = |n: usize| maths::exp(-(n as f64) / 3000.0);
            samples.extend(tone.iter().enumerate().map(|(n, x)| x * ring(n)));
        }
        for curve in [
            Curve::Soft,
            Curve::Tube,
            Curve::Hard,
            Curve::Fold,
            Curve::Starve,
        ] {
            let mut settings = drive(curve, 14.0);
            let match_db = Match::db(&[&heard(&settings, samples.clone())]).unwrap();
            settings.match_db = Some(match_db);
            let mut block = Block::from_channels(vec![samples.clone()]);
            settings.start(48e3, 1).process(&mut block);
            let lufs = |block: &Block| {
                let mut loudness = Loudness::new(48_000, 1);
                loudness.push(block);
                loudness.finish().integrated().unwrap()
            };
            let gap = lufs(&block) - lufs(&Block::from_channels(vec![samples.clone()]));
            println!("{curve:?}: match {match_db} dB, off by {gap:.3} LU");
            assert!(gap.abs() < 0.1, "{curve:?}: {gap}");
        }
    }

    #[test]
    fn silence_and_takes_without_a_block_give_none() {
        let settings = drive(Curve::Hard, 20.0);
        assert_eq!(Match::db(&[&heard(&settings, vec![0.0; 96_000])]), None);
        assert_eq!(
            Match::db(&[&heard(&settings, sine(0.5, 100.0, 4_000))]),
            None
        );
        let empty = Matcher::new(&settings, 48_000, 1).finish();
        assert_eq!(Match::db(&[&empty]), None);
    }

    #[test]
    fn all_takes_of_a_mic_count_as_one_programme() {
        let settings = drive(Curve::Soft, 12.0);
        let loud = heard(&settings, sine(0.3, 300.0, 96_000));
        let soft = heard(&settings, sine(0.01, 300.0, 960_000)); // 29 dB down: the gate leaves it out
        let silent = heard(&settings, vec![0.0; 96_000]);
        let alone = Match::db(&[&loud]);
        assert_eq!(Match::db(&[&loud, &loud]), alone);
        assert_eq!(Match::db(&[&silent, &loud, &silent]), alone);
        assert!((Match::db(&[&soft, &loud]).unwrap() - alone.unwrap()).abs() < 0.5);
        assert!(Match::db(&[&soft]).unwrap() < alone.unwrap() - 1.0);
        assert_eq!(Match::db(&[]), None);
    }
}
