//! `compress`: lowers what is louder than a threshold.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::envelope::{Follower, MeanSquare, SideHighPass};
use super::{Fault, Running, Settings, between, within};
use crate::block::Block;
use crate::dsp::maths;

/// What the detector follows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Detector {
    /// The sample, of a stereo track the larger of the two.
    #[default]
    Peak,
    /// The root mean square of the last 10 ms, of a stereo track over both channels.
    Rms,
}

/// Lowers what is louder than a threshold.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Compress {
    /// Where it starts, −60 to 0 dBFS.
    pub threshold_db: f64,
    /// 1 to 100.
    pub ratio: f64,
    /// Time in which the gain goes 63 % of the way down, in dB: 0.05 to 500 ms.
    pub attack_ms: f64,
    /// Time in which the gain goes 63 % of the way back, in dB: 1 to 5,000 ms.
    pub release_ms: f64,
    /// Width of the soft knee, 0 to 24 dB. Default 6.
    #[serde(default = "six", skip_serializing_if = "is_six")]
    pub knee_db: f64,
    /// What the detector follows.
    #[serde(default, skip_serializing_if = "crate::stage::is_default")]
    pub detector: Detector,
    /// A high-pass (second order) ahead of the detector only, in hertz.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub side_high_pass_hz: Option<f64>,
    /// Gain behind it, −24 to 24 dB. Default 0.
    #[serde(default, skip_serializing_if = "crate::stage::is_default")]
    pub makeup_db: f64,
}

fn six() -> f64 {
    6.0
}

fn is_six(value: &f64) -> bool {
    *value == 6.0
}

/// Window of [`Detector::Rms`].
const RMS_MS: f64 = 10.0;
/// Decibels of amplitude in a doubling, 20 lg 2.
const DB_PER_OCTAVE: f64 = 6.020_599_913_279_624;
/// Levels below this are all alike: −180 dBFS.
const NOTHING: f64 = 1e-9;
/// Frames worked on at a time.
const CHUNK: usize = 256;

impl Settings for Compress {
    fn check(&self, rate_hz: f64) -> Vec<Fault> {
        let mut faults = Vec::new();
        let mut expect = |key, value, low, high| faults.extend(within(key, value, low, high));
        expect("threshold_db", self.threshold_db, -60.0, 0.0);
        expect("ratio", self.ratio, 1.0, 100.0);
        expect("attack_ms", self.attack_ms, 0.05, 500.0);
        expect("release_ms", self.release_ms, 1.0, 5000.0);
        expect("knee_db", self.knee_db, 0.0, 24.0);
        expect("makeup_db", self.makeup_db, -24.0, 24.0);
        if let Some(freq) = self.side_high_pass_hz {
            faults.extend(between("side_high_pass_hz", freq, 0.0, rate_hz / 2.0));
        }
        faults
    }

    fn start(&self, rate_hz: f64, channels: usize) -> Box<dyn Running> {
        let side = self.side_high_pass_hz.into_iter().flat_map(|freq_hz| {
            std::iter::repeat_with(move || SideHighPass::new(freq_hz, rate_hz)).take(channels)
        });
        Box::new(Compressing {
            curve: StaticCurve::new(self),
            side: side.collect(),
            power: match self.detector {
                Detector::Peak => None,
                Detector::Rms => Some(MeanSquare::new(RMS_MS, rate_hz)),
            },
            reduction: Follower::new(self.attack_ms, self.release_ms, rate_hz),
            makeup_db: self.makeup_db,
            level: Vec::new(),
        })
    }
}

/// Gain computer with a soft knee (Giannoulis, Massberg, Reiss, JAES 60(6), 2012, equation 4).
struct StaticCurve {
    threshold_db: f64,
    /// Share of the overshoot that is taken off, 1 − 1/ratio.
    slope: f64,
    knee_db: f64,
    per_two_knees: f64,
}

impl StaticCurve {
    fn new(settings: &Compress) -> Self {
        Self {
            threshold_db: settings.threshold_db,
            slope: 1.0 - 1.0 / settings.ratio,
            knee_db: settings.knee_db,
            per_two_knees: if settings.knee_db > 0.0 {
                0.5 / settings.knee_db
            } else {
                0.0
            },
        }
    }

    /// By how many dB a level is to be lowered, 0 or more.
    #[inline]
    fn reduction_db(&self, level_db: f64) -> f64 {
        let into = level_db - self.threshold_db + 0.5 * self.knee_db; // from the start of the knee
        let within = into.max(0.0).min(self.knee_db);
        let beyond = (into - self.knee_db).max(0.0);
        // Past the knee its parabola has reached knee/2, from where the line goes on.
        self.slope * (within * within * self.per_two_knees + beyond)
    }
}

/// Feed-forward; the reduction is smoothed in decibels behind the gain computer, with one time
/// constant up and one down (the same paper: log domain, smooth, branching).
struct Compressing {
    curve: StaticCurve,
    /// One a channel, or none.
    side: Vec<SideHighPass>,
    power: Option<MeanSquare>,
    reduction: Follower,
    makeup_db: f64,
    /// What the detector reads, later the gain: one value a frame of the chunk.
    level: Vec<f64>,
}

impl Compressing {
    /// Peaks, or squares summed over the channels, of the frames from `start` on.
    fn detect(&mut self, block: &Block, start: usize) {
        let end = start + self.level.len();
        let rms = self.power.is_some();
        self.level.fill(0.0);
        for (channel, samples) in block.channels().enumerate() {
            let mut side = self.side.get_mut(channel);
            for (level, &x) in self.level.iter_mut().zip(&samples[start..end]) {
                let x = side.as_mut().map_or(x, |side| side.next(x));
                *level = if rms {
                    *level + x * x
                } else {
                    level.max(x.abs())
                };
            }
        }
    }
}

impl Running for Compressing {
    fn process(&mut self, block: &mut Block) {
        let per_channel = 1.0 / block.count().max(1) as f64;
        let mut start = 0;
        while start < block.frames() {
            self.level.resize(CHUNK.min(block.frames() - start), 0.0);
            self.detect(block, start);

            let mut db_per_octave = DB_PER_OCTAVE;
            let mut nothing = NOTHING;
            if let Some(power) = &mut self.power {
                for level in &mut self.level {
                    *level = power.next(*level * per_channel);
                }
                db_per_octave *= 0.5;
                nothing *= NOTHING;
            }
            for level in &mut self.level {
                let db = db_per_octave * maths::fast_log2(level.clamp(nothing, 1e30));
                *level = self.curve.reduction_db(db);
            }
            for level in &mut self.level {
                *level = self.reduction.next(*level);
            }
            for level in &mut self.level {
                let db = self.makeup_db - *level;
                *level = maths::fast_exp2(db * (1.0 / DB_PER_OCTAVE));
            }

            let end = start + self.level.len();
            for samples in block.channels_mut() {
                for (x, gain) in samples[start..end].iter_mut().zip(&self.level) {
                    *x *= gain;
                }
            }
            start = end;
        }
    }
}

#[cfg(test)]
mod tests;
