//! What a sound holds: onsets, their colours, and its peak.

use super::exact::mono;
use super::sound::Sound;
use crate::analysis::Listener;
use crate::block::{Block, FRAMES};
use crate::dsp::maths;
use crate::dsp::median;
use crate::error::Result;
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

impl Onset {
    /// Level of all ranges together, in decibels.
    fn level_db(&self) -> f64 {
        let powers = self.colour_db.map(|db| maths::pow(10.0, db / 10.0));
        power_to_db(powers.iter().sum()).unwrap_or(COLOUR_FLOOR_DB)
    }
}

/// Onsets this close together are one event: two drums struck at once, by a hand that is never exact.
const TOGETHER_MS: f64 = 30.0;
/// What is so much quieter than the strokes of a close mic is bleed.
const BLEED_DB: f64 = 12.0;
/// What rises less steeply than this part of them is no stroke but the ring of one.
const STEEP: f64 = 0.4;
/// So many events of a close mic, or the loudest twentieth, are sure to be strokes of its drum.
const SURE: usize = 3;

/// What is compared: events, and of a close mic only those that are loud and steep enough to be its own
/// drum's.
pub(super) fn strokes(onsets: &[Onset], family: Family) -> Vec<Onset> {
    let mut events: Vec<Onset> = Vec::new();
    let mut last_ms = f64::NEG_INFINITY;
    for onset in onsets {
        match events.last_mut() {
            Some(event) if onset.ms - last_ms < TOGETHER_MS => {
                let louder = onset.level_db() > event.level_db();
                if onset.strength > event.strength {
                    (event.ms, event.strength) = (onset.ms, onset.strength);
                }
                if louder {
                    event.colour_db = onset.colour_db;
                }
            }
            _ => events.push(*onset),
        }
        last_ms = onset.ms;
    }
    if !matches!(family, Family::Overhead | Family::Room) {
        let mut sure: Vec<(f64, f64)> = events.iter().map(|e| (e.level_db(), e.strength)).collect();
        sure.sort_by(|x, y| y.0.total_cmp(&x.0));
        sure.truncate((sure.len() / 20).max(SURE));
        let level_db = median(sure.iter().map(|s| s.0)).unwrap_or(0.0);
        let strength = median(sure.iter().map(|s| s.1)).unwrap_or(0.0);
        events.retain(|event| {
            event.level_db() >= level_db - BLEED_DB && event.strength >= STEEP * strength
        });
    }
    events
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

#[cfg(test)]
mod tests {
    use super::*;

    fn onset(ms: f64, strength: f64, db: f64) -> Onset {
        Onset {
            ms,
            strength,
            colour_db: [db; 4],
        }
    }

    #[test]
    fn strokes_at_once_are_one_and_bleed_is_none() {
        let mut onsets = Vec::new();
        for beat in 0..8 {
            let at = 500.0 * f64::from(beat);
            // a hat a little before the drum, and one alone
            onsets.push(onset(at - 9.0, 6.0, -40.0));
            onsets.push(onset(at, 20.0, -20.0));
            // its ring beats
            onsets.push(onset(at + 70.0, 4.0, -28.0));
            onsets.push(onset(at + 250.0, 7.0, -42.0));
        }
        let close = strokes(&onsets, Family::Snare);
        let times: Vec<f64> = close.iter().map(|o| o.ms).collect();
        assert_eq!(
            times,
            (0..8).map(|b| 500.0 * f64::from(b)).collect::<Vec<_>>()
        );
        assert_eq!(strokes(&onsets, Family::Overhead).len(), 24);
        assert!(strokes(&[], Family::Snare).is_empty());
    }
}
