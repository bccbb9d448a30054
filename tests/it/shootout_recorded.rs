//! `shootout` on recorded hits, played by generated performances with human scatter. See `recorded`
//! for where the recordings come from.

use std::path::Path;

use serde_json::Value;

use crate::performance::{Stroke, compare, measure, number, pattern, refused, write};
use crate::recorded::{RATE, hits, load};
use crate::support::Place;
use batterhead::dsp::random::Random;

const SECONDS: f64 = 18.0;
const KICK: &str = "drum_bass_hard";
const SNARE: &str = "drum_snare_hard";
const HAT: &str = "drum_cymbal_closed";

/// How a pattern is played.
#[derive(Clone, Copy)]
struct Player {
    seed: u64,
    /// Standard deviation of the strokes.
    scatter_ms: f64,
    /// Longer than written by this factor.
    tempo: f64,
    /// Later by so much.
    late_s: f64,
    /// Share of the strokes that are left out.
    left_out: f64,
}

/// The grid of [`pattern`] with a hat on every eighth: kick 0, snare 1, hat 2.
fn written(seed: u64) -> Vec<Stroke> {
    let mut strokes = pattern(seed, 8);
    strokes.extend((0..64).map(|i| (0.5 + 0.25 * f64::from(i), 2, 0.5)));
    strokes
}

/// The strokes as played, each with its place among the written ones.
fn played(strokes: &[Stroke], player: Player) -> Vec<(usize, Stroke)> {
    let mut random = Random::new(player.seed);
    let mut normal = || random.normal(1.0);
    let loose = strokes.iter().enumerate().map(|(i, &(at, drum, force))| {
        let at = player.late_s + at * player.tempo + normal() * player.scatter_ms / 1000.0;
        (i, (at, drum, force * 10f64.powf(0.05 * normal())))
    });
    let loose: Vec<_> = loose.collect();
    let mut random = Random::new(player.seed);
    let keep = |_: &(usize, Stroke)| random.unit() >= player.left_out;
    loose.into_iter().filter(keep).collect()
}

/// What the mic of one drum hears: its own drum, the others 18 dB down, and hiss at -84 dBFS.
fn mic(folder: &Path, kit: [&str; 3], own: usize, strokes: &[(usize, Stroke)]) -> Vec<f64> {
    let sounds = kit.map(|name| load(folder, name));
    let rate = f64::from(RATE);
    let mut random = Random::new(7 + own as u64);
    let mut track: Vec<f64> = (0..(SECONDS * rate) as usize)
        .map(|_| (random.unit() - 0.5) * 2e-4)
        .collect();
    for &(_, (at, drum, force)) in strokes {
        let gain = force * if drum == own { 0.5 } else { 0.063 };
        let start = (at * rate).round() as usize;
        for (out, x) in track.iter_mut().skip(start).zip(&sounds[drum]) {
            *out += gain * x;
        }
    }
    track
}

/// Two performances of one pattern on two snares, the second 1.3 s later with strokes left out.
/// Returns where their snare strokes lie apart, in milliseconds, in the median.
fn perform(
    place: &Place,
    folder: &Path,
    snares: [&str; 2],
    seed: u64,
    scatter_ms: f64,
    tempo: f64,
) -> f64 {
    let strokes = written(seed);
    let player = |second: u64| Player {
        seed: 10 * seed + second,
        scatter_ms,
        tempo: if second == 0 { 1.0 } else { tempo },
        late_s: 1.3 * second as f64,
        left_out: 0.03 * second as f64,
    };
    let [a, b] = [0, 1].map(|second| played(&strokes, player(second)));
    for (path, snare, played) in [(A, snares[0], &a), (B, snares[1], &b)] {
        write(
            place,
            path,
            &mic(folder, [KICK, snare, HAT], 1, played),
            RATE,
        );
    }
    let like = |i: &usize| b.iter().find(|(j, _)| i == j);
    let own = a.iter().filter(|(_, stroke)| stroke.1 == 1);
    let mut apart: Vec<f64> = own
        .filter_map(|(i, stroke)| Some(1000.0 * (like(i)?.1.0 - stroke.0)))
        .collect();
    apart.sort_by(f64::total_cmp);
    apart[apart.len() / 2]
}

const A: &str = "snare-top one.wav";
const B: &str = "snare-top two.wav";

fn words(report: &Value) -> Vec<&str> {
    let words = report["words"].as_array().expect("a list");
    words.iter().filter_map(Value::as_str).collect()
}

fn offset_ms(report: &Value) -> f64 {
    1000.0 * number(&report["candidates"][1]["offset_samples"]) / f64::from(RATE)
}

#[test]
fn one_snare_played_twice_by_a_human_hand_differs_in_nothing_and_lies_where_it_was_played() {
    let Some(folder) = hits() else { return };
    let place = Place::new();
    for (seed, scatter_ms) in [(2, 4.0), (3, 7.0), (6, 5.5)] {
        let apart_ms = perform(&place, &folder, [SNARE, SNARE], seed, scatter_ms, 1.0);
        let report = compare(&place, &[A, B]);
        assert!(words(&report).is_empty(), "{seed}: {report:#}");
        let off_ms = offset_ms(&report) - apart_ms;
        assert!(off_ms.abs() < 1.0, "{seed}: {off_ms} ms off");
        for name in ["tilt", "snap", "low-mid", "wires"] {
            let difference = number(&measure(&report, name)["difference"]);
            assert!(difference.abs() < 0.2, "{seed} {name}: {difference}");
        }
    }
}

/// Energy over and under a frequency, in decibels beside each other, apart from the code that is
/// tested.
fn balance_db(sound: &[f64], hz: f64) -> f64 {
    let rate = f64::from(RATE);
    let size = sound.len().min((0.35 * rate) as usize);
    let (mut over, mut under) = (0.0, 0.0);
    let mut at = 100.0;
    while at < 11_000.0 {
        let power = batterhead::testing::magnitude_at(&sound[..size], at, rate).powi(2);
        *(if at > hz { &mut over } else { &mut under }) += power;
        at += 20.0;
    }
    10.0 * (over / under).log10()
}

#[test]
fn two_recorded_snares_are_told_apart_in_words_that_hold_the_other_way_round() {
    let Some(folder) = hits() else { return };
    let place = Place::new();
    let turned = |word: &str| match word.split_once(' ') {
        Some(("more", what)) => format!("less {what}"),
        Some(("less", "harsh")) => "harsher".to_owned(),
        Some(("less", "boxy")) => "boxier".to_owned(),
        Some(("less", what)) => format!("more {what}"),
        Some(("tuned", "higher")) => "tuned lower".to_owned(),
        Some(("tuned", "lower")) => "tuned higher".to_owned(),
        Some(("rings", "longer")) => "rings shorter".to_owned(),
        Some(("rings", "shorter")) => "rings longer".to_owned(),
        _ => match word {
            "brighter" => "darker".to_owned(),
            "darker" => "brighter".to_owned(),
            "boxier" => "less boxy".to_owned(),
            _ => "less harsh".to_owned(),
        },
    };
    for (other, seed, scatter_ms, tempo) in [
        ("sn_dolf", 2, 4.0, 1.0),
        ("sn_generic", 3, 7.0, 1.005),
        ("elec_snare", 4, 5.5, 0.995),
    ] {
        let apart_ms = perform(&place, &folder, [SNARE, other], seed, scatter_ms, tempo);
        let report = compare(&place, &[A, B]);
        let said = words(&report);
        assert!(said.len() > 2, "{other}: {said:?}");
        let drift = number(&report["candidates"][1]["drift_ppm"]);
        assert!(
            (drift - 1e6 * (tempo - 1.0)).abs() < 1100.0,
            "{other}: {drift}"
        );
        // Where the tempo differs, what lies in the middle depends on which strokes were matched.
        let within_ms = if tempo == 1.0 { 1.0 } else { 15.0 };
        let off_ms = offset_ms(&report) - apart_ms;
        assert!(off_ms.abs() < within_ms, "{other}: {off_ms} ms off");
        // What is said of the highs is so in the recordings themselves.
        let higher =
            balance_db(&load(&folder, other), 1000.0) - balance_db(&load(&folder, SNARE), 1000.0);
        for (word, sign) in [("brighter", 1.0), ("darker", -1.0)] {
            assert!(
                !said.contains(&word) || higher * sign > 0.0,
                "{other}: {word}, {higher:.1} dB"
            );
        }
        let mut expected: Vec<String> = said.iter().map(|word| turned(word)).collect();
        let report = compare(&place, &[B, A]);
        let mut back: Vec<String> = words(&report).iter().map(|w| (*w).to_owned()).collect();
        expected.sort();
        back.sort();
        assert_eq!(back, expected, "{other}");
    }
}

#[test]
fn recorded_hits_of_another_pattern_are_refused() {
    let Some(folder) = hits() else { return };
    let place = Place::new();
    for seed in 0..3 {
        perform(&place, &folder, [SNARE, SNARE], 20 + seed, 5.0, 1.0);
        // As many strokes of each drum at the same tempo, at other places of the bar.
        let mut random = Random::new(700 + seed);
        let mut other: Vec<Stroke> = Vec::new();
        for i in 0..64 {
            let drum = usize::from(random.unit() < 0.5);
            if random.unit() < 0.6 {
                other.push((0.5 + 0.25 * f64::from(i), drum, 0.8));
            }
        }
        let player = Player {
            seed,
            scatter_ms: 5.0,
            tempo: 1.0,
            late_s: 0.0,
            left_out: 0.0,
        };
        let strokes = played(&other, player);
        write(
            &place,
            B,
            &mic(&folder, [KICK, SNARE, HAT], 1, &strokes),
            RATE,
        );
        let said = refused(&place, &[A, B]);
        assert!(said.contains("same pattern"), "{seed}: {said}");
    }
}
