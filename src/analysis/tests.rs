//! The whole way from sound to evidence. How well strokes are heard is measured on recorded drums and on
//! the demo, from outside.

use std::f64::consts::PI;

use super::*;
use crate::demo::groove::{Piece, Stroke};
use crate::demo::{self, heard};
use crate::dsp::maths::db_to_ratio;
use crate::dsp::random::Random;
use crate::session::{Family, Side};

const RATE_HZ: u32 = demo::RATE_HZ;

/// A take of the fast song.
fn play(number: usize, keep: impl Fn(&Stroke) -> bool) -> (Recorded, Vec<Stroke>) {
    let songs = demo::songs();
    let song = &songs[1];
    heard(song, &song.takes[number], keep)
}

fn hear(take: &Recorded, reference: Option<&Reference>) -> TakeEvidence {
    let mut take = take.clone();
    relate(&take.tracks.clone(), &mut take, reference).expect("takes in memory can be read")
}

#[test]
fn a_tom_left_out_is_known_by_the_other_takes_and_no_played_drum_is_called_left_out() {
    let takes = [
        play(0, |_| true).0,
        play(1, |s| s.piece != Piece::Floor).0,
        play(2, |_| true).0,
    ];
    let first: Vec<TakeEvidence> = takes.iter().map(|t| hear(t, None)).collect();
    for drum in first.iter().flat_map(|t| &t.drums) {
        assert!(!matches!(drum.played, Played::No(_)), "from one take alone");
    }
    let reference = Reference::pool(&first.iter().map(|t| &t.drums[..]).collect::<Vec<_>>());
    for (i, take) in takes.iter().enumerate() {
        for drum in hear(take, Some(&reference)).drums {
            let absent = i == 1 && drum.name == "tom-3";
            match drum.played {
                Played::Yes(_) => assert!(!absent, "{drum:?}"),
                Played::No(_) => assert!(absent, "{i} {drum:?}"),
                Played::NotSure(_) => panic!("{i} {drum:?}"),
            }
        }
    }
}

/// `x` so many samples later (any fraction, by a windowed sinc).
fn later(x: &[f64], samples: f64) -> Vec<f64> {
    let (whole, half) = (samples.floor() as i64, 16);
    let taps: Vec<f64> = (-half..=half)
        .map(|k| {
            let t = k as f64 - samples.fract();
            let sinc = if t.abs() < 1e-12 {
                1.0
            } else {
                (PI * t).sin() / (PI * t)
            };
            sinc * (0.5 + 0.5 * (PI * t / (half + 1) as f64).cos())
        })
        .collect();
    let at = |i: i64| usize::try_from(i).ok().and_then(|i| x.get(i)).copied();
    let sum = |i: i64| -> f64 {
        let tap = |(k, tap): (i64, &f64)| tap * at(i - whole - k).unwrap_or(0.0);
        (-half..=half).zip(&taps).map(tap).sum()
    };
    (0..x.len() as i64).map(sum).collect()
}

#[test]
fn no_polarity_is_wrong_and_delays_hold_to_a_sample() {
    let (take, strokes) = play(1, |_| true);
    let sound = |name: &str| {
        let track = take.tracks.iter().position(|t| t.mic == name);
        take.sound(track.expect("a track"))[0].clone()
    };
    let (kick, snare, tom) = (sound("kick-in"), sound("snare-top"), sound("tom-2"));
    let kinds = [
        (PairKind::Snare, Piece::Snare, &snare, &kick, 5.0..40.0),
        (PairKind::Kick, Piece::Kick, &kick, &snare, 20.0..90.0),
        (
            PairKind::CloseOverhead,
            Piece::Snare,
            &snare,
            &tom,
            90.0..300.0,
        ),
        (PairKind::Sides, Piece::Snare, &snare, &kick, -40.0..40.0),
    ];
    let mut undecided = 0;
    for (kind, piece, near, other, delays) in kinds {
        let own = strokes.iter().filter(|s| s.piece == piece);
        let hits: Vec<usize> = own
            .map(|s| (s.at_s * f64::from(RATE_HZ)) as usize)
            .collect();
        for seed in 0..8 {
            let mut random = Random::new(7000 + seed);
            let delay = random.between(delays.start, delays.end);
            let inverted = random.index(2) == 0;
            let gain = if inverted { -0.6 } else { 0.6 };
            // the other mic is duller, hears another drum more, and its own preamp
            let bleed = db_to_ratio(-10.0);
            let mut dull = 0.0;
            let far: Vec<f64> = (later(near, delay).iter().zip(other))
                .map(|(x, other)| {
                    dull += 0.9 * (x - dull);
                    gain * dull + bleed * other + random.normal(1e-4)
                })
                .collect();
            let found = analyse_signals(&[near.clone(), far], &hits, kind, RATE_HZ);
            let Some(read) = found.delay_samples else {
                assert!(found.reason.is_some());
                undecided += 1;
                continue;
            };
            assert!(
                (read - delay).abs() <= 1.0,
                "{kind:?} {seed} {read} {delay}"
            );
            match found.polarity {
                Polarity::NotSure => undecided += 1,
                p => assert_eq!(p == Polarity::Inverted, inverted, "{kind:?} {seed}"),
            }
        }
    }
    assert!(undecided <= 4, "{undecided} of 32 undecided");
}

#[test]
fn noise_in_both_mics_gives_no_verdict() {
    let mut rng = Random::new(4);
    let mut noise = || (0..48_000).map(|_| rng.normal(0.1)).collect::<Vec<f64>>();
    let sound = [noise(), noise()];
    let hits: Vec<usize> = (1..9).map(|i| i * 5000).collect();
    let found = analyse_signals(&sound, &hits, PairKind::Snare, 48_000);
    assert_eq!(found.polarity, Polarity::NotSure);
    assert!(found.reason.is_some());
    let none = analyse_signals(&sound, &[], PairKind::Snare, 48_000);
    assert_eq!((none.hits, none.delay_samples), (0, None));
}

fn track(label: &str, mic: &str, family: Family, rate_hz: u32, frames: usize) -> TakeTrack {
    TakeTrack {
        label: label.into(),
        mic: mic.into(),
        family,
        side: None::<Side>,
        rate_hz,
        frames: frames as u64,
        offset_frames: 0,
    }
}

fn relate_all(tracks: Vec<TakeTrack>, sound: Vec<Vec<f64>>) -> TakeEvidence {
    let sound = sound.into_iter().map(|s| vec![s]).collect();
    let mut recorded = Recorded::new(tracks, sound);
    let tracks = recorded.tracks.clone();
    relate(&tracks, &mut recorded, None).expect("it can be read")
}

#[test]
fn bad_takes_give_defined_results() {
    // nothing at all, silence, a tenth of a second, an overhead alone
    assert_eq!(relate_all(vec![], vec![]).window_ms, None);
    for (family, mic, frames) in [
        (Family::Snare, "snare-top", 48_000),
        (Family::Tom, "tom-1", 4800),
        (Family::Overhead, "overhead", 4800),
        (Family::Room, "room", 0),
    ] {
        let evidence = relate_all(
            vec![track(mic, mic, family, 48_000, frames)],
            vec![vec![0.0; frames]],
        );
        assert!(evidence.tracks[0].hits.is_empty() && evidence.tracks[0].tuning.is_none());
    }
    // one mic only: hits are onsets, and it says so
    let (take, _) = play(1, |s| s.at_s < 8.0);
    let snare = take.sound(1)[0].clone();
    let one = relate_all(
        vec![track(
            "snare-top",
            "snare-top",
            Family::Snare,
            48_000,
            snare.len(),
        )],
        vec![snare.clone()],
    );
    assert!(!one.tracks[0].attributed && one.tracks[0].own_hits().count() > 0);
    // mixed rates, and a bottom mic that nobody turned over
    let turned: Vec<f64> = snare.iter().map(|x| -0.7 * x).collect();
    let kick: Vec<f64> = take.sound(0)[0].iter().step_by(2).copied().collect();
    let mixed = relate_all(
        vec![
            track("kick-in", "kick-in", Family::Kick, 24_000, kick.len()),
            track("snare-top", "snare-top", Family::Snare, 48_000, snare.len()),
            track(
                "snare-bottom",
                "snare-bottom",
                Family::Snare,
                48_000,
                snare.len(),
            ),
        ],
        vec![kick, snare, turned],
    );
    let pair = &mixed.pairs[0];
    assert_eq!(
        (pair.polarity, pair.delay_samples),
        (Polarity::Inverted, Some(0.0))
    );
    assert!(mixed.tracks[0].own_hits().count() > 20);
}

#[test]
fn a_trigger_decides_and_taps_before_the_count_in_are_left_out() {
    let (take, strokes) = play(1, |_| true);
    let mut tracks = take.tracks.clone();
    let first = strokes.iter().find(|s| s.piece == Piece::Snare);
    let first = (first.expect("a snare").at_s * f64::from(RATE_HZ)) as usize;
    let tap = &take.sound(1)[0][first..first + 9600];
    // two taps on the snare 6 s before the song
    let lead = 6 * RATE_HZ as usize;
    let mut sound: Vec<Vec<Vec<f64>>> = Vec::new();
    for (t, track) in tracks.iter_mut().enumerate() {
        let mut longer = vec![0.0; lead];
        for at in [4800, 40_000] {
            for (y, x) in longer[at..].iter_mut().zip(tap).filter(|_| t == 1) {
                *y += 0.3 * x;
            }
        }
        let channel = |x: &Vec<f64>| [&longer[..], x].concat();
        sound.push(take.sound(t).iter().map(channel).collect());
        track.frames += lead as u64;
    }
    let kicks = strokes.iter().filter(|s| s.piece == Piece::Kick);
    let truth: Vec<f64> = kicks.map(|s| (s.at_s + 6.0) * 1000.0).collect();
    let mut clicks = vec![0.0; sound[0][0].len()];
    for at in &truth {
        let at = (at * 48.0) as usize;
        for (i, y) in clicks[at..].iter_mut().take(200).enumerate() {
            *y += 0.5 * (i as f64 * 0.3).sin() * (-(i as f64) / 40.0).exp();
        }
    }
    tracks.push(track(
        "trigger",
        "trigger",
        Family::Utility,
        RATE_HZ,
        clicks.len(),
    ));
    sound.push(vec![clicks]);
    let evidence = hear(&Recorded::new(tracks, sound), None);
    let found: Vec<f64> = evidence.tracks[0].own_hits().map(|h| h.at_ms).collect();
    assert!(score(&found, &truth, 15.0).f1() > 0.98);
    assert!(evidence.window_ms.expect("it is played").0 > 5000);
    assert!(evidence.tracks[1].hits.iter().all(|h| h.at_ms > 5000.0));
    // a gate opens at them all the same
    let outside = &evidence.tracks[1].outside;
    let near = |at: f64| outside.iter().any(|h| (h.at_ms - at).abs() < 2.0);
    assert!(near(100.0) && near(833.3), "{outside:?}");
    assert!(outside.iter().all(|h| h.at_ms < 5000.0));
}
