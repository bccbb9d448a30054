//! Recorded drum hits as a small multi-mic session. The folder of recordings (Debian's package
//! `sonic-pi-samples`, CC0, unpacked) is named by `BATTERHEAD_HITS`; without it these tests say so
//! and check nothing, unless `BATTERHEAD_REQUIRE_ALL` is set.

use std::path::{Path, PathBuf};

use batterhead::audio;
use batterhead::block::Block;

use super::support::{Place, needed, pcm};

pub const RATE: u32 = 44_100;
const SECONDS: usize = 12;
/// Where every file has one full sample, long before anything sounds.
const IMPULSE: usize = 10_000;

/// The folder of recordings, where there is one.
pub fn hits() -> Option<PathBuf> {
    let folder = std::env::var_os("BATTERHEAD_HITS")
        .map(PathBuf::from)
        .filter(|f| f.is_dir());
    if folder.is_none() {
        eprintln!("skipped: BATTERHEAD_HITS names no folder of recorded hits");
    }
    needed(folder, "BATTERHEAD_HITS names no folder")
}

/// One recording, mono.
pub fn load(folder: &Path, name: &str) -> Vec<f64> {
    let mut reader = audio::open(&folder.join(format!("{name}.flac"))).expect(name);
    assert_eq!(reader.info().rate_hz, RATE);
    let (mut block, mut samples) = (Block::default(), Vec::new());
    while reader.read(&mut block, 4096).expect(name) > 0 {
        samples.extend_from_slice(block.channel(0));
    }
    samples
}

/// Mic, its own recording, and the times of its strokes.
const MICS: [(&str, &str, f64, f64); 5] = [
    ("Kick In", "drum_bass_hard", 0.6, 0.75),
    ("SN TOP", "drum_snare_hard", 1.0, 0.75),
    ("Tom 1", "drum_tom_hi_hard", 1.2, 1.5),
    ("Hats", "drum_cymbal_closed", 0.7, 0.375),
    ("Room", "drum_snare_soft", 1.01, 0.75),
];

/// A take in which every mic also hears the others, 20 dB down, its own hiss at -84 dBFS, and one
/// impulse.
fn session(place: &Place, folder: &Path) {
    let sounds: Vec<Vec<f64>> = MICS.iter().map(|mic| load(folder, mic.1)).collect();
    let played = |mic: usize| {
        let (_, _, first, every) = MICS[mic];
        let mut track = vec![0.0; SECONDS * RATE as usize];
        let mut at = first;
        while at < SECONDS as f64 - 1.0 {
            let start = (at * f64::from(RATE)) as usize;
            for (out, x) in track[start..].iter_mut().zip(&sounds[mic]) {
                *out += 0.4 * x;
            }
            at += every;
        }
        track
    };
    let tracks: Vec<Vec<f64>> = (0..MICS.len()).map(played).collect();
    for (mic, (name, ..)) in MICS.iter().enumerate() {
        let path = place.path(&format!("takes/Recorded_T01_{name}.wav"));
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        let spec = pcm(1, RATE, 24);
        let mut writer = hound::WavWriter::create(path, spec).unwrap();
        let mut noise = 0x9e37_79b9_7f4a_7c15_u64 ^ mic as u64;
        let mut bleed = vec![0.0; SECONDS * RATE as usize];
        for other in tracks.iter().enumerate().filter(|(m, _)| *m != mic) {
            bleed.iter_mut().zip(other.1).for_each(|(sum, x)| *sum += x);
        }
        for (frame, (own, bleed)) in tracks[mic].iter().zip(&bleed).enumerate() {
            let impulse = if frame == IMPULSE { 0.5 } else { 0.0 };
            noise ^= noise << 13;
            noise ^= noise >> 7;
            noise ^= noise << 17;
            let hiss = ((noise >> 40) as f64 / f64::from(1 << 24) - 0.5) * 2e-4;
            let sample = (own + 0.1 * bleed + hiss + impulse).clamp(-0.99, 0.99);
            writer
                .write_sample((sample * 8_388_607.0).round() as i32)
                .unwrap();
        }
        writer.finalize().unwrap();
    }
}

#[test]
fn recorded_hits_keep_frames_and_alignment_to_the_sample() {
    let Some(folder) = hits() else { return };
    let place = Place::new();
    session(&place, &folder);
    place.prep(&[], 0);
    let report = place.json("out/session.json");
    for track in report["tracks"].as_array().unwrap() {
        let path = track["output"].as_str().expect("every track has a stem");
        let samples = place.samples(&format!("out/{path}"));
        assert_eq!(samples.len(), SECONDS * RATE as usize, "{path}");
        // All filters are causal and of minimum phase: nothing but hiss sounds before the impulse, and
        // it begins at its very frame. The driven room is of linear phase within
        // its oversampling, then low-passed: its largest sample lies a few samples later.
        let around = &samples[IMPULSE - 200..IMPULSE + 200];
        let peak = around.iter().map(|s| s.abs()).max().unwrap();
        let first = around.iter().position(|s| s.abs() > peak / 50).unwrap() as i64 - 200;
        let largest = around.iter().position(|s| s.abs() == peak).unwrap() as i64 - 200;
        if path.contains("trashy") {
            assert!((0..=12).contains(&largest), "{path}: largest at {largest}");
        } else {
            assert_eq!(first, 0, "{path}");
            assert!(
                samples[..IMPULSE].iter().all(|s| s.abs() < peak / 50),
                "{path} sounds too early"
            );
        }
    }
}

#[test]
fn recorded_hits_come_back_bit_for_bit_through_an_empty_preset() {
    let Some(folder) = hits() else { return };
    let place = Place::new();
    session(&place, &folder);
    let ran = place.run(&[
        "apply",
        "name-only",
        "takes/Recorded_T01_SN TOP.wav",
        "--out",
        "same",
    ]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let source = place.samples("takes/Recorded_T01_SN TOP.wav");
    assert!(source == place.samples("same/Recorded_T01_SN TOP.wav"));
}

#[test]
fn clean_recorded_hits_lead_to_no_warning() {
    let Some(folder) = hits() else { return };
    let place = Place::new();
    session(&place, &folder);
    let ran = place.run(&["check", "takes", "--json"]);
    let report: serde_json::Value = serde_json::from_str(&ran.stdout).expect("JSON");
    let told: Vec<String> = report["findings"]
        .as_array()
        .unwrap()
        .iter()
        // The impulse that the tests plant is one sample high: it is a click, and rightly told.
        .filter(|f| f["severity"] != "note" && f["code"] != "click")
        .map(|f| format!("{} {}", f["name"], f["message"]))
        .collect();
    assert!(told.is_empty(), "{told:#?}");
}
