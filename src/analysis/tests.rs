//! The whole way from sound to evidence, on takes that the fit of the weights has not seen.

use std::collections::BTreeMap;

use super::testbed::*;
use super::*;
use crate::session::{Family, Side};

const DRUMS: [(&str, Voice); 4] = [
    ("kick", Voice::Kick),
    ("snare", Voice::Snare),
    ("tom-1", Voice::Tom1),
    ("tom-2", Voice::Tom2),
];

fn play(kit: u64, bleed_db: f64, performer: u64, keep: impl Fn(&Stroke) -> bool) -> SimTake {
    let sounds = Kit::synthetic(kit, 48_000.0);
    let mut rng = Rng::new(performer);
    let rig = Rig {
        room: kit,
        ..Rig::with_bleed(bleed_db)
    };
    let mut strokes = performance(rig.seconds, &mut rng);
    strokes.retain(keep);
    record(&sounds, &strokes, rig, &mut rng)
}

fn hear(take: &SimTake, reference: Option<&Reference>) -> TakeEvidence {
    let mut recorded = Recorded::from_take(take);
    let tracks = recorded.tracks.clone();
    relate(&tracks, &mut recorded, reference).expect("simulated takes can be read")
}

fn scores(take: &SimTake, evidence: &TakeEvidence) -> BTreeMap<&'static str, Score> {
    let mut scores: BTreeMap<&str, Score> = BTreeMap::new();
    for (drum, voice) in DRUMS {
        let truth: Vec<f64> = take
            .strokes
            .iter()
            .filter(|s| s.voice == voice)
            .map(|s| s.at_s * 1000.0)
            .collect();
        let track = evidence
            .tracks
            .iter()
            .find(|t| t.drum.as_deref() == Some(drum))
            .expect("a track");
        let found: Vec<f64> = track.own_hits().map(|h| h.at_ms).collect();
        let family = drum.split('-').next().unwrap_or(drum);
        let counted = scores.entry(family).or_default();
        counted.add(score(&found, &truth, 15.0));
    }
    scores
}

#[test]
fn hits_are_told_from_bleed_above_the_floors() {
    for (bleed_db, floors) in [(-12.0, [0.94, 0.97, 0.85]), (-20.0, [0.94, 0.97, 0.88])] {
        let mut all: BTreeMap<&str, Score> = BTreeMap::new();
        for kit in 5000..5003 {
            let take = play(kit, bleed_db, kit, |_| true);
            let evidence = hear(&take, None);
            for (family, counted) in scores(&take, &evidence) {
                all.entry(family).or_default().add(counted);
            }
        }
        for (family, floor) in ["kick", "snare", "tom"].into_iter().zip(floors) {
            assert!(
                all[family].f1() >= floor,
                "{bleed_db} dB {family}: {:?}",
                all[family]
            );
        }
    }
}

#[test]
fn a_tom_left_out_is_known_by_the_other_takes_and_no_played_drum_is_called_left_out() {
    for bleed_db in [-20.0, -12.0] {
        let takes = [
            play(5010, bleed_db, 1, |_| true),
            play(5010, bleed_db, 2, |s| s.voice != Voice::Tom2),
            play(5010, bleed_db, 3, |_| true),
        ];
        let first: Vec<TakeEvidence> = takes.iter().map(|t| hear(t, None)).collect();
        for drum in first.iter().flat_map(|t| &t.drums) {
            assert!(!matches!(drum.played, Played::No(_)), "from one take alone");
        }
        let reference = Reference::pool(&first.iter().map(|t| &t.drums[..]).collect::<Vec<_>>());
        for (i, take) in takes.iter().enumerate() {
            for drum in hear(take, Some(&reference)).drums {
                let absent = i == 1 && drum.name == "tom-2";
                match drum.played {
                    Played::Yes(_) => assert!(!absent, "{bleed_db} {drum:?}"),
                    Played::No(_) => assert!(absent, "{bleed_db} {i} {drum:?}"),
                    Played::NotSure(_) => {
                        assert!(absent && bleed_db > -20.0, "{bleed_db} {i} {drum:?}");
                    }
                }
            }
        }
    }
}

#[test]
fn no_polarity_is_wrong_and_delays_hold_to_a_sample() {
    let (mut unsure, mut refused) = (0, 0);
    let kinds = [
        (PairKind::Snare, 1.0),
        (PairKind::Kick, 2.5),
        (PairKind::CloseOverhead, 1.0),
        (PairKind::Sides, 1.0),
    ];
    for (kind, tolerance) in kinds {
        for seed in 0..20 {
            let mut rng = Rng::new(7000 + seed);
            let kit = Kit::synthetic(6000 + seed % 5, 48_000.0);
            let couple = couple(&kit, kind, 8, -10.0, 0.0, &mut rng);
            let found = analyse_signals(&couple.sound, &couple.hits, kind, 48_000);
            let Some(delay) = found.delay_samples else {
                assert!(found.reason.is_some());
                refused += 1;
                continue;
            };
            assert!(
                (delay - couple.delay_samples).abs() <= tolerance,
                "{kind:?} {seed} {delay} {}",
                couple.delay_samples
            );
            match found.polarity {
                Polarity::NotSure => unsure += 1,
                p => assert_eq!(p == Polarity::Inverted, couple.inverted, "{kind:?} {seed}"),
            }
        }
    }
    assert!(
        unsure + refused <= 12,
        "{unsure} and {refused} of 80 undecided"
    );
}

#[test]
fn noise_in_both_mics_gives_no_verdict() {
    let mut rng = Rng::new(4);
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
    let take = play(5020, -12.0, 4, |s| s.at_s < 8.0);
    let snare = take.mics[1].samples.clone();
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
    let kick: Vec<f64> = take.mics[0].samples.iter().step_by(2).copied().collect();
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
    let mut take = play(5030, -12.0, 6, |_| true);
    // two taps on the snare 6 s before the song
    let lead = 6 * 48_000;
    let tap = Kit::synthetic(5030, 48_000.0).strokes[1][0].clone();
    for (i, mic) in take.mics.iter_mut().enumerate() {
        let mut longer = vec![0.0; lead];
        if i == 1 {
            for at in [4800, 40_000] {
                for (y, x) in longer[at..].iter_mut().zip(&tap) {
                    *y += 0.3 * x;
                }
            }
        }
        longer.extend(&mic.samples);
        mic.samples = longer;
    }
    let kicks: Vec<f64> = take
        .strokes
        .iter()
        .filter(|s| s.voice == Voice::Kick)
        .map(|s| s.at_s + 6.0)
        .collect();
    let recorded = Recorded::from_take(&take);
    let mut tracks = recorded.tracks.clone();
    let mut sound: Vec<Vec<Vec<f64>>> = (0..tracks.len())
        .map(|t| recorded.sound(t).to_vec())
        .collect();
    let mut clicks = vec![0.0; sound[0][0].len()];
    for at in &kicks {
        let at = (at * 48_000.0) as usize;
        for (i, y) in clicks[at..].iter_mut().take(200).enumerate() {
            *y += 0.5 * (i as f64 * 0.3).sin() * (-(i as f64) / 40.0).exp();
        }
    }
    tracks.push(track(
        "trigger",
        "trigger",
        Family::Utility,
        48_000,
        clicks.len(),
    ));
    sound.push(vec![clicks]);
    let mut recorded = Recorded::new(tracks.clone(), sound);
    let evidence = relate(&tracks, &mut recorded, None).expect("it can be read");
    let found: Vec<f64> = evidence.tracks[0].own_hits().map(|h| h.at_ms).collect();
    let truth: Vec<f64> = kicks.iter().map(|t| t * 1000.0).collect();
    assert!(score(&found, &truth, 15.0).f1() > 0.98);
    assert!(evidence.window_ms.expect("it is played").0 > 5000);
    assert!(evidence.tracks[1].hits.iter().all(|h| h.at_ms > 5000.0));
}
