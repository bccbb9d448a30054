//! One pass over a sound: onsets and peak.

use super::sound::Sound;
use crate::block::{Block, FRAMES};
use crate::error::Result;
use crate::evidence::Listener;
use crate::session::Family;

/// A rise in a sound.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Onset {
    /// Milliseconds from the start.
    pub ms: f64,
    /// How steep, in decibels.
    pub strength: f64,
}

/// What a sound holds.
#[derive(Clone, Debug, Default)]
pub(super) struct Heard {
    pub onsets: Vec<Onset>,
    /// Largest absolute sample; 0 for silence.
    pub peak: f64,
}

/// Reads a sound from start to end; `check` is asked between blocks whether to go on.
pub(super) fn hear(
    sound: &mut Sound,
    family: Family,
    rate_hz: u32,
    frames: u64,
    check: &dyn Fn() -> Result<()>,
) -> Result<Heard> {
    let mut listener = Listener::new(family, rate_hz, sound.channels());
    let mut block = Block::default();
    let mut peak = 0.0f64;
    let mut at = 0;
    while at < frames {
        check()?;
        let count = (frames - at).min(FRAMES as u64) as usize;
        sound.read(at as i64, count, &mut block)?;
        for samples in block.channels() {
            peak = samples.iter().fold(peak, |peak, x| peak.max(x.abs()));
        }
        listener.push(&block);
        at += count as u64;
    }
    let onset = |o: &crate::evidence::Onset| Onset {
        ms: f64::from(o.at_ms),
        strength: f64::from(o.strength) / 16.0,
    };
    Ok(Heard {
        onsets: listener.finish().onsets.iter().map(onset).collect(),
        peak,
    })
}
