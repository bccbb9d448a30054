//! What a sound holds: onsets, their colours, and its peak.

use super::exact::mono;
use super::sound::Sound;
use crate::block::{Block, FRAMES};
use crate::error::Result;
use crate::evidence::Listener;
use crate::measure::bands::Analyser;
use crate::session::Family;
use crate::units::power_to_db;

/// A rise in a sound.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Onset {
    /// Milliseconds from the start.
    pub ms: f64,
    /// How steep, in decibels.
    pub strength: f64,
    /// Level in each of [`COLOUR_HZ`] just after it, in decibels.
    pub colour_db: [f64; COLOUR_HZ.len()],
}

/// Ranges by which a kick is told from a snare, and a snare from a cymbal.
pub(super) const COLOUR_HZ: [(f64, f64); 4] = [
    (40.0, 150.0),
    (150.0, 800.0),
    (800.0, 4000.0),
    (4000.0, 16_000.0),
];
/// How long after an onset its colour is taken.
const COLOUR_S: f64 = 0.040;
/// Quieter is as good as nothing.
const COLOUR_FLOOR_DB: f64 = -100.0;

/// What a sound holds.
#[derive(Clone, Debug, Default)]
pub(super) struct Heard {
    pub onsets: Vec<Onset>,
    /// Largest absolute sample; 0 for silence.
    pub peak: f64,
}

/// Reads a sound from start to end, and again what follows its onsets; `check` is asked between blocks whether to go on.
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
    let mut analyser = Analyser::new(rate_hz);
    let length = (COLOUR_S * f64::from(rate_hz)) as usize;
    let mut onsets = Vec::new();
    for onset in &listener.finish().onsets {
        check()?;
        let ms = f64::from(onset.at_ms);
        let samples = mono(sound, (ms * f64::from(rate_hz) / 1000.0) as i64, length)?;
        let energies = analyser.ranges(&samples, COLOUR_HZ);
        let level = |e: f64| {
            power_to_db(e / length as f64)
                .unwrap_or(COLOUR_FLOOR_DB)
                .max(COLOUR_FLOOR_DB)
        };
        onsets.push(Onset {
            ms,
            strength: f64::from(onset.strength) / 16.0,
            colour_db: energies.map(level),
        });
    }
    Ok(Heard { onsets, peak })
}
