//! Stages: what a chain is made of. This file is the one place where a stage is added.
//!
//! A stage keeps its settings apart from its running state: settings never change while audio runs,
//! and one set serves every track. How the stream is cut cannot be heard.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use basic::{Delay, Gain, Polarity};
pub use bell::{Notch, Peak};
pub use compress::Compress;
pub use drive::Drive;
pub use gate::Gate;
pub use pass::{HighPass, LowPass};
pub use shelf::{HighShelf, LowShelf, Tilt};

pub mod basic;
pub mod bell;
pub mod compress;
mod curve;
pub mod drive;
mod envelope;
pub mod gate;
mod history;
pub mod matcher;
mod oversample;
pub mod pass;
pub mod shelf;

use crate::block::Block;

/// One line of a chain. Externally tagged: a tagged enum would lose the place of an error.
#[derive(Clone, Debug, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs)] // each is documented at its settings
pub enum Stage {
    HighPass(HighPass),
    LowPass(LowPass),
    Peak(Peak),
    LowShelf(LowShelf),
    HighShelf(HighShelf),
    Tilt(Tilt),
    Notch(Notch),
    Drive(Drive),
    Compress(Compress),
    Gate(Gate),
    Gain(Gain),
    Polarity(Polarity),
    Delay(Delay),
}

pub(crate) fn is_default<T: Default + PartialEq>(value: &T) -> bool {
    *value == T::default()
}

/// A setting that is out of range or contradicts another.
#[derive(Clone, Debug, PartialEq)]
pub struct Fault {
    /// The key as the preset spells it, `freq_hz`.
    pub key: &'static str,
    /// What was expected, in words: "expected above 0 and below 24000".
    pub message: String,
}

/// What a preset or the worksheet says of one stage, `{ high-pass = { freq_hz = 80, order = 4 } }`.
pub trait Settings {
    /// Every fault, not only the first, at this sample rate. An empty list is a promise that
    /// [`Settings::start`] cannot fail at this rate.
    fn check(&self, rate_hz: f64) -> Vec<Fault>;
    /// The stage at work on one track of so many channels.
    fn start(&self, rate_hz: f64, channels: usize) -> Box<dyn Running>;
}

/// A stage at work on one track.
pub trait Running: Send {
    /// In place, going on where the last block ended; rate, channels and length stay.
    fn process(&mut self, block: &mut Block);
    /// In samples, fixed from the start on: the chain drops the sum of all at the start, and feeds
    /// as many zeros at the end.
    fn latency(&self) -> usize {
        0
    }
}
