//! `shootout` from outside: generated performances whose differences are known.

use std::f64::consts::TAU;

use batterhead::dsp::random::Random;
use serde_json::Value;

use crate::performance::{Stroke, compare, human, measure, notes, number, pattern, refused, write};
use crate::support::{Place, RATE, sha256};

/// A drum: partial, how long it rings, how much noise it has.
#[derive(Clone, Copy)]
struct Drum {
    hz: f64,
    t60_s: f64,
    noise: f64,
    noise_t60_s: f64,
}

const KICK: Drum = Drum {
    hz: 58.0,
    t60_s: 0.35,
    noise: 0.08,
    noise_t60_s: 0.03,
};
const SNARE: Drum = Drum {
    hz: 205.0,
    t60_s: 0.22,
    noise: 0.55,
    noise_t60_s: 0.20,
};
const OTHER_SNARE: Drum = Drum {
    hz: 172.0,
    t60_s: 0.55,
    noise: 0.35,
    noise_t60_s: 0.20,
};

/// One mono track of a performance.
fn play(strokes: &[Stroke], kit: [Drum; 2], seconds: f64, seed: u64) -> Vec<f64> {
    let mut random = Random::new(seed);
    let rate = f64::from(RATE);
    let mut samples: Vec<f64> = (0..(seconds * rate) as usize)
        .map(|_| (random.unit() - 0.5) * 4e-5)
        .collect();
    for &(at, drum, force) in strokes {
        let Drum {
            hz,
            t60_s,
            noise,
            noise_t60_s,
        } = kit[drum];
        let first = (at * rate) as usize;
        for (i, sample) in samples
            .iter_mut()
            .skip(first)
            .take((0.9 * rate) as usize)
            .enumerate()
        {
            let t = i as f64 / rate;
            let body = 10f64.powf(-3.0 * t / t60_s) * (TAU * hz * t).sin();
            let hiss = 10f64.powf(-3.0 * t / noise_t60_s) * random.noise() * noise;
            *sample += 0.3 * force * (body + hiss);
        }
    }
    samples
}

/// Everything but the level is 0.
fn nothing_differs(report: &Value) {
    for band in report["bands"].as_array().expect("a list") {
        assert!(number(&band["difference_db"]).abs() < 0.01, "{band}");
    }
    for m in report["measures"]
        .as_array()
        .expect("a list")
        .iter()
        .filter(|m| m["name"] != "level")
    {
        assert!(
            number(&m["difference"]).abs() < 0.01 && m["said"] == false,
            "{m}"
        );
    }
    assert_eq!(report["words"], serde_json::json!([]));
}

#[test]
fn a_take_against_itself_shifted_differs_in_nothing_and_the_shift_is_exact() {
    let place = Place::new();
    let take = play(&pattern(1, 6), [KICK, SNARE], 13.5, 1);
    let shift = 154_433; // 3.217 s and a bit
    let later = [vec![0.0; shift], take.clone()].concat();
    write(&place, "one.wav", &take, RATE);
    write(&place, "two.wav", &later, RATE);
    let report = compare(&place, &["one.wav", "two.wav"]);
    nothing_differs(&report);
    let second = &report["candidates"][1];
    assert_eq!(second["offset_samples"], shift);
    assert_eq!(
        (&second["drift_ppm"], &second["gain_db"]),
        (&Value::from(0.0), &Value::from(0.0))
    );
    assert_eq!(second["matched_hits"], second["hits"]);
    assert_eq!(number(&measure(&report, "level")["difference"]), 0.0);
    assert!(
        notes(&report).contains("same recording"),
        "{}",
        notes(&report)
    );
    // what is written lies on each other, sample by sample, and is the source
    assert_eq!(
        sha256(&place.path("out/a.wav")),
        sha256(&place.path("out/b.wav"))
    );
    assert_eq!(place.samples("out/a.wav"), place.samples("one.wav"));
    assert_eq!(place.run(&["verify", "out"]).status, 0);
    // the other way round
    let report = compare(&place, &["two.wav", "one.wav"]);
    assert_eq!(report["candidates"][1]["offset_samples"], -(shift as i64));
    nothing_differs(&report);
}

#[test]
fn six_decibels_are_six_of_level_and_nothing_else() {
    let place = Place::new();
    let take = play(&pattern(2, 6), [KICK, SNARE], 13.5, 2);
    let half: Vec<f64> = take.iter().map(|x| x / 2.0).collect();
    write(&place, "loud.wav", &take, RATE);
    write(&place, "quiet.wav", &half, RATE);
    let report = compare(&place, &["quiet.wav", "loud.wav"]);
    let level = measure(&report, "level");
    assert!(
        (number(&level["difference"]) - 6.02).abs() < 0.01,
        "{level}"
    );
    assert!((number(&report["candidates"][1]["gain_db"]) + 6.02).abs() < 0.01);
    nothing_differs(&report);
    // the other way round the match would clip: both are lowered, by the same
    let report = compare(&place, &["loud.wav", "quiet.wav"]);
    let gains = report["candidates"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|c| number(&c["gain_db"]));
    let gains: Vec<f64> = gains.collect();
    assert!((gains[1] - gains[0] - 6.02).abs() < 0.01, "{gains:?}");
    for name in ["out/a.wav", "out/b.wav"] {
        assert!(
            place.samples(name).iter().all(|s| s.abs() < 8_388_607),
            "{name} is clipped"
        );
    }
}

#[test]
fn a_bell_at_4_khz_shows_there_and_nowhere_else() {
    use batterhead::stage::Stage;
    let place = Place::new();
    let take = play(&pattern(3, 6), [KICK, SNARE], 13.5, 3);
    let bell: Stage = serde_json::from_value(
        serde_json::json!({"peak": {"freq_hz": 4000, "gain_db": 4.0, "q": 1.4}}),
    )
    .expect("a stage");
    let other = batterhead::testing::run_mono(&[bell], &take, f64::from(RATE));
    write(&place, "flat.wav", &take, RATE);
    write(&place, "bell.wav", &other, RATE);
    let report = compare(&place, &["flat.wav", "bell.wav"]);
    for band in report["bands"].as_array().expect("a list") {
        let (hz, db) = (number(&band["hz"]), number(&band["difference_db"]));
        if hz == 4000.0 {
            assert!((3.5..=4.5).contains(&db), "{band}");
        }
        if (hz / 4000.0).log2().abs() >= 1.9 {
            assert!(db.abs() < 0.5, "{band}");
        }
    }
    assert_eq!(report["candidates"][1]["offset_samples"], 0);
}

#[test]
fn two_performances_on_two_snares_are_told_apart_in_words() {
    let place = Place::new();
    let strokes = pattern(4, 8);
    let one = human(&strokes, 1, 5.0);
    let mut random = Random::new(77);
    // strokes left out, 1.3 s later, half a percent slower
    let two: Vec<Stroke> = human(&strokes, 2, 5.0)
        .into_iter()
        .filter(|_| random.unit() > 0.04)
        .map(|(at, drum, force)| (1.3 + at * 1.005, drum, 0.5 * force))
        .collect();
    write(
        &place,
        "snare-top old.wav",
        &play(&one, [KICK, SNARE], 18.0, 5),
        RATE,
    );
    write(
        &place,
        "snare-top new.wav",
        &play(&two, [KICK, OTHER_SNARE], 20.0, 6),
        RATE,
    );
    let report = compare(&place, &["snare-top old.wav", "snare-top new.wav"]);
    let second = &report["candidates"][1];
    assert!(
        (number(&second["drift_ppm"]) - 5000.0).abs() < 700.0,
        "{second}"
    );
    let matched = number(&second["matched_hits"]) / number(&second["hits"]);
    assert!(matched > 0.9, "{second}");
    let said = report["words"].to_string();
    assert!(said.contains("rings longer"), "{said} {report:#}");
    assert!(said.contains("tuned lower"), "{said} {report:#}");
    let fundamental = number(&measure(&report, "fundamental")["difference"]);
    assert!(
        (fundamental - 100.0 * (172.0 / 205.0 - 1.0)).abs() < 1.0,
        "{fundamental} %"
    );
    assert_eq!(report["alignment"]["by"], "hits");
    assert!(notes(&report).contains("drift apart"), "{}", notes(&report));
    // 12 · log2(172 / 205) = −3.04; ISO 16 for the notes
    let page = std::fs::read_to_string(place.path("out/shootout.html")).expect("a page");
    let (answer, rest) = page.split_once("id=\"listen\"").expect("a player");
    for part in [
        "is tuned lower",
        "−3.0 semitones, 205 → 172 Hz, G♯3",
        "rings longer",
    ] {
        assert!(answer.contains(part), "{part}: {answer}");
    }
    assert!(rest.contains("Begin blind test"));
}

#[test]
fn a_snare_that_is_tuned_far_higher_is_read_so_though_a_tom_rings_along_at_times() {
    let place = Place::new();
    let strokes = pattern(4, 8);
    let tom = Drum {
        hz: 150.0,
        t60_s: 0.9,
        noise: 0.0,
        noise_t60_s: 0.1,
    };
    let high = Drum { hz: 326.0, ..SNARE };
    for (name, snare, seed) in [("a", SNARE, 1), ("b", high, 2)] {
        // the kick bleeds into the mic, 14 dB down
        let bled = |(at, drum, force)| (at, drum, if drum == 0 { 0.2 * force } else { force });
        let strokes: Vec<Stroke> = human(&strokes, seed, 5.0).into_iter().map(bled).collect();
        let mut sound = play(&strokes, [KICK, snare], 18.0, seed);
        // with each fourth stroke of the snare
        let along: Vec<Stroke> = (strokes.iter().filter(|stroke| stroke.1 == 1))
            .step_by(4)
            .copied()
            .collect();
        let along = play(&along, [KICK, tom], 18.0, seed + 9);
        sound.iter_mut().zip(along).for_each(|(x, tom)| *x += tom);
        write(&place, &format!("snare-top {name}.wav"), &sound, RATE);
    }
    let report = compare(&place, &["snare-top a.wav", "snare-top b.wav"]);
    let pitch = measure(&report, "fundamental");
    let percent = 100.0 * (326.0 / 205.0 - 1.0);
    assert!(
        (number(&pitch["difference"]) - percent).abs() < 1.0,
        "{pitch}"
    );
    assert!((number(&pitch["first"]) - 205.0).abs() < 2.0, "{pitch}");
    assert!((number(&pitch["later"]) - 326.0).abs() < 3.0, "{pitch}");
    assert!(number(&pitch["plus_minus"]) < 1.0, "{pitch}");
    assert_eq!(pitch["word"], "tuned higher");
}

#[test]
fn other_patterns_are_refused_whatever_they_have_in_common() {
    let place = Place::new();
    for seed in 0..4u64 {
        // the same tempo and the same kit
        let mut random = Random::new(1000 + seed);
        let other: Vec<Stroke> = (0..64)
            .filter_map(|i| {
                let drum = usize::from(random.unit() < 0.5);
                (random.unit() < 0.5).then_some((0.5 + 0.25 * f64::from(i), drum, 0.8))
            })
            .collect();
        write(
            &place,
            "a.wav",
            &play(
                &human(&pattern(10 + seed, 8), seed, 4.0),
                [KICK, SNARE],
                17.5,
                seed,
            ),
            RATE,
        );
        write(
            &place,
            "b.wav",
            &play(
                &human(&other, seed + 50, 4.0),
                [KICK, SNARE],
                17.5,
                seed + 9,
            ),
            RATE,
        );
        let said = refused(&place, &["a.wav", "b.wav"]);
        assert!(said.contains("same pattern"), "{seed}: {said}");
    }
}

#[test]
fn what_cannot_be_compared_is_refused_with_its_reason() {
    let place = Place::new();
    let take = play(&pattern(5, 4), [KICK, SNARE], 9.0, 5);
    write(&place, "take.wav", &take, RATE);
    write(&place, "rate.wav", &take, 44_100);
    write(&place, "silence.wav", &vec![0.0; take.len()], RATE);
    write(
        &place,
        "once.wav",
        &play(&[(0.7, 1, 0.8)], [KICK, SNARE], 3.0, 5),
        RATE,
    );
    std::fs::write(place.path("text.wav"), "no sound at all").expect("a file");
    for (other, reason) in [
        ("rate.wav", "44100 Hz"),
        ("silence.wav", "silent"),
        ("once.wav", "one hit only"),
        ("missing.wav", "no such file"),
        ("text.wav", "text.wav"),
        (".", "files and folders"),
    ] {
        let said = refused(&place, &["take.wav", other]);
        assert!(said.contains(reason), "{other}: {said}");
    }
    assert_eq!(
        place.run(&["shootout", "take.wav", "--out", "out"]).status,
        2
    );
    // it would write over its own source
    let ran = place.run(&["shootout", "take.wav", "take.wav", "--out", "."]);
    assert_eq!(ran.status, 2, "{}", ran.stderr);
    let report = compare(&place, &["take.wav", "take.wav"]);
    assert!(notes(&report).contains("same file"), "{}", notes(&report));
}

/// A take with a click: kick and snare mics, and the click of 120 a minute.
fn take(
    place: &Place,
    folder: &str,
    strokes: &[Stroke],
    kit: [Drum; 2],
    late: usize,
    mics: &[&str],
) {
    let beats: Vec<Stroke> = (0..18).map(|i| (0.5 * f64::from(i), 0, 0.9)).collect();
    let click = Drum {
        hz: 1200.0,
        t60_s: 0.03,
        noise: 0.0,
        noise_t60_s: 0.01,
    };
    let only = |drum: usize| -> Vec<Stroke> {
        strokes
            .iter()
            .map(|s| (s.0, s.1, if s.1 == drum { s.2 } else { 0.06 * s.2 }))
            .collect()
    };
    for mic in mics {
        let sound = match *mic {
            "click" => play(&beats, [click, click], 9.5, 1),
            "kick-in" => play(&only(0), kit, 9.5, 2),
            _ => play(&only(1), kit, 9.5, 3),
        };
        write(
            place,
            &format!("{folder}/{mic}.wav"),
            &[vec![0.0; late], sound].concat(),
            RATE,
        );
    }
}

#[test]
fn takes_with_a_click_are_aligned_by_it_to_the_sample_and_every_mic_is_written() {
    let place = Place::new();
    let strokes = pattern(6, 4);
    let mics = ["kick-in", "snare-top", "click"];
    take(
        &place,
        "takes/take-01",
        &human(&strokes, 3, 4.0),
        [KICK, SNARE],
        0,
        &mics,
    );
    take(
        &place,
        "takes/take-02",
        &human(&strokes, 4, 4.0),
        [KICK, OTHER_SNARE],
        31_007,
        &mics,
    );
    let report = compare(&place, &["takes/take-01", "takes/take-02"]);
    assert_eq!(report["alignment"]["by"], "click");
    assert_eq!(report["candidates"][1]["offset_samples"], 31_007);
    assert_eq!(number(&report["candidates"][1]["drift_ppm"]), 0.0);
    let frames = place.samples("out/a/click.wav").len();
    for letter in ["a", "b"] {
        for mic in mics {
            assert_eq!(
                place.samples(&format!("out/{letter}/{mic}.wav")).len(),
                frames
            );
        }
        assert_eq!(
            place.samples(&format!("out/{letter}.wav")).len(),
            2 * frames
        );
    }
    let snare = report["mics"]
        .as_array()
        .expect("a list")
        .iter()
        .find(|m| m["mic"] == "snare-top")
        .expect("the snare");
    assert!(
        snare["words"].to_string().contains("rings longer"),
        "{snare:#}"
    );
}

#[test]
fn takes_without_a_mic_in_common_and_folders_of_several_takes_are_refused() {
    let place = Place::new();
    let strokes = pattern(7, 4);
    take(
        &place,
        "takes/take-01",
        &strokes,
        [KICK, SNARE],
        0,
        &["kick-in"],
    );
    take(
        &place,
        "takes/take-02",
        &strokes,
        [KICK, SNARE],
        0,
        &["snare-top"],
    );
    let said = refused(&place, &["takes/take-01", "takes/take-02"]);
    assert!(said.contains("no mic in common"), "{said}");
    let said = refused(&place, &["takes", "takes/take-02"]);
    assert!(said.contains("2 takes"), "{said}");
}

#[test]
fn more_than_two_are_each_held_against_the_first() {
    let place = Place::new();
    let strokes = pattern(8, 6);
    write(
        &place,
        "a.wav",
        &play(&strokes, [KICK, SNARE], 13.5, 8),
        RATE,
    );
    write(
        &place,
        "b.wav",
        &play(&human(&strokes, 1, 4.0), [KICK, SNARE], 13.5, 9),
        RATE,
    );
    write(
        &place,
        "c.wav",
        &play(&human(&strokes, 2, 4.0), [KICK, OTHER_SNARE], 13.5, 10),
        RATE,
    );
    let report = compare(&place, &["a.wav", "b.wav", "c.wav"]);
    assert_eq!(report["candidates"].as_array().expect("a list").len(), 3);
    assert_eq!(report["more"][0]["name"], "c");
    assert!(
        report["more"][0]["words"]
            .to_string()
            .contains("rings longer"),
        "{report:#}"
    );
    let lengths: Vec<usize> = ["a", "b", "c"]
        .iter()
        .map(|l| place.samples(&format!("out/{l}.wav")).len())
        .collect();
    assert!(lengths.windows(2).all(|w| w[0] == w[1]), "{lengths:?}");
}

#[test]
fn the_page_is_whole_asks_no_network_and_escapes_names() {
    let place = Place::new();
    let strokes = pattern(9, 4);
    write(
        &place,
        "x<b>&y.wav",
        &play(&strokes, [KICK, SNARE], 9.0, 11),
        RATE,
    );
    write(
        &place,
        "other.wav",
        &play(&human(&strokes, 1, 4.0), [KICK, OTHER_SNARE], 9.0, 12),
        RATE,
    );
    compare(&place, &["x<b>&y.wav", "other.wav"]);
    let read =
        |name: &str| std::fs::read_to_string(place.path(&format!("out/{name}"))).expect(name);
    let page = read("shootout.html");
    assert!(page.contains("x&lt;b&gt;&amp;y") && !page.contains("x<b>"));
    assert!(page.contains("default-src 'none'"));
    for text in [
        &page,
        &read("shootout-files/page.js"),
        &read("shootout-files/page.css"),
    ] {
        for outside in ["http:", "https:", "//cdn", "@import", "innerHTML", "eval("] {
            assert!(!text.contains(outside), "{outside}");
        }
    }
    assert!(!page.contains(" style=") && !page.contains("<style") && !page.contains(" onclick"));
    let manifest = read("manifest-sha256.txt");
    for file in [
        "a.wav",
        "b.wav",
        "shootout.json",
        "shootout.html",
        "shootout-files/a.js",
        "shootout-files/page.js",
    ] {
        assert!(manifest.contains(file), "{file}");
    }
    // the excerpts are of one length, so that they stay together over and over
    assert_eq!(
        read("shootout-files/a.js").len(),
        read("shootout-files/b.js").len()
    );
}

#[test]
fn the_same_pattern_is_found_every_time_and_one_that_is_alike_in_part_is_said_to_be() {
    let place = Place::new();
    for seed in [0, 5, 9] {
        let strokes = pattern(40 + seed, 8);
        let mut random = Random::new(3000 + seed);
        let two: Vec<Stroke> = human(&strokes, 2 + seed, 5.0)
            .into_iter()
            .filter(|_| random.unit() > 0.04)
            .map(|(at, drum, force)| (1.3 + at * 1.005, drum, 0.5 * force))
            .collect();
        let alike = human(&pattern(90 + seed, 8), seed + 50, 4.0);
        let kit = [KICK, SNARE];
        write(
            &place,
            "a.wav",
            &play(&human(&strokes, seed, 5.0), kit, 17.5, seed),
            RATE,
        );
        write(
            &place,
            "b.wav",
            &play(&two, [KICK, OTHER_SNARE], 20.0, seed + 9),
            RATE,
        );
        write(&place, "c.wav", &play(&alike, kit, 17.5, seed + 9), RATE);
        let report = compare(&place, &["a.wav", "b.wav"]);
        assert!(
            number(&report["alignment"]["confidence"]) > 0.85,
            "{seed}: {}",
            report["alignment"]
        );
        let offset = number(&report["candidates"][1]["offset_samples"]) / f64::from(RATE);
        // 1.3 s at the start, half a percent of the middle of 16 s later
        assert!((offset - 1.34).abs() < 0.015, "{seed}: {offset}");
        let report = compare(&place, &["a.wav", "c.wav"]);
        assert!(
            notes(&report).contains("parts of the pattern differ"),
            "{seed}: {}",
            notes(&report)
        );
    }
}
