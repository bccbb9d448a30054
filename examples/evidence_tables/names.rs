//! A bleeding metronome, and mics that are not what they are called.

use batterhead::analysis::testbed::*;
use batterhead::analysis::*;
use batterhead::session::Family;

use super::{RATE, take};

/// Beats before the first stroke.
const BEATS: usize = 12;
const BEAT_S: f64 = 0.4;

/// The take with silence ahead, and what its tracks are. The hat's mic hears the snare 1.5 ms later
/// and 6 dB softer than the snare's own.
fn recorded(sim: &SimTake, ticks_db: Option<f64>, exchanged: bool) -> (Vec<TakeTrack>, Recorded) {
    let take = Recorded::from_take(sim);
    let mut tracks = take.tracks.clone();
    let ahead = (BEATS as f64 * BEAT_S * RATE) as usize;
    let mut sound: Vec<Vec<Vec<f64>>> = Vec::new();
    let mut rng = Rng::new(9);
    for t in 0..tracks.len() {
        let long = |c: &Vec<f64>| {
            let mut all: Vec<f64> = (0..ahead).map(|_| rng.normal(ratio(-75.0))).collect();
            all.extend(c);
            all
        };
        sound.push(take.sound(t).iter().map(long).collect());
    }
    if let Some(db) = ticks_db {
        for t in 0..tracks.len() {
            if tracks[t].family != Family::Overhead {
                continue;
            }
            for channel in &mut sound[t] {
                let count = (channel.len() as f64 / RATE / BEAT_S) as usize;
                for beat in 0..count {
                    let at = ((0.1 + beat as f64 * BEAT_S) * RATE) as usize;
                    for (i, y) in channel[at..].iter_mut().take(4000).enumerate() {
                        let t = i as f64 / RATE;
                        let wave = (std::f64::consts::TAU * 1100.0 * t).sin();
                        *y += ratio(db) * (-t / 0.008).exp() * wave;
                    }
                }
            }
        }
    }
    let snare = tracks
        .iter()
        .position(|t| t.mic == "snare-top")
        .unwrap_or(0);
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
    (tracks.clone(), Recorded::new(tracks, sound))
}

pub(crate) fn names(kits: u64) {
    println!(
        "a metronome in the overheads ({BEATS} beats ahead), and exchanged names, found in takes:"
    );
    for bleed_db in [-20.0, -12.0, -6.0] {
        let count = |ticks_db: Option<f64>, exchanged: bool| {
            let (mut ticks, mut names) = (0, 0);
            for seed in 3400..3400 + kits {
                let sim = take(seed, bleed_db, seed, None);
                let (tracks, mut material) = recorded(&sim, ticks_db, exchanged);
                let Ok(evidence) = relate(&tracks, &mut material, None) else {
                    continue;
                };
                ticks += usize::from(evidence.tracks.iter().any(|t| t.metronome.is_some()));
                names += usize::from(evidence.tracks.iter().any(|t| t.unlikely.is_some()));
            }
            (ticks, names)
        };
        let clean = count(None, false);
        println!(
            "  bleed {bleed_db:4} dB, of {kits}: ticks at -50 dBFS {}, at -60 dBFS {}; hat and snare exchanged {}; false alarms {} and {}",
            count(Some(-50.0), false).0,
            count(Some(-60.0), false).0,
            count(None, true).1,
            clean.0,
            clean.1
        );
    }
}
