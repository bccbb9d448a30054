//! Generated takes with known tempo, drift and jitter, and what must come back.

use super::*;
use crate::dsp::random::Random;

const RATE_HZ: u32 = 48_000;

/// What a take is generated from.
#[derive(Clone, Copy)]
struct Wanted {
    bpm: f64,
    /// How much faster the last beat is than the first.
    drift_percent: f64,
    jitter_ms: f64,
    beats: usize,
    seed: u64,
}

const PLAIN: Wanted = Wanted {
    bpm: 132.0,
    drift_percent: 0.0,
    jitter_ms: 5.0,
    beats: 160,
    seed: 1,
};

/// When each beat and each half of one is, in seconds.
fn half_beats(wanted: &Wanted) -> Vec<f64> {
    let halves = 2 * wanted.beats;
    let mut at = 1.0;
    (0..halves)
        .map(|i| {
            let now = at;
            let faster = 1.0 + wanted.drift_percent / 100.0 * i as f64 / halves as f64;
            at += 30.0 / wanted.bpm / faster;
            now
        })
        .collect()
}

/// Hats on eighths, kick and snare on beats by turns, some kicks between; the snare is `late_ms`.
fn rock(wanted: &Wanted, late_ms: f64, clicked: bool) -> Strokes {
    let mut rng = Random::new(wanted.seed);
    let mut list = Vec::new();
    let halves = half_beats(wanted);
    for (i, &at) in halves.iter().enumerate() {
        let mut strike = |drum: u16, late_ms: f64, level: f64| {
            let at = at + (late_ms + rng.normal(wanted.jitter_ms)) / 1000.0;
            list.push(Stroke {
                drum,
                frame: (at * f64::from(RATE_HZ)).round() as u64,
                level_dbfs: Some(level + rng.normal(1.5)),
                probability: 0.95,
                in_take: true,
            });
        };
        strike(2, 0.0, -24.0);
        match i % 8 {
            0 | 4 | 5 => strike(0, 0.0, -10.0),
            2 | 6 => strike(1, late_ms, -12.0),
            _ => {}
        }
    }
    list.sort_by_key(|s| s.frame);
    let name = |n: &str| (n.to_owned(), n.to_owned());
    Strokes {
        rate_hz: RATE_HZ,
        drums: vec![name("kick"), name("snare"), name("hat")],
        list,
        clicks_s: if clicked {
            halves.into_iter().step_by(2).collect()
        } else {
            Vec::new()
        },
    }
}

#[track_caller]
fn near(found: Estimate, wanted: f64, errors: f64, floor: f64) {
    let off = (found.value - wanted).abs();
    assert!(
        off <= errors * found.error + floor,
        "{found:?} instead of {wanted}"
    );
}

#[test]
fn jitter_comes_back_from_a_click_and_from_the_own_grid() {
    for jitter_ms in [0.0, 5.0, 10.0, 20.0] {
        for clicked in [true, false] {
            for seed in 1..5 {
                let found = playing(&rock(
                    &Wanted {
                        jitter_ms,
                        seed,
                        ..PLAIN
                    },
                    0.0,
                    clicked,
                ));
                assert_eq!(found.against == Against::Click, clicked);
                let timing = found.timing.expect("timing");
                // Times are whole frames. Beyond that: 4 standard errors, and 4 % since strokes
                // that scatter past half a division come back on the other side.
                near(timing.spread_ms, jitter_ms, 4.0, 0.02 + 0.04 * jitter_ms);
                near(timing.median_ms, 0.0, 4.0, 0.02);
                let tempo = found.tempo.unwrap();
                near(tempo.bpm.expect("a beat"), 132.0, 4.0, 0.02);
            }
        }
    }
}

#[test]
fn drift_comes_back_within_its_error() {
    for drift_percent in [-4.0, -1.0, 0.0, 0.5, 3.0] {
        for clicked in [true, false] {
            let found = playing(&rock(
                &Wanted {
                    drift_percent,
                    ..PLAIN
                },
                0.0,
                clicked,
            ));
            let drift = found.tempo.unwrap().drift_percent.unwrap();
            // A line through the middles of the blocks misses the outer halves of the first and last.
            near(drift, drift_percent, 4.0, 0.02 + 0.1 * drift_percent.abs());
            assert!(drift.error < 0.5, "{drift:?}");
            near(found.timing.unwrap().spread_ms, 5.0, 4.0, 0.4);
        }
    }
}

#[test]
fn errors_are_as_large_as_takes_differ() {
    let takes: Vec<Playing> = (0..60)
        .map(|seed| {
            playing(&rock(
                &Wanted {
                    seed: 100 + seed,
                    beats: 60,
                    jitter_ms: 8.0,
                    ..PLAIN
                },
                0.0,
                false,
            ))
        })
        .collect();
    let check = |of: &dyn Fn(&Playing) -> Estimate, low: f64, high: f64| {
        let all: Vec<Estimate> = takes.iter().map(of).collect();
        let n = all.len() as f64;
        let mean = all.iter().map(|e| e.value).sum::<f64>() / n;
        let seen = (all.iter().map(|e| (e.value - mean).powi(2)).sum::<f64>() / n).sqrt();
        let said = all.iter().map(|e| e.error).sum::<f64>() / n;
        assert!(
            (low..high).contains(&(seen / said)),
            "seen {seen}, said {said}"
        );
    };
    // The scatter of 60 trials has an error of 9 % itself.
    check(&|p| p.timing.unwrap().spread_ms, 0.7, 1.3);
    check(&|p| p.tempo.unwrap().drift_percent.unwrap(), 0.6, 1.5);
}

#[test]
fn a_late_snare_is_late_by_drum() {
    for clicked in [true, false] {
        let found = playing(&rock(&PLAIN, 9.0, clicked));
        let of = |drum: &str| {
            let drum = found.drums.iter().find(|d| d.drum == drum).unwrap();
            drum.timing.unwrap().median_ms
        };
        let (kick, snare) = (of("kick"), of("snare"));
        assert!(snare.exceeds(&kick, 5.0));
        assert!(
            (snare.value - kick.value - 9.0).abs() < 1.5,
            "{snare:?} {kick:?}"
        );
    }
}

#[test]
fn a_pause_does_not_spoil_the_grid() {
    let mut strokes = rock(
        &Wanted {
            beats: 200,
            ..PLAIN
        },
        0.0,
        false,
    );
    let rate = u64::from(RATE_HZ);
    strokes
        .list
        .retain(|s| !(20 * rate..31 * rate).contains(&s.frame));
    // and the band comes back off the old pulse
    for stroke in &mut strokes.list {
        if stroke.frame >= 31 * rate {
            stroke.frame += rate / 10;
        }
    }
    let found = playing(&strokes);
    near(found.timing.unwrap().spread_ms, 5.0, 4.0, 0.3);
    near(found.tempo.unwrap().bpm.unwrap(), 132.0, 4.0, 0.05);
}

#[test]
fn strokes_at_random_and_rubato_have_no_timing() {
    let mut rng = Random::new(8);
    for seed in 0..60 {
        let mut at = 1.0;
        let mut strokes = rock(&PLAIN, 0.0, false);
        strokes.list.truncate(40 + 5 * seed);
        let longest = [0.4, 0.9, 1.4][seed % 3];
        for stroke in &mut strokes.list {
            at += rng.between(0.08, longest);
            stroke.frame = (at * f64::from(RATE_HZ)) as u64;
        }
        let found = playing(&strokes);
        assert_eq!(found.tempo, None, "{seed}: {:?}", found.tempo);
        assert_eq!(
            (found.timing, found.undecided),
            (None, Some(Undecided::NoPulse))
        );
    }
    for count in [0, 1, 15] {
        let mut strokes = rock(&PLAIN, 0.0, false);
        strokes.list.truncate(count);
        let found = playing(&strokes);
        assert_eq!(found.undecided, Some(Undecided::TooFewStrokes));
        assert_eq!(
            (found.tempo, found.timing, found.passages),
            (None, None, None)
        );
    }
}

#[test]
fn odd_metre_has_a_pulse_and_timing_but_no_beat() {
    let mut rng = Random::new(2);
    let mut strokes = rock(&PLAIN, 0.0, false);
    strokes.list.clear();
    for i in 0..280u64 {
        let at = 1.0 + 0.2 * i as f64;
        let drums: &[u16] = match i % 7 {
            0 => &[0, 2],
            2 | 4 => &[1, 2],
            _ => &[2],
        };
        for &drum in drums {
            let at = at + rng.normal(0.004);
            strokes.list.push(Stroke {
                drum,
                frame: (at * f64::from(RATE_HZ)) as u64,
                level_dbfs: Some(-10.0),
                probability: 1.0,
                in_take: true,
            });
        }
    }
    strokes.list.sort_by_key(|s| s.frame);
    let found = playing(&strokes);
    let tempo = found.tempo.unwrap();
    assert_eq!(tempo.bpm, None);
    near(tempo.pulse_bpm, 300.0, 4.0, 0.1);
    near(found.timing.unwrap().spread_ms, 4.0, 4.0, 0.1);
}

#[test]
fn loud_and_soft_passages_are_found_and_none_is_made_up() {
    let mut strokes = rock(
        &Wanted {
            beats: 200,
            ..PLAIN
        },
        0.0,
        false,
    );
    assert_eq!(playing(&strokes).passages, None);
    for stroke in &mut strokes.list {
        let at_s = stroke.frame as f64 / f64::from(RATE_HZ);
        let more = if (20.0..32.0).contains(&at_s) {
            4.0
        } else {
            0.0
        } - if at_s > 70.0 { 5.0 } else { 0.0 };
        stroke.level_dbfs = stroke.level_dbfs.map(|l| l + more);
    }
    let found = playing(&strokes).passages.unwrap();
    assert!(
        found.loudest.from_s >= 19.0 && found.loudest.to_s <= 33.0,
        "{found:?}"
    );
    assert!(found.softest.from_s >= 69.0, "{found:?}");
    near(found.loudest.level_db, 4.0, 4.0, 0.3);
}
