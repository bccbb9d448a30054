//! Tracks that are not what they are called: the same sound twice, a drum that sounds like a cymbal.

use serde::{Deserialize, Serialize};

use super::bank::BANDS;
use super::take::TakeEvidence;
use super::trace::{PEAK_STEP_DB, Trace};
use crate::session::Family;
use crate::units::round_to;

/// How far apart in time the same sound is looked for.
const LAG_MS: i64 = 50;
/// Milliseconds compared, at most: the first that are loud.
const COMPARED: usize = 4000;
/// The same sound differs by no more than this from millisecond to millisecond.
const SAME_DB: f64 = 0.02;
/// How much one half of the spectrum exceeds the other where a sound does not fit its name.
const ODD_DB: f64 = 14.0;
/// Hits needed to say so.
const LEAST_HITS: usize = 8;

/// Two tracks that hold the same sound.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SameSound {
    /// How much later the second has it, in whole milliseconds.
    pub lag_ms: i64,
    /// Level of the second over the first.
    pub gain_db: f64,
    /// 0 to 1.
    pub confidence: f64,
}

/// Whether two tracks hold the same sound but for a gain, a sign and a shift by whole milliseconds
/// of at most 50. Both at one rate; `None` if not, or if there is too little to compare. The peaks of
/// single milliseconds of two mics never agree to 0.02 dB throughout.
pub fn same_sound(first: &Trace, second: &Trace) -> Option<SameSound> {
    if first.rate_hz != second.rate_hz {
        return None;
    }
    let top = *first.peaks.iter().max()?;
    // 40 dB below the top
    let loud = top.checked_sub((40.0 / PEAK_STEP_DB) as u16)?;
    let places: Vec<usize> = (0..first.peaks.len())
        .filter(|&t| first.peaks[t] > loud)
        .take(COMPARED)
        .collect();
    if places.len() < 100 {
        return None;
    }
    for lag in (0..=LAG_MS).flat_map(|l| [l, -l]) {
        let mut gains: Vec<i32> = places
            .iter()
            .filter_map(|&t| {
                let there = usize::try_from(t as i64 + lag).ok()?;
                let value = *second.peaks.get(there)?;
                (value > 0).then(|| i32::from(value) - i32::from(first.peaks[t]))
            })
            .collect();
        if gains.len() * 10 < places.len() * 9 {
            continue;
        }
        gains.sort_unstable();
        let middle = gains[gains.len() / 2];
        let near = (SAME_DB / PEAK_STEP_DB) as i32;
        let same = gains.iter().filter(|g| (*g - middle).abs() <= near).count();
        let share = same as f64 / gains.len() as f64;
        if share >= 0.95 {
            return Some(SameSound {
                lag_ms: lag,
                gain_db: round_to(f64::from(middle) * PEAK_STEP_DB, 2),
                confidence: round_to(share.min(0.99), 2),
            });
        }
    }
    None
}

/// A track whose sound does not fit its name.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Suspicion {
    /// Label of the track.
    pub label: String,
    /// What speaks against the name, in words.
    pub reason: String,
    /// 0 to 1.
    pub confidence: f64,
}

/// Drums that sound like cymbals and cymbals that sound like drums, by the balance of their hits in
/// their own mic. Drums with fewer than eight hits are passed over.
pub fn unlikely_mics(take: &TakeEvidence) -> Vec<Suspicion> {
    take.drums
        .iter()
        .filter(|d| d.count >= LEAST_HITS)
        .filter_map(|drum| {
            let (_, bands) = drum.template_db.iter().find(|(l, _)| *l == drum.own)?;
            let (excess, reason) = oddness(drum.family, bands)?;
            (excess > ODD_DB).then(|| Suspicion {
                label: drum.own.clone(),
                reason: format!("{reason}: {excess:.0} dB"),
                confidence: round_to((0.5 + (excess - ODD_DB) / 20.0).min(0.95), 2),
            })
        })
        .collect()
}

/// By how much the wrong part of the spectrum prevails, and what that means.
fn oddness(family: Family, bands_db: &[f32; BANDS]) -> Option<(f64, &'static str)> {
    let sum = |range: std::ops::Range<usize>| -> f64 {
        let power: f64 = bands_db[range]
            .iter()
            .map(|b| 10f64.powf(f64::from(*b) / 10.0))
            .sum();
        10.0 * power.max(1e-12).log10()
    };
    let (low, high) = (sum(0..3), sum(4..BANDS));
    match family {
        Family::Kick | Family::Snare | Family::Tom => Some((
            high - low,
            "its hits sound like those of a cymbal, above 1.8 kHz over below 600 Hz",
        )),
        Family::Hat | Family::Cymbal => Some((
            low - high,
            "its hits sound like those of a drum, below 600 Hz over above 1.8 kHz",
        )),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::super::testbed::{Kit, Recorded, Rig, Rng, Style, pattern, record};
    use super::super::{Listener, Material};
    use super::*;
    use crate::block::Block;

    fn hear(sound: &[f64]) -> Trace {
        let mut listener = Listener::new(Family::Snare, 48_000, 1);
        listener.push(&Block::from_channels(vec![sound.to_vec()]));
        listener.finish()
    }

    #[test]
    fn a_copy_is_found_whatever_its_gain_sign_and_place_and_two_mics_are_not_copies() {
        let kit = Kit::synthetic(21, 48_000.0);
        let mut rng = Rng::new(2);
        let strokes = pattern(Style::Groove, 4.0, &mut rng);
        let rig = Rig {
            seconds: 4.5,
            ..Rig::with_bleed(-6.0)
        };
        let take = record(&kit, &strokes, rig, &mut rng);
        let mut recorded = Recorded::from_take(&take);
        let sound = recorded.sound(1)[0].clone();
        let mut copy = vec![0.0; 480];
        copy.extend(sound.iter().map(|x| -0.5 * x));
        let found = same_sound(&hear(&sound), &hear(&copy)).expect("a copy");
        assert_eq!((found.lag_ms, found.gain_db), (10, -6.02));
        let traces: Vec<Trace> = (0..5).map(|t| recorded.trace(t).expect("it")).collect();
        for a in 0..5 {
            for b in 0..a {
                assert_eq!(same_sound(&traces[a], &traces[b]), None, "{a} {b}");
            }
        }
        assert_eq!(same_sound(&hear(&[0.0; 9600]), &hear(&[0.0; 9600])), None);
    }

    #[test]
    fn a_snare_of_nothing_but_sizzle_is_odd_and_a_snare_is_not() {
        let snare = [-25.0, -6.0, -6.0, -9.0, -10.0, -8.0];
        let sizzle = [-40.0, -35.0, -30.0, -14.0, -4.0, -2.0];
        let excess = |family, bands: &[f32; BANDS]| oddness(family, bands).map_or(0.0, |o| o.0);
        assert!(excess(Family::Snare, &snare) < 0.0);
        assert!(excess(Family::Snare, &sizzle) > ODD_DB);
        assert!(excess(Family::Hat, &sizzle) < 0.0);
        assert!(excess(Family::Room, &sizzle) == 0.0);
    }
}
