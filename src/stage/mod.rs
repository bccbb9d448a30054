//! Stages: what a chain is made of. This file is the one place where a stage is added.
//!
//! A stage keeps its settings apart from its running state: settings never change while audio runs,
//! and one set serves every track. How the stream is cut cannot be heard.

use crate::block::Block;

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
