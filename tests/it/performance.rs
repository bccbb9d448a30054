//! Generated performances of one pattern, and `shootout` run on them.

use batterhead::dsp::random::Random;
use serde_json::Value;

use crate::support::{Place, pcm};

/// A stroke: seconds, which drum, how hard.
pub type Stroke = (f64, usize, f64);

/// Bars in eighths at 120 a minute: kick on 1, snare on 2 and 4, and a kick or none by chance in
/// between, so that no bar is like another.
pub fn pattern(seed: u64, bars: usize) -> Vec<Stroke> {
    let mut random = Random::new(seed);
    let mut strokes = Vec::new();
    for bar in 0..bars {
        for eighth in 0..8 {
            let at = 0.5 + 2.0 * bar as f64 + 0.25 * f64::from(eighth);
            match eighth {
                0 => strokes.push((at, 0, 0.9)),
                2 | 6 => strokes.push((at, 1, 0.8)),
                _ if random.unit() < 0.4 => {
                    strokes.push((at, usize::from(random.unit() < 0.3), 0.7))
                }
                _ => {}
            }
        }
    }
    strokes
}

/// Moves every stroke by up to `ms` and changes its force by up to 2 dB.
pub fn human(strokes: &[Stroke], seed: u64, ms: f64) -> Vec<Stroke> {
    let mut random = Random::new(seed);
    strokes
        .iter()
        .map(|&(at, drum, force)| {
            let at = at + random.noise() * ms / 1000.0;
            (at, drum, force * 10f64.powf((random.unit() - 0.5) * 0.2))
        })
        .collect()
}

pub fn write(place: &Place, path: &str, samples: &[f64], rate: u32) {
    let path = place.path(path);
    std::fs::create_dir_all(path.parent().expect("a parent")).expect("folders");
    let spec = pcm(1, rate, 24);
    let mut writer = hound::WavWriter::create(path, spec).expect("a file");
    for x in samples {
        writer
            .write_sample((x * 8_388_608.0).round().clamp(-8_388_608.0, 8_388_607.0) as i32)
            .expect("room");
    }
    writer.finalize().expect("a whole file");
}

pub fn compare(place: &Place, candidates: &[&str]) -> Value {
    let args = [&["shootout"], candidates, &["--out", "out"]].concat();
    let ran = place.run(&args);
    assert_eq!(ran.status, 0, "{}\n{}", ran.stdout, ran.stderr);
    place.json("out/shootout.json")
}

pub fn refused(place: &Place, candidates: &[&str]) -> String {
    let args = [&["shootout"], candidates, &["--out", "out"]].concat();
    let ran = place.run(&args);
    assert_eq!(ran.status, 2, "{}\n{}", ran.stdout, ran.stderr);
    assert!(!place.path("out/manifest-sha256.txt").exists());
    ran.stderr
}

pub fn number(value: &Value) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| panic!("a number, not {value}"))
}

pub fn measure<'a>(report: &'a Value, name: &str) -> &'a Value {
    let all = report["measures"].as_array().expect("a list");
    all.iter()
        .find(|m| m["name"] == name)
        .unwrap_or_else(|| panic!("{name} in {all:?}"))
}

pub fn notes(report: &Value) -> String {
    report["notes"].to_string()
}
