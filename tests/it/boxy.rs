//! The cut of boxiness follows what a drum's own strokes show.

use std::f64::consts::TAU;

use batterhead::dsp::random::Random;

use super::support::{Place, RATE, pcm};

/// A drum: its file, its note, and what rings above it, at half the level.
const DRUMS: [(&str, f64, Option<f64>); 4] = [
    ("Kick In", 60.0, Some(310.0)),
    ("SN TOP", 205.0, None),
    ("Tom 1", 140.0, Some(480.0)),
    ("Tom 2", 112.0, None),
];
const STROKES: usize = 6;
const SECONDS: f64 = 13.0;

/// A stroke of a drum after the other, each in its own mic and 30 dB down in those of the others.
fn take(place: &Place, folder: &str, seed: u64) {
    let mut random = Random::new(seed);
    let frames = (SECONDS * f64::from(RATE)) as usize;
    let mut dry = vec![vec![0.0; frames]; DRUMS.len()];
    for (d, (_, hz, boxy_hz)) in DRUMS.iter().enumerate() {
        for stroke in 0..STROKES {
            let at = ((0.3 + 0.5 * (stroke * DRUMS.len() + d) as f64) * f64::from(RATE)) as usize;
            let force = random.between(0.15, 0.3);
            let phase = random.between(0.0, TAU);
            for (i, y) in dry[d][at..].iter_mut().enumerate().take(RATE as usize) {
                let t = i as f64 / f64::from(RATE);
                let tone = |hz: f64| (TAU * hz * t + phase).sin();
                let boxy = boxy_hz.map_or(0.0, |hz| 0.5 * tone(hz) * (-t / 0.05).exp());
                let stick = random.normal(0.5) * (-t / 0.003).exp();
                *y += force * (tone(*hz) * (-t / 0.09).exp() + boxy + stick);
            }
        }
    }
    std::fs::create_dir_all(place.path(folder)).expect("folders");
    for (d, (name, ..)) in DRUMS.iter().enumerate() {
        let path = place.path(&format!("{folder}/{name}.wav"));
        let mut writer = hound::WavWriter::create(path, pcm(1, RATE, 24)).expect("a file");
        for frame in 0..frames {
            let bleed: f64 = dry.iter().map(|drum| 0.03 * drum[frame]).sum();
            let x = 0.97 * dry[d][frame] + bleed + random.normal(1e-4);
            writer
                .write_sample((x * 8_388_607.0) as i32)
                .expect("room on the disk");
        }
        writer.finalize().expect("a whole file");
    }
}

/// Frequency of the only peak that cuts, and why it stands there.
fn cut(place: &Place, take: &str, mic: &str) -> (f64, String) {
    let report = place.json(&format!("out/reports/tide/{take}/tide_{take}_{mic}.json"));
    let stages = report["decisions"]["stages"].as_array().expect("stages");
    let mut cuts = stages.iter().filter_map(|stage| {
        let peak = &stage["peak"];
        let cut = peak["gain_db"].as_f64()? < 0.0;
        cut.then(|| {
            (
                peak["freq_hz"].as_f64().expect("a frequency"),
                stage.clone(),
            )
        })
    });
    let (hz, stage) = cuts.next().expect("a cut");
    assert!(cuts.next().is_none());
    let why = stage["reason"]["message"].as_str().expect("a reason");
    (hz, why.to_owned())
}

#[test]
fn the_cut_stands_at_what_rings_in_all_takes_else_where_the_preset_says_and_that_is_said() {
    let place = Place::new();
    take(&place, "takes/tide/take 1", 3);
    take(&place, "takes/tide/take 2", 4);
    place.prep(&["--quiet"], 0);
    for (mic, true_hz) in [("kick-in", 310.0), ("tom-1", 480.0)] {
        let both = ["take-01", "take-02"].map(|take| cut(&place, take, mic));
        assert_eq!(both[0], both[1]);
        let (hz, why) = &both[0];
        assert!((hz / true_hz - 1.0).abs() < 0.03, "{mic} {hz}");
        assert!(why.starts_with("boxy partial of the set-up "), "{why}");
    }
    let (hz, why) = cut(&place, "take-01", "tom-2");
    assert_eq!(hz, 380.0);
    assert_eq!(why, "no clear boxy partial: the preset's 380 Hz");
    let worksheet = std::fs::read_to_string(place.path("out/worksheet.toml")).expect("a worksheet");
    assert!(worksheet.contains("no clear boxy partial"), "{worksheet}");
}
