//! `gain`, `polarity` and `delay`.
//!
//! - Shape: every channel alone, in place, sample by sample. At 0 dB, not inverted and with no delay
//!   the samples stay as they are, to the bit.
//! - A delay of +n moves the sound n samples later, of −n n samples earlier; the length stays, zeros
//!   come in at one end, and what passes the other end is lost.

use dasp::Fixed;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Expected, Fault, Running, Settings, within};
use crate::block::Block;
use crate::dsp::maths;

/// Changes the level.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Gain {
    /// −60 to 60 dB.
    pub gain_db: f64,
}

/// Turns the polarity round, or says that it stays.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Polarity {
    /// `true` inverts it.
    pub inverted: bool,
}

/// Moves the sound later (positive) or earlier (negative); the length stays. One of the two keys.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Delay {
    /// Whole samples, −100,000 to 100,000.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub samples: Option<i64>,
    /// −1,000 to 1,000 ms, rounded to the nearest sample.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ms: Option<f64>,
}

impl Settings for Gain {
    fn check(&self, _rate_hz: f64) -> Vec<Fault> {
        within("gain_db", self.gain_db, -60.0, 60.0)
            .into_iter()
            .collect()
    }

    fn start(&self, _rate_hz: f64, _channels: usize) -> Box<dyn Running> {
        Box::new(Factor(maths::db_to_ratio(self.gain_db)))
    }

    fn magnitude_db(&self, _rate_hz: f64, _freq_hz: f64) -> Option<f64> {
        Some(self.gain_db)
    }
}

impl Settings for Polarity {
    fn check(&self, _rate_hz: f64) -> Vec<Fault> {
        Vec::new()
    }

    fn start(&self, _rate_hz: f64, _channels: usize) -> Box<dyn Running> {
        Box::new(Factor(if self.inverted { -1.0 } else { 1.0 }))
    }

    fn magnitude_db(&self, _rate_hz: f64, _freq_hz: f64) -> Option<f64> {
        Some(0.0)
    }
}

/// A gain at work. A factor of ±1 is exact.
struct Factor(f64);

impl Running for Factor {
    fn process(&mut self, block: &mut Block) {
        for sample in block.channels_mut().flatten() {
            *sample *= self.0;
        }
    }

    fn settle(&mut self, constants: &mut [f64]) {
        constants.iter_mut().for_each(|x| *x *= self.0);
    }
}

impl Delay {
    /// Whole samples at this rate, positive for later.
    pub fn frames(&self, rate_hz: f64) -> i64 {
        let of_ms = |ms: f64| (ms * rate_hz / 1000.0).round() as i64;
        self.samples.or(self.ms.map(of_ms)).unwrap_or(0)
    }
}

impl Settings for Delay {
    fn check(&self, _rate_hz: f64) -> Vec<Fault> {
        let one_of_two = |value: &str| Fault {
            key: "samples",
            value: value.to_owned(),
            expected: Expected::Other("expected one of `samples` and `ms`"),
        };
        match (self.samples, self.ms) {
            (None, None) => vec![one_of_two("absent")],
            (Some(_), Some(_)) => vec![one_of_two("given beside `ms`")],
            (Some(samples), None) => within("samples", samples as f64, -1e5, 1e5)
                .into_iter()
                .collect(),
            (None, Some(ms)) => within("ms", ms, -1000.0, 1000.0).into_iter().collect(),
        }
    }

    fn start(&self, rate_hz: f64, channels: usize) -> Box<dyn Running> {
        let frames = self.frames(rate_hz);
        let length = usize::try_from(frames.unsigned_abs()).expect("checked to be small");
        if frames < 0 {
            Box::new(Earlier(length))
        } else {
            let line = || Fixed::from(vec![0.0; length]);
            let lines = if length == 0 { 0 } else { channels }; // there is no line of length 0
            Box::new(Later((0..lines).map(|_| line()).collect()))
        }
    }

    fn magnitude_db(&self, _rate_hz: f64, _freq_hz: f64) -> Option<f64> {
        Some(0.0)
    }
}

/// A delay at work: a line a channel.
struct Later(Vec<Fixed<Vec<f64>>>);

impl Running for Later {
    fn process(&mut self, block: &mut Block) {
        for (samples, line) in block.channels_mut().zip(&mut self.0) {
            for sample in samples {
                *sample = line.push(*sample);
            }
        }
    }

    fn settle(&mut self, constants: &mut [f64]) {
        for (line, constant) in self.0.iter_mut().zip(constants) {
            line.iter_mut().for_each(|x| *x = *constant);
        }
    }
}

/// A negative delay at work: it leaves the sound alone and says that it is late by so many samples,
/// so that the chain moves it forward.
struct Earlier(usize);

impl Running for Earlier {
    fn process(&mut self, _block: &mut Block) {}

    fn settle(&mut self, _constants: &mut [f64]) {}

    fn latency(&self) -> usize {
        self.0
    }
}
