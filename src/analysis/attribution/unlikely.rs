//! Does the sound fit the name? Only for the mics of a kick, a snare and toms, and only where there
//! is no doubt: a drum that has no body at all, or a kick or snare whose loudest hits are those of
//! another mic, which hears them first and at its own loudest.

use serde::{Deserialize, Serialize};

use crate::analysis::attribution::close::{MicChannel, strokes};
use crate::analysis::attribution::drums::TakeTrack;
use crate::analysis::attribution::take::{Kit, Material};
use crate::analysis::polarity::pair::lead;
use crate::analysis::strokes::bank::BANDS;
use crate::analysis::strokes::moments::Rise;
use crate::dsp::median;
use crate::error::Result;
use crate::session::Family;
use crate::units::round_to;

/// The loudest moments of a mic that are looked at, how many it takes, and how far they may lie below
/// the loudest.
const LOUD: usize = 16;
const LEAST: usize = 8;
const UNDER_DB: f64 = 15.0;
/// A drum's hits have a body: this far below the sizzle nothing of the kind is known. Snares have
/// some +8 dB (top) to +2 dB (bottom), closed hats −20 dB and less.
const NO_BODY_DB: f64 = -14.0;
/// Lead of the other mic by the millisecond, in how many of the moments it is worth listening for.
const LEAD_MS: std::ops::RangeInclusive<i64> = 1..=10;
const LEAD_SHARE: f64 = 0.35;
/// Moments that are listened to.
const LISTEN: usize = 12;
/// What leads is at its own loudest there.
const TOP_DB: f64 = 4.0;

/// Why a track is probably not what it is called.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Unlikely {
    /// Its loudest hits sound like those of a cymbal: what lies below 600 Hz over what lies above
    /// 1.8 kHz, in decibels.
    NoBody {
        /// Median.
        body_db: f64,
    },
    /// Another mic hears its loudest hits first, and at its own loudest.
    Led {
        /// Label of the other track.
        by: String,
        /// How much earlier, in milliseconds.
        lead_ms: f64,
    },
}

fn decibels(power: f32) -> f64 {
    10.0 * f64::from(power.max(1e-16)).log10()
}

fn level(rise: &Rise) -> f64 {
    decibels(rise.energy.iter().sum())
}

/// The loudest moments of a track, if there are enough of them.
fn loudest(rises: &[Rise]) -> Option<Vec<usize>> {
    let mut by_level: Vec<(f64, usize)> = rises.iter().map(level).zip(0..).collect();
    by_level.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    let top = by_level.first()?.0;
    by_level.truncate(LOUD);
    by_level.retain(|(level, _)| *level > top - UNDER_DB);
    (by_level.len() >= LEAST).then(|| by_level.into_iter().map(|(_, m)| m).collect())
}

/// Whether the own mic of a drum is probably something else.
pub(crate) fn unlikely(
    tracks: &[TakeTrack],
    material: &mut dyn Material,
    kit: &Kit,
    drum: usize,
) -> Result<Option<Unlikely>> {
    let (name, here) = &kit.drums[drum];
    if !matches!(here.family, Family::Kick | Family::Snare | Family::Tom) {
        return Ok(None);
    }
    let rises = &kit.rises[here.own];
    let Some(moments) = loudest(rises) else {
        return Ok(None);
    };
    if let Some(body_db) = no_body(rises, &moments) {
        return Ok(Some(Unlikely::NoBody { body_db }));
    }
    // a tom that is rarely played hears others louder than itself; kick and snare do not
    if here.family == Family::Tom {
        return Ok(None);
    }
    let own = kit.tracks[here.own];
    let others = kit.drums.iter().filter(|(other, _)| other != name);
    for there in others.map(|(_, other)| other.own) {
        let other = kit.tracks[there];
        let same_rate = tracks[own].rate_hz == tracks[other].rate_hz;
        if !same_rate || !may_lead(rises, &kit.rises[there], &moments) {
            continue;
        }
        let mics = [own, other].map(|track| MicChannel { track, channel: 0 });
        let at_ms = moments.iter().take(LISTEN).map(|&m| rises[m].arrival_ms());
        let strokes = strokes(tracks, material, mics, at_ms)?;
        if let Some(samples) = lead(&strokes, tracks[own].rate_hz) {
            let lead_ms = samples / f64::from(tracks[own].rate_hz) * 1000.0;
            return Ok(Some(Unlikely::Led {
                by: tracks[other].label.clone(),
                lead_ms: round_to(lead_ms, 1),
            }));
        }
    }
    Ok(None)
}

/// Whether another mic rises before this one and near its own loudest in many of the moments.
fn may_lead(here: &[Rise], there: &[Rise], moments: &[usize]) -> bool {
    let Some(top) = loudest(there) else {
        return false;
    };
    let Some(top_db) = median(top.iter().map(|&m| level(&there[m]))) else {
        return false;
    };
    let leads = |m: &&usize| {
        LEAD_MS.contains(&(here[**m].arrival_ms() - there[**m].arrival_ms()))
            && level(&there[**m]) >= top_db - TOP_DB
    };
    moments.iter().filter(leads).count() as f64 >= LEAD_SHARE * moments.len() as f64
}

fn no_body(rises: &[Rise], moments: &[usize]) -> Option<f64> {
    let body = |m: &usize| {
        let energy = &rises[*m].energy;
        let sum = |bands: std::ops::Range<usize>| decibels(energy[bands].iter().sum());
        sum(0..3) - sum(4..BANDS)
    };
    let middle = median(moments.iter().map(body))?;
    let least = moments.iter().map(body).fold(f64::NEG_INFINITY, f64::max);
    (middle <= NO_BODY_DB && least <= 0.5 * NO_BODY_DB).then(|| round_to(middle, 1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::Recorded;
    use crate::analysis::relate;
    use crate::analysis::strokes::moments::Sizzle;
    use crate::demo;

    /// Which tracks of a take do not fit their names. `exchanged`: the snare's file is called `hat`,
    /// and the file of a hat's mic, which hears the snare 1.5 ms later and 6 dB softer, is called
    /// `snare-top`.
    fn unlikely_of(song: usize, exchanged: bool) -> Vec<(String, Unlikely)> {
        let songs = demo::songs();
        let (recorded, _) = demo::heard(&songs[song], &songs[song].takes[0], |_| true);
        let others = |t: &usize| recorded.tracks[*t].mic != "hat";
        let kept: Vec<usize> = (0..recorded.tracks.len()).filter(others).collect();
        let mut tracks: Vec<_> = kept.iter().map(|&t| recorded.tracks[t].clone()).collect();
        let mut sound: Vec<Vec<Vec<f64>>> =
            kept.iter().map(|&t| recorded.sound(t).to_vec()).collect();
        let snare = tracks
            .iter()
            .position(|t| t.mic == "snare-top")
            .expect("a snare");
        let mut late = vec![0.0; 72];
        late.extend(sound[snare][0].iter().map(|x| 0.5 * x));
        late.truncate(sound[snare][0].len());
        let mut hat = tracks[snare].clone();
        hat.label = "hat".to_owned();
        hat.mic = "hat".to_owned();
        hat.family = Family::Hat;
        tracks.push(hat);
        sound.push(vec![late]);
        if exchanged {
            let last = sound.len() - 1;
            sound.swap(snare, last);
        }
        let mut recorded = Recorded::new(tracks.clone(), sound);
        let evidence = relate(&tracks, &mut recorded, None).expect("it can be read");
        assert!(evidence.tracks.iter().all(|t| t.metronome.is_none()));
        let found = evidence.tracks.into_iter();
        found.filter_map(|t| Some((t.label, t.unlikely?))).collect()
    }

    #[test]
    fn exchanged_files_are_told_and_right_names_are_not() {
        for song in 0..2 {
            assert_eq!(unlikely_of(song, false), [], "{song}");
            let told = unlikely_of(song, true);
            let led = |(label, why): &(String, Unlikely)| {
                let Unlikely::Led { by, lead_ms } = why else {
                    return false;
                };
                label == "snare-top" && by == "hat" && (lead_ms - 1.5).abs() < 0.11
            };
            assert!(told.len() == 1 && led(&told[0]), "{song}: {told:?}");
        }
    }

    #[test]
    fn a_drum_without_a_body_is_a_cymbal() {
        let rise = |low: f32, high: f32| Rise {
            energy: [0.1 * low, low, low, low.max(high), high, high],
            floor: [1e-9; BANDS],
            arrival_parts: 0,
            again_db: 0.0,
            ahead_db: 0.0,
            sizzle: Sizzle {
                over_db: 0.0,
                fade_db: 0.0,
                energy: 0.0,
            },
            attack_db: 0.0,
            attack: 0.0,
            swift_db: [0.0; BANDS],
            over_db: 0.0,
            swell_db: 0.0,
        };
        let moments: Vec<usize> = (0..10).collect();
        let of = |low, high| no_body(&[rise(low, high); 10], &moments);
        assert_eq!(of(1e-3, 1e-3), None);
        assert_eq!(of(1e-3, 1e-2), None);
        assert!(of(1e-4, 1e-2).is_some_and(|db| (db + 19.8).abs() < 0.1));
        assert_eq!(loudest(&[rise(1.0, 1.0); 5]), None);
    }
}
