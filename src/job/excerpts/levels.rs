//! Gains that make sounds equally loud.

use crate::block::Block;
use crate::dsp::maths;
use crate::measure::loudness::{Gating, Loudness};
use crate::measure::true_peak::TruePeak;
use crate::units::{ratio_to_db, round_to};

/// All that are compared are brought to this loudness, or as near as their peaks allow.
const TARGET_LUFS: f64 = -20.0;
/// How often loudness is asked for anew at the gains that it led to.
const ROUNDS: usize = 3;
/// No peak passes this.
const CEILING_DBTP: f64 = -1.0;

/// How loud a sound is at any gain.
pub(super) struct Sounding {
    gating: Gating,
    dbtp: f64,
}

impl Sounding {
    /// `None` of silence.
    pub fn of(sound: &Block, rate_hz: u32) -> Option<Self> {
        let mut loudness = Loudness::new(rate_hz, sound.count());
        loudness.push(sound);
        let peak = |samples: &[f64]| {
            let mut peak = TruePeak::new();
            peak.push(samples);
            peak.finish()
        };
        let peak = sound.channels().map(peak).fold(0.0, f64::max);
        let gating = loudness.finish();
        gating.integrated()?;
        Some(Self {
            gating,
            dbtp: ratio_to_db(peak)?,
        })
    }

    /// As it would be without the gain that it is measured at: the absolute gate of the loudness does
    /// not move with a gain.
    fn level(&self, gain_db: f64) -> Option<Level> {
        let lufs = self.gating.louder_by(gain_db).integrated()?;
        Some((lufs - gain_db, self.dbtp))
    }
}

/// Gains in dB that make all equally loud, as measured with them; `None` for silence.
pub(super) fn equally_loud(sounds: &[Option<Sounding>]) -> Vec<Option<f64>> {
    let mut gains_db = vec![Some(0.0); sounds.len()];
    for _ in 0..ROUNDS {
        let at = sounds.iter().zip(&gains_db);
        let levels = at.map(|(sound, gain_db)| sound.as_ref()?.level((*gain_db)?));
        let levels: Vec<Option<Level>> = levels.collect();
        let there: Vec<Level> = levels.iter().flatten().copied().collect();
        let mut matched = match_levels(&there).into_iter();
        let next = levels
            .iter()
            .map(|level| level.and_then(|_| matched.next()));
        let next: Vec<Option<f64>> = next.collect();
        if next == gains_db {
            break;
        }
        gains_db = next;
    }
    gains_db
}

/// Integrated loudness and true peak.
type Level = (f64, f64);

/// Gains in dB that make all equally loud.
fn match_levels(levels: &[Level]) -> Vec<f64> {
    let highest = |(lufs, dbtp): &Level| lufs + CEILING_DBTP - dbtp;
    let target = levels.iter().map(highest).fold(TARGET_LUFS, f64::min);
    let gain = |(lufs, _): &Level| round_to(target - lufs, 2);
    levels.iter().map(gain).collect()
}

pub(super) fn scaled(sound: &Block, gain_db: f64) -> Block {
    let mut block = sound.clone();
    let ratio = maths::db_to_ratio(gain_db);
    let samples = block.channels_mut().flatten();
    samples.for_each(|sample| *sample *= ratio);
    block
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::Meter;

    #[test]
    fn what_is_compared_is_equally_loud_and_no_peak_passes_the_ceiling() {
        assert_eq!(match_levels(&[(-30.0, -20.0), (-24.0, -12.0)]), [10.0, 4.0]);
        // The second has 15 dB between loudness and peak, and the room of 4 dB less.
        let gains = match_levels(&[(-30.0, -20.0), (-18.0, 5.0)]);
        assert_eq!(gains, [6.0, -6.0]);
        assert_eq!(match_levels(&[]), [0.0; 0]);
    }

    #[test]
    fn sounds_are_equally_loud_as_the_meter_hears_them() {
        // The gates close on most of the one that dies away, the softer it is the more.
        let sine = |peak: f64, dying: f64, click: f64| {
            let sample = |i: usize| {
                let t = i as f64 / 48_000.0;
                peak * (std::f64::consts::TAU * 997.0 * t).sin() * (-dying * t).exp()
            };
            let mut samples: Vec<f64> = (0..192_000).map(sample).collect();
            samples[1000] += click;
            Block::from_channels(vec![samples])
        };
        let soft = [sine(0.1, 0.0, 0.0), sine(1e-3, 1.5, 0.0)];
        let hot = [sine(0.1, 0.0, 0.0), sine(0.01, 0.0, 0.8)];
        for (sounds, held) in [(&soft, false), (&hot, true)] {
            let sounding = sounds.each_ref().map(|sound| Sounding::of(sound, 48_000));
            let gains_db = equally_loud(&sounding);
            let after = sounds.iter().zip(&gains_db).map(|(sound, gain_db)| {
                let mut meter = Meter::new(48_000, 1);
                meter.push(&scaled(sound, gain_db.unwrap()));
                let levels = meter.finish();
                levels.integrated_lufs.zip(levels.true_peak_dbtp).unwrap()
            });
            let after: Vec<Level> = after.collect();
            let peak = after.iter().map(|level| level.1).fold(f64::MIN, f64::max);
            assert!((after[0].0 - after[1].0).abs() < 0.02, "{after:?}");
            match held {
                true => assert!((peak - CEILING_DBTP).abs() < 0.02, "{after:?}"),
                false => assert!((after[0].0 - TARGET_LUFS).abs() < 0.02, "{after:?}"),
            }
        }
        let silent = Sounding::of(&sine(0.0, 0.0, 0.0), 48_000);
        let other = Sounding::of(&soft[0], 48_000);
        let gains_db = equally_loud(&[silent, other]);
        assert!(gains_db[0].is_none() && gains_db[1].is_some());
    }
}
