//! `drive`: oversampled, alias-suppressed distortion with distinct characters.
//!
//! Gain → up to at least 300 kHz → curve → down → 15 Hz high-pass → `match_db` → mix with the dry sound,
//! which waits as long as the other takes. The averaging in the curves costs 0.25 dB at 20 kHz. The
//! tests print how much a full-scale sine aliases: with 30 dB of drive less than −90 dBFS at 5 kHz and
//! −80 dBFS at 10 kHz.

use std::hint::black_box;

use multiversion::multiversion;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::curve::{Hard, Shape, Soft, antialiased, folded};
use super::envelope::{Amplitude, Follower, Tidy, flushed, kept};
use super::history::History;
use super::oversample::Oversampler;
use super::{Expected, Fault, Running, Settings, within};
use crate::block::Block;
use crate::dsp::maths;

/// What the distortion does to the wave.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Curve {
    /// Rounds the tops slowly.
    Soft,
    /// Asymmetric, its bias following the level.
    Tube,
    /// Straight, then cut flat.
    Hard,
    /// Turns the tops back down; drive up to 18 dB.
    Fold,
    /// Gates and sputters like a failing circuit.
    Starve,
}

/// Distorts.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Drive {
    /// The character.
    pub curve: Curve,
    /// Gain into the curve, 0 to 48 dB (`fold`: to 18).
    pub drive_db: f64,
    /// Share of the distorted sound, 0 to 1; dry and distorted are equally loud, so that it compares fairly. Default 1.
    #[serde(default = "one", skip_serializing_if = "is_one")]
    pub mix: f64,
    /// Asymmetry, −1 to 1: an offset ahead of the curve, taken off again behind it. Default 0.
    #[serde(default, skip_serializing_if = "crate::stage::is_default")]
    pub bias: f64,
    /// Only for `starve`: the level ahead of the drive where the sound starts to fail, −60 to 0 dBFS.
    /// Default −28, some 12 to 18 dB below the hits of a mic at its working level.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub threshold_db: Option<f64>,
    /// Gain that makes the distorted sound as loud as the dry one, measured over the whole set-up; absent until then.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub match_db: Option<f64>,
}

fn one() -> f64 {
    1.0
}

fn is_one(value: &f64) -> bool {
    *value == 1.0
}

/// `tube`: share of the signal's amplitude that its offset is. The second harmonic then stays 14 dB
/// below the first at any drive; a fixed offset fades as the drive grows.
const TUBE_OFFSET: f64 = 0.2;
/// `starve`: where the sound starts to fail unless the settings say otherwise, dBFS.
const STARVE_DBFS: f64 = -28.0;
/// `starve`: gain far below the threshold, −40 dB.
const STARVE_FLOOR: f64 = 0.01;
/// Corner of the first-order high-pass that takes the offset off behind the curve.
const DC_HZ: f64 = 15.0;
/// What goes into a curve is held to this, so that no foreign sample leaves the range of the arithmetic.
const MOST: f64 = 1e6;
/// Frames worked on at a time: all buffers of a chunk together stay in the first-level cache.
const CHUNK: usize = 64;

impl Drive {
    fn threshold(&self) -> f64 {
        maths::db_to_ratio(self.threshold_db.unwrap_or(STARVE_DBFS))
    }

    /// Gain of the distorted sound, as a ratio: `match_db`, or where that has not been measured yet, the
    /// gain that gives a sine of −12 dBFS peak its power back.
    fn match_gain(&self) -> f64 {
        if let Some(db) = self.match_db {
            return maths::db_to_ratio(db);
        }
        const STEPS: u32 = 512;
        let amplitude = maths::db_to_ratio(-12.0);
        let gain = match self.curve {
            Curve::Starve => starve_gain(amplitude / self.threshold()),
            _ => 1.0,
        } * maths::db_to_ratio(self.drive_db);
        let offset = match self.curve {
            Curve::Tube => self.bias + TUBE_OFFSET * amplitude * gain,
            _ => self.bias,
        };
        let (mut sum, mut power) = (0.0, 0.0);
        for i in 0..STEPS {
            let phase = 2.0 * std::f64::consts::PI * f64::from(i) / f64::from(STEPS);
            let x = amplitude * gain * maths::sin(phase) + offset;
            let y = match self.curve {
                Curve::Soft | Curve::Tube => Soft::at(x),
                Curve::Hard | Curve::Starve => Hard::at(x),
                Curve::Fold => maths::sin_half_pi(x),
            };
            sum += y;
            power += y * y;
        }
        let mean = sum / f64::from(STEPS);
        let power = power / f64::from(STEPS) - mean * mean;
        // Even `fold` leaves power at every drive that `check` admits.
        amplitude * (0.5 / power.max(1e-12)).sqrt()
    }
}

impl Settings for Drive {
    fn check(&self, _rate_hz: f64) -> Vec<Fault> {
        let mut faults = Vec::new();
        let mut expect = |key, value, low, high| faults.extend(within(key, value, low, high));
        let most = if self.curve == Curve::Fold {
            18.0
        } else {
            48.0
        };
        expect("drive_db", self.drive_db, 0.0, most);
        expect("mix", self.mix, 0.0, 1.0);
        expect("bias", self.bias, -1.0, 1.0);
        expect("match_db", self.match_db.unwrap_or(0.0), -80.0, 80.0);
        expect("threshold_db", self.threshold_db.unwrap_or(0.0), -60.0, 0.0);
        if let Some(threshold) = self.threshold_db
            && self.curve != Curve::Starve
        {
            faults.push(Fault {
                key: "threshold_db",
                value: threshold.to_string(),
                expected: Expected::Other("only the curve starve has a threshold"),
            });
        }
        faults
    }

    fn start(&self, rate_hz: f64, channels: usize) -> Box<dyn Running> {
        let wet = Wet::new(self, rate_hz);
        let latency = wet.latency();
        let channel = Channel {
            wet,
            dry: History::new(latency, 0.0),
        };
        Box::new(Driving {
            channels: vec![channel; channels],
            latency,
            dry_gain: 1.0 - self.mix,
            wet_gain: self.mix * self.match_gain(),
            scratch: Vec::new(),
        })
    }
}

struct Driving {
    channels: Vec<Channel>,
    latency: usize,
    dry_gain: f64,
    wet_gain: f64,
    scratch: Vec<f64>,
}

#[derive(Clone)]
struct Channel {
    wet: Wet,
    dry: History,
}

impl Running for Driving {
    fn process(&mut self, block: &mut Block) {
        let (dry_gain, wet_gain) = (self.dry_gain, self.wet_gain);
        for (samples, channel) in block.channels_mut().zip(&mut self.channels) {
            for samples in samples.chunks_mut(CHUNK) {
                self.scratch.resize(samples.len(), 0.0);
                channel.wet.process(samples, &mut self.scratch);
                if dry_gain == 0.0 {
                    for (out, wet) in samples.iter_mut().zip(&self.scratch) {
                        *out = wet_gain * wet;
                    }
                    continue;
                }
                channel.dry.next(samples.len()).copy_from_slice(samples);
                let late = channel.dry.all(samples.len());
                for ((out, wet), dry) in samples.iter_mut().zip(&self.scratch).zip(late) {
                    *out = dry_gain * dry + wet_gain * wet;
                }
                channel.dry.advance(samples.len());
            }
        }
    }

    fn latency(&self) -> usize {
        self.latency
    }
}

/// The distorted sound of one channel, before its loudness is matched.
#[derive(Clone)]
struct Wet {
    over: Oversampler,
    curve: Curve,
    drive: f64,
    control: Control,
    bias: f64,
    /// What the curve makes of silence.
    rest: f64,
    /// What makes the delay a whole number of samples, in high-rate samples.
    pad: usize,
    /// Looks back over two samples for the curve, and over the padding.
    high: History,
    shaped: Vec<f64>,
    low: Vec<f64>,
    dc_keep: f64,
    dc: f64,
    tidy: Tidy,
}

/// What moves with the level, from sample to sample.
#[derive(Clone)]
enum Control {
    Fixed,
    /// The tube's offset, and what takes off the mean that it makes behind the curve.
    Offset {
        level: Amplitude,
        offset: Ramp,
        mean: Ramp,
    },
    /// The starving circuit's gain.
    Starve {
        per_threshold: f64,
        level: Follower,
        smooth: Follower,
        gain: Ramp,
    },
}

/// A control at the low rate, joined by straight lines at the high rate.
#[derive(Clone, Default)]
struct Ramp {
    last: f64,
    values: Vec<f64>,
}

impl Ramp {
    /// Adds the control to the high-rate samples.
    fn add_to(&mut self, high: &mut [f64], factor: usize) {
        let Self { last, values } = self;
        added(last, values, high, factor);
        values.clear();
    }

    /// Multiplies the high-rate samples by the control.
    fn scale(&mut self, high: &mut [f64], factor: usize) {
        let Self { last, values } = self;
        scaled(last, values, high, factor);
        values.clear();
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn added(last: &mut f64, values: &[f64], high: &mut [f64], factor: usize) {
    over(last, values, high, factor, |x, value| x + value);
}

#[multiversion(targets("x86_64+avx2"))]
fn scaled(last: &mut f64, values: &[f64], high: &mut [f64], factor: usize) {
    over(last, values, high, factor, |x, value| x * value);
}

/// Calls `apply` on each high-rate sample with the control's value there.
#[inline(always)]
fn over(
    last: &mut f64,
    values: &[f64],
    high: &mut [f64],
    factor: usize,
    apply: impl Fn(f64, f64) -> f64,
) {
    match factor {
        8 => joined::<8>(last, values, high, apply),
        4 => joined::<4>(last, values, high, apply),
        2 => joined::<2>(last, values, high, apply),
        _ => joined::<1>(last, values, high, apply),
    }
}

#[inline(always)]
fn joined<const FACTOR: usize>(
    last: &mut f64,
    values: &[f64],
    high: &mut [f64],
    apply: impl Fn(f64, f64) -> f64,
) {
    let (steps, _) = high.as_chunks_mut::<FACTOR>();
    for (step, &value) in steps.iter_mut().zip(values) {
        // Hidden, or the compiler takes several steps at once, and spends its time on shuffling them.
        let rise = black_box((value - *last) * (1.0 / FACTOR as f64));
        for (i, x) in step.iter_mut().enumerate() {
            *x = apply(*x, *last + rise * i as f64);
        }
        *last = value;
    }
}

/// Gain of a starving circuit: 1 well above the threshold, `STARVE_FLOOR` well below, half at it; 40 dB
/// lie within some 10 dB. `r` is the level divided by the threshold.
#[inline]
fn starve_gain(r: f64) -> f64 {
    let r2 = r * r;
    let r4 = r2 * r2;
    let r8 = r4 * r4;
    (r8 + STARVE_FLOOR) / (r8 + 1.0)
}

impl Wet {
    fn new(settings: &Drive, rate_hz: f64) -> Self {
        let over = Oversampler::new(rate_hz);
        let odd = (2 * over.delay() + 1) % over.factor();
        let pad = (over.factor() - odd) % over.factor();
        let control = match settings.curve {
            Curve::Tube => Control::Offset {
                level: Amplitude::new(rate_hz),
                offset: Ramp::default(),
                mean: Ramp::default(),
            },
            Curve::Starve => Control::Starve {
                per_threshold: 1.0 / settings.threshold(),
                level: Follower::new(0.0, 25.0, rate_hz),
                smooth: Follower::new(0.1, 0.1, rate_hz),
                gain: Ramp::default(),
            },
            _ => Control::Fixed,
        };
        let mut rest = [0.0];
        shape(settings.curve, &[settings.bias; 3], &mut rest);
        Self {
            over,
            curve: settings.curve,
            drive: maths::db_to_ratio(settings.drive_db),
            control,
            bias: settings.bias,
            rest: rest[0],
            pad,
            high: History::new(2 + pad, settings.bias),
            shaped: Vec::new(),
            low: Vec::new(),
            dc_keep: kept(1000.0 / (2.0 * std::f64::consts::PI * DC_HZ), rate_hz),
            dc: 0.0,
            tidy: Tidy::default(),
        }
    }

    /// Whole samples: up, curve, down and the padding.
    fn latency(&self) -> usize {
        (2 * self.over.delay() + 1 + self.pad) / self.over.factor()
    }

    fn process(&mut self, input: &[f64], output: &mut [f64]) {
        let factor = self.over.factor();
        self.low.clear();
        // A broken sample must not break those behind it.
        let driven = |x: &f64| match x.is_nan() {
            true => 0.0,
            false => (x * self.drive).clamp(-MOST, MOST),
        };
        self.low.extend(input.iter().map(driven));
        let count = input.len() * factor;
        let fresh = self.high.next(count);
        self.over.up(&self.low, fresh);

        match &mut self.control {
            Control::Fixed => {}
            Control::Offset {
                level,
                offset,
                mean,
            } => {
                offset.values.extend_from_slice(&self.low);
                level.follow(&mut offset.values);
                mean.values.clone_from(&offset.values);
                tube(&mut offset.values, &mut mean.values);
                offset.add_to(fresh, factor);
            }
            Control::Starve {
                per_threshold,
                level,
                smooth,
                gain,
            } => {
                for &x in input {
                    let level = level.next(x.abs().min(MOST));
                    gain.values
                        .push(smooth.next(starve_gain(level * *per_threshold)));
                }
                gain.scale(fresh, factor);
            }
        }
        if self.bias != 0.0 {
            fresh.iter_mut().for_each(|x| *x += self.bias);
        }

        self.shaped.resize(count, 0.0);
        let late = &self.high.all(count)[..count + 2];
        shape(self.curve, late, &mut self.shaped);
        self.high.advance(count);
        if self.rest != 0.0 {
            self.shaped.iter_mut().for_each(|y| *y -= self.rest);
        }
        if let Control::Offset { mean, .. } = &mut self.control {
            mean.add_to(&mut self.shaped, factor);
        }
        self.over.down(&self.shaped, output);
        self.take_off_dc(output);
    }

    fn take_off_dc(&mut self, samples: &mut [f64]) {
        let Self {
            tidy, dc, dc_keep, ..
        } = self;
        let gain = 0.5 * (1.0 + *dc_keep);
        tidy.parts(samples, |part, flush| {
            for y in part {
                let x = *y;
                *y = gain * (x - *dc);
                *dc = *dc_keep * *dc + (1.0 - *dc_keep) * x;
            }
            if flush {
                *dc = flushed(*dc);
            }
        });
    }
}

/// A curve, late by one sample: `x` holds two samples more than `y`.
fn shape(curve: Curve, x: &[f64], y: &mut [f64]) {
    match curve {
        Curve::Soft | Curve::Tube => antialiased::<Soft>(x, y),
        Curve::Hard | Curve::Starve => antialiased::<Hard>(x, y),
        Curve::Fold => folded(x, y),
    }
}

/// From amplitudes (twice) to the tube's offset for each, and to what takes off about the mean of its
/// output for a sine of this amplitude with its offset, so that a hit does not thump: exact where the
/// curve is straight and where it is a square wave.
#[multiversion(targets("x86_64+avx2"))]
fn tube(offsets: &mut [f64], means: &mut [f64]) {
    offsets.iter_mut().for_each(|value| *value *= TUBE_OFFSET);
    for value in means {
        let straight = 1.5 * *value;
        let square = straight * std::f64::consts::FRAC_PI_2;
        *value = -(TUBE_OFFSET * straight) / (1.0 + square * square).sqrt();
    }
}

#[cfg(test)]
mod tests;
