//! `compress`: lowers what is louder than a threshold.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::envelope::{Follower, MeanSquare, SideHighPass};
use super::{Fault, Running, Settings};
use crate::block::Block;
use crate::maths;

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
        let mut within = |key, value: f64, low: f64, high: f64| {
            if !(low..=high).contains(&value) {
                faults.push(Fault {
                    key,
                    value: value.to_string(),
                    message: format!("expected {low} to {high}"),
                });
            }
        };
        within("threshold_db", self.threshold_db, -60.0, 0.0);
        within("ratio", self.ratio, 1.0, 100.0);
        within("attack_ms", self.attack_ms, 0.05, 500.0);
        within("release_ms", self.release_ms, 1.0, 5000.0);
        within("knee_db", self.knee_db, 0.0, 24.0);
        within("makeup_db", self.makeup_db, -24.0, 24.0);
        if let Some(freq) = self.side_high_pass_hz {
            super::envelope::check_side_high_pass(freq, rate_hz, &mut faults);
        }
        faults
    }

    fn start(&self, rate_hz: f64, channels: usize) -> Box<dyn Running> {
        let side = self
            .side_high_pass_hz
            .map(|freq| vec![SideHighPass::new(freq, rate_hz); channels]);
        Box::new(Compressing {
            curve: StaticCurve::new(self),
            side,
            power: match self.detector {
                Detector::Peak => None,
                Detector::Rms => Some(MeanSquare::new(RMS_MS, rate_hz)),
            },
            reduction: Follower::new(self.attack_ms, self.release_ms, rate_hz),
            makeup_db: self.makeup_db,
            level: Vec::new(),
            heard: Vec::new(),
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
/// constant up and one down (the same paper, section 2.3: smooth, branching).
struct Compressing {
    curve: StaticCurve,
    side: Option<Vec<SideHighPass>>,
    power: Option<MeanSquare>,
    reduction: Follower,
    makeup_db: f64,
    /// What the detector reads, later the gain: one value a frame of the chunk.
    level: Vec<f64>,
    /// One channel as the detector hears it.
    heard: Vec<f64>,
}

impl Compressing {
    /// Peaks, or squares summed over the channels, of the frames from `start` on.
    fn detect(&mut self, block: &Block, start: usize) {
        let frames = self.level.len();
        self.level.fill(0.0);
        for (index, samples) in block.channels().enumerate() {
            self.heard.clear();
            self.heard
                .extend_from_slice(&samples[start..start + frames]);
            if let Some(side) = &mut self.side {
                for x in &mut self.heard {
                    *x = side[index].next(*x);
                }
            }
            let both = self.level.iter_mut().zip(&self.heard);
            if self.power.is_some() {
                both.for_each(|(level, x)| *level += x * x);
            } else {
                both.for_each(|(level, x)| *level = level.max(x.abs()));
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
mod tests {
    use super::*;

    fn settings() -> Compress {
        Compress {
            threshold_db: -24.0,
            ratio: 4.0,
            attack_ms: 5.0,
            release_ms: 80.0,
            knee_db: 6.0,
            detector: Detector::Peak,
            side_high_pass_hz: None,
            makeup_db: 0.0,
        }
    }

    fn run(settings: &Compress, channels: Vec<Vec<f64>>, size: usize) -> Vec<Vec<f64>> {
        let mut running = settings.start(48e3, channels.len());
        let mut out = vec![Vec::new(); channels.len()];
        for start in (0..channels[0].len()).step_by(size) {
            let end = (start + size).min(channels[0].len());
            let part = channels.iter().map(|c| c[start..end].to_vec()).collect();
            let mut block = Block::from_channels(part);
            running.process(&mut block);
            for (out, part) in out.iter_mut().zip(block.channels()) {
                out.extend_from_slice(part);
            }
        }
        out
    }

    fn last_db(settings: &Compress, input: Vec<f64>) -> f64 {
        maths::ratio_to_db(run(settings, vec![input], 4096)[0].last().unwrap().abs())
    }

    #[test]
    fn the_static_curve_is_the_published_one() {
        // Equation 4 of the paper, written as its three cases.
        for (ratio, knee) in [(4.0, 6.0), (6.0, 0.0), (20.0, 24.0), (1.0, 6.0)] {
            let settings = Compress {
                ratio,
                knee_db: knee,
                makeup_db: 1.5,
                ..settings()
            };
            for level in -60..=12 {
                let x = f64::from(level);
                let over = x + 24.0;
                let expected = if 2.0 * over < -knee {
                    x
                } else if 2.0 * over.abs() <= knee && knee > 0.0 {
                    x + (1.0 / ratio - 1.0) * (over + knee / 2.0).powi(2) / (2.0 * knee)
                } else {
                    -24.0 + over / ratio
                };
                let out = last_db(&settings, vec![maths::db_to_ratio(x); 48_000]);
                assert!(
                    (out - expected - 1.5).abs() < 1e-6,
                    "{ratio} {knee} {x}: {out} {expected}"
                );
            }
        }
    }

    #[test]
    fn the_reduction_follows_its_time_constants() {
        // −60 dBFS, then −4, then −60 again; 20 dB over the threshold become 5, so 15 dB of reduction.
        let quiet = maths::db_to_ratio(-60.0);
        let loud = maths::db_to_ratio(-4.0);
        let mut input = vec![quiet; 1000];
        input.extend(vec![loud; 48_000]);
        input.extend(vec![quiet; 48_000]);
        let settings = Compress {
            knee_db: 0.0,
            ..settings()
        };
        let output = run(&settings, vec![input.clone()], 4096).remove(0);
        let reduction = |n: usize| maths::ratio_to_db(input[n] / output[n]);
        for ms in [1.0, 5.0, 20.0] {
            let n = (ms * 48.0) as usize;
            let expected = 15.0 * (1.0 - (-ms / 5.0f64).exp());
            assert!((reduction(1000 + n - 1) - expected).abs() < 1e-6, "{ms}");
        }
        for ms in [10.0, 80.0, 400.0] {
            let n = (ms * 48.0) as usize;
            let expected = 15.0 * (-ms / 80.0f64).exp();
            assert!((reduction(49_000 + n - 1) - expected).abs() < 1e-6, "{ms}");
        }
    }

    #[test]
    fn peak_and_rms_read_a_sine_3_db_apart() {
        let sine: Vec<f64> = (0..96_000)
            .map(|n| 0.5 * maths::sin(2.0 * std::f64::consts::PI * 1000.0 / 48e3 * f64::from(n)))
            .collect();
        let level = |detector| {
            // Slow up, slower down: the ripple within a period averages out for RMS, peaks hold.
            let settings = Compress {
                detector,
                attack_ms: 0.05,
                release_ms: 5000.0,
                knee_db: 0.0,
                ..settings()
            };
            let output = run(&settings, vec![sine.clone()], 4096).remove(0);
            let peak = output[90_000..].iter().fold(0.0f64, |a, y| a.max(y.abs()));
            // out = T + (level − T)/4 on top of the detector's reading
            let gain = maths::ratio_to_db(peak / 0.5);
            -24.0 - gain / 0.75
        };
        assert!(
            (level(Detector::Peak) + 6.02).abs() < 0.1,
            "{}",
            level(Detector::Peak)
        );
        assert!(
            (level(Detector::Rms) + 9.03).abs() < 0.01,
            "{}",
            level(Detector::Rms)
        );
    }

    #[test]
    fn both_channels_get_one_gain() {
        let loud: Vec<f64> = (0..9600).map(|n| maths::sin(f64::from(n) * 0.05)).collect();
        let quiet: Vec<f64> = (0..9600)
            .map(|n| 1e-3 * maths::sin(f64::from(n) * 0.31))
            .collect();
        for detector in [Detector::Peak, Detector::Rms] {
            let settings = Compress {
                detector,
                ..settings()
            };
            let out = run(&settings, vec![loud.clone(), quiet.clone()], 512);
            for n in 1..9600 {
                let gains = (out[0][n] / loud[n], out[1][n] / quiet[n]);
                assert!((gains.0 / gains.1 - 1.0).abs() < 1e-12);
            }
            let swapped = run(&settings, vec![quiet.clone(), loud.clone()], 512);
            assert_eq!(out[0], swapped[1]);
        }
        let mono = run(&settings(), vec![loud.clone()], 512);
        assert_eq!(run(&settings(), vec![loud.clone(), loud], 512)[1], mono[0]);
    }

    #[test]
    fn the_side_high_pass_keeps_the_kick_out_of_the_detector() {
        let low: Vec<f64> = (0..48_000)
            .map(|n| 0.5 * maths::sin(0.0065 * f64::from(n)))
            .collect(); // 50 Hz
        let with = Compress {
            side_high_pass_hz: Some(800.0),
            ..settings()
        };
        let peak = |settings| {
            run(settings, vec![low.clone()], 4096)[0][40_000..]
                .iter()
                .fold(0.0f64, |a, b| a.max(b.abs()))
        };
        assert!((peak(&with) - 0.5).abs() < 1e-3);
        assert!(peak(&settings()) < 0.2);
    }

    #[test]
    fn how_the_stream_is_cut_changes_no_bit_and_silence_stays_silent() {
        let x: Vec<f64> = (0..6000)
            .map(|n| maths::sin(f64::from(n * (n % 97)) * 1e-3))
            .collect();
        for detector in [Detector::Peak, Detector::Rms] {
            let settings = Compress {
                detector,
                side_high_pass_hz: Some(100.0),
                ..settings()
            };
            let whole = run(&settings, vec![x.clone(), x.clone()], 6000);
            for size in [1, 7, 64, 4096] {
                assert_eq!(run(&settings, vec![x.clone(), x.clone()], size), whole);
            }
            assert!(
                run(&settings, vec![vec![0.0; 5000]], 64)[0]
                    .iter()
                    .all(|y| *y == 0.0)
            );
            let odd = vec![[1e300, -1e300, 1e-310, -5e-324, 1.0, 0.0].repeat(100)];
            assert!(run(&settings, odd, 64)[0].iter().all(|y| y.is_finite()));
        }
    }

    #[test]
    fn settings_out_of_range_are_all_named() {
        let wrong = Compress {
            threshold_db: 1.0,
            ratio: f64::NAN,
            attack_ms: 0.0,
            release_ms: 9e9,
            knee_db: -1.0,
            detector: Detector::Rms,
            side_high_pass_hz: Some(24_000.0),
            makeup_db: 25.0,
        };
        assert_eq!(wrong.check(48e3).len(), 7);
        assert_eq!(settings().check(48e3), []);
    }
}
