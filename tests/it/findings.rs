//! Every finding from outside: each where it was planted, and nowhere else.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use serde_json::Value;

use super::support::{Place, RATE, pcm};

/// The demo session, synthesised once.
fn demo() -> &'static Path {
    static DEMO: OnceLock<tempfile::TempDir> = OnceLock::new();
    let folder = DEMO.get_or_init(|| {
        let folder = tempfile::tempdir().expect("a temporary folder");
        batterhead::demo::write(folder.path(), &|_, _| {}).expect("a demo session");
        folder
    });
    folder.path()
}

/// A copy of it to be spoilt.
pub(super) fn session() -> Place {
    let place = Place::new();
    for entry in walkdir::WalkDir::new(demo()) {
        let entry = entry.expect("readable");
        let inside = entry.path().strip_prefix(demo()).expect("inside");
        let to = place.path("takes").join(inside);
        match entry.file_type().is_dir() {
            true => std::fs::create_dir_all(to).expect("a folder"),
            false => drop(std::fs::copy(entry.path(), to).expect("a copy")),
        }
    }
    place
}

/// Low Tide has all takes in one folder, Iron Meadow a folder a take.
fn low_tide(place: &Place, take: u32, mic: &str) -> PathBuf {
    place.path(&format!("takes/Low Tide_T{take:02}_{mic}.wav"))
}

fn iron_meadow(place: &Place, take: u32, mic: &str) -> PathBuf {
    place.path(&format!("takes/iron-meadow/take {take}/{mic}.wav"))
}

/// `code song take mic` of every finding that `check` has.
fn findings(place: &Place) -> (BTreeSet<String>, Value) {
    let ran = place.run(&["check", "takes", "--json", "--quiet"]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let report: Value = serde_json::from_str(&ran.stdout).expect("JSON");
    let of = |finding: &Value| {
        let text = |key: &str| finding[key].as_str().expect(key).to_owned();
        let (song, take, name) = (text("song"), text("take"), text("name"));
        let mic = name
            .strip_prefix(&format!("{song}_{take}_"))
            .expect("a name");
        format!("{} {song} {take} {mic}", text("code"))
    };
    let all = report["findings"].as_array().expect("a list");
    (all.iter().map(of).collect(), report)
}

/// What the demo itself holds: planted mishaps, and what follows from them.
const PLANTED: [&str; 14] = [
    "clipped iron-meadow take-03 kick-in",
    "detuned low-tide take-03 snare-top",
    "hum low-tide take-01 ride",
    "hum low-tide take-02 ride",
    "hum low-tide take-03 ride",
    "level-step iron-meadow take-03 kick-in",
    "not-played low-tide take-02 tom-3",
    "polarity low-tide take-01 snare-bottom",
    "polarity low-tide take-02 snare-bottom",
    "polarity low-tide take-03 snare-bottom",
    "truncated iron-meadow take-01 ride",
    "unknown-mic iron-meadow take-01 barrel",
    "unknown-mic iron-meadow take-02 barrel",
    "unknown-mic iron-meadow take-03 barrel",
];

#[test]
fn what_was_planted_in_the_demo_is_found_and_nothing_else() {
    let (found, report) = findings(&session());
    let planted: BTreeSet<String> = PLANTED.map(str::to_owned).into();
    assert_eq!(found, planted);
    for finding in report["findings"].as_array().expect("a list") {
        let confidence = finding["confidence"].as_f64().expect("a number");
        assert!((0.0..=1.0).contains(&confidence), "{finding}");
        assert!(finding["figures"]["kind"].is_string(), "{finding}");
        assert!(
            finding["message"].as_str().is_some_and(|m| m.len() > 20),
            "{finding}"
        );
    }
    let of = |code: &str| {
        let all = report["findings"].as_array().into_iter().flatten();
        all.into_iter()
            .find(|f| f["code"] == code)
            .cloned()
            .expect(code)
    };
    // The figures are the ones that the sentence has: the snare went flat by 7 Hz from 196 Hz.
    let (from, to) = (
        &of("detuned")["figures"]["from_hz"],
        &of("detuned")["figures"]["to_hz"],
    );
    let fallen = from.as_f64().expect("Hz") - to.as_f64().expect("Hz");
    assert!((fallen - 7.0).abs() < 2.0, "{fallen}");
}

/// Changes the samples of a 24-bit file in place.
fn change(path: &Path, mut with: impl FnMut(usize, i32) -> i32) {
    let mut reader = hound::WavReader::open(path).expect("a file");
    let spec = reader.spec();
    let samples: Vec<i32> = reader.samples().map(|s| s.expect("a sample")).collect();
    let mut writer = hound::WavWriter::create(path, spec).expect("a file");
    for (at, sample) in samples.into_iter().enumerate() {
        let changed = with(at, sample).clamp(-8_388_608, 8_388_607);
        writer.write_sample(changed).expect("room on the disk");
    }
    writer.finalize().expect("a whole file");
}

fn swap(a: &Path, b: &Path) {
    let aside = a.with_extension("aside");
    std::fs::rename(a, &aside).expect("a name");
    std::fs::rename(b, a).expect("a name");
    std::fs::rename(aside, b).expect("a name");
}

#[test]
fn what_was_spoilt_is_found_where_it_was_spoilt() {
    let place = session();
    swap(&low_tide(&place, 2, "OH L"), &low_tide(&place, 2, "OH R"));
    change(&iron_meadow(&place, 3, "Snr_Btm"), |_, x| x * 2);
    let room = iron_meadow(&place, 1, "Room");
    std::fs::copy(&room, iron_meadow(&place, 1, "China")).expect("a copy");
    // half a second in, 300 frames of zeros in both channels
    let from = RATE as usize * 8;
    change(&iron_meadow(&place, 2, "Room"), |at, x| match at / 2 {
        frame if (from..from + 300).contains(&frame) => 0,
        _ => x,
    });
    change(&iron_meadow(&place, 2, "FT"), |_, x| x + 83_886);
    // one sample, while nobody plays yet
    change(&iron_meadow(&place, 1, "Hats"), |at, x| match at {
        4_800 => x + 2_000_000,
        _ => x,
    });
    let length = RATE as usize * 7;
    let spec = |bits_per_sample, sample_format| hound::WavSpec {
        channels: 1,
        sample_rate: RATE,
        bits_per_sample,
        sample_format,
    };
    let float = spec(32, hound::SampleFormat::Float);
    let broken = iron_meadow(&place, 3, "Splash");
    let mut writer = hound::WavWriter::create(broken, float).expect("a file");
    for at in 0..10 * RATE as usize {
        let wave = 0.01 * (at as f32 * 0.05).sin();
        let sample = if at == 100_000 { f32::NAN } else { wave };
        writer.write_sample(sample).expect("room on the disk");
    }
    writer.finalize().expect("a whole file");
    for (mic, frames) in [
        ("Crash", 10 * RATE as usize),
        ("Rm Far L", length),
        ("Rm Far R", length / 2),
    ] {
        let whole = spec(24, hound::SampleFormat::Int);
        let path = iron_meadow(&place, 3, mic);
        let mut writer = hound::WavWriter::create(path, whole).expect("a file");
        let mut noise = 7u32;
        for _ in 0..frames {
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let hiss = (noise >> 16) as i32 - 32_768;
            let sample = if mic == "Crash" { 0 } else { hiss };
            writer.write_sample(sample).expect("room on the disk");
        }
        writer.finalize().expect("a whole file");
    }
    std::fs::write(place.path("takes/session.toml"), "align = [\"kick-out\"]\n").expect("a file");
    let (found, _) = findings(&place);
    for expected in [
        "sides-swapped low-tide take-02 overhead",
        "level-step iron-meadow take-03 snare-bottom",
        "duplicate iron-meadow take-01 china",
        "duplicate iron-meadow take-01 room",
        "dropout iron-meadow take-02 room",
        "dc-offset iron-meadow take-02 tom-3",
        "click iron-meadow take-01 hat",
        "non-finite iron-meadow take-03 splash",
        "silent iron-meadow take-03 crash",
        "pair-mismatch iron-meadow take-03 room-far-l",
        "length-mismatch iron-meadow take-03 room-far-l",
        "length-mismatch iron-meadow take-03 room-far-r",
        "delay low-tide take-01 kick-out",
    ] {
        assert!(found.contains(expected), "{expected} is not in {found:#?}");
    }
    // Each code that the demo does not have is found where it was planted alone.
    let alone = ["sides-swapped", "dropout", "dc-offset", "non-finite"];
    for code in alone {
        let of = found.iter().filter(|f| f.starts_with(code)).count();
        assert_eq!(of, 1, "{code} in {found:#?}");
    }
}

/// One song of the demo with these lines in its session file: the row of a track in `session.json`.
fn row(lines: &str, take: &str, mic: &str) -> Value {
    let place = session();
    std::fs::remove_dir_all(place.path("takes/iron-meadow")).expect("a folder");
    std::fs::write(place.path("takes/session.toml"), lines).expect("a file");
    let (_, report) = findings(&place);
    let name = format!("low-tide_{take}_{mic}");
    let tracks = report["tracks"].as_array().expect("a list");
    let found = tracks.iter().find(|track| track["name"] == *name);
    found.cloned().unwrap_or_else(|| panic!("no {name}"))
}

#[test]
fn a_tom_that_rests_is_left_out_or_muted_as_the_session_file_says() {
    for (lines, left_out, muted) in [
        ("", false, true),
        ("left-out = \"song\"", false, true),
        ("left-out = \"take\"", true, false),
        ("left-out = \"never\"", false, true),
    ] {
        let track = row(lines, "take-02", "tom-3");
        assert_eq!(
            (&track["left_out"], &track["muted"]),
            (&left_out.into(), &muted.into()),
            "{lines}"
        );
    }
}

#[test]
fn polarity_is_corrected_where_the_session_file_says_and_reported_elsewhere() {
    for (lines, inverted) in [("", true), ("polarity = []", false)] {
        let track = row(lines, "take-01", "snare-bottom");
        assert_eq!(track["polarity_inverted"], inverted, "{lines}");
        let found = track["findings"].to_string();
        assert!(found.contains("polarity"), "{lines}: {track}");
    }
}

#[test]
fn both_sides_of_a_pair_are_moved_by_the_same_whether_they_are_one_stem_or_two() {
    let aligned = "align = [\"overhead\"]\n";
    let moved = |lines: &str, mic: &str| {
        let track = row(lines, "take-01", mic);
        track["delay_samples"].as_i64().expect("a number")
    };
    let one = moved(aligned, "overhead");
    // The snare reaches the overheads of the demo after 2 to 5 ms.
    assert!((-240..=-96).contains(&one), "{one}");
    let split = format!("{aligned}pairs = \"split\"\n");
    let track = row(&split, "take-01", "overhead-l");
    assert_eq!(track["delay_samples"], one);
    assert_eq!(moved(&split, "overhead-r"), one);
    let said = track["findings"].to_string();
    assert!(said.contains("delay"), "{said}");
}

#[test]
fn a_faint_hum_is_said_once_of_the_session_and_not_of_its_tracks() {
    let place = session();
    std::fs::remove_dir_all(place.path("takes/iron-meadow")).expect("a folder");
    let full = 8_388_608.0;
    for (take, mic) in [(1, "Rack 2"), (2, "Rack 2"), (2, "Floor")] {
        // −78 dBFS RMS, over hiss of −82 dBFS
        change(&low_tide(&place, take, mic), |at, x| {
            let angle = std::f64::consts::TAU * 50.0 * at as f64 / f64::from(RATE);
            let wave = angle.sin() + 0.5 * (3.0 * angle).sin() + 0.3 * (5.0 * angle).sin();
            x + (full * 10f64.powf(-78.0 / 20.0) * 1.22 * wave) as i32
        });
    }
    let (found, report) = findings(&place);
    let hums: Vec<&String> = found.iter().filter(|f| f.starts_with("hum")).collect();
    assert!(hums.iter().all(|f| f.ends_with(" ride")), "{hums:?}");
    let notes = report["notes"].as_array().expect("a list");
    let said = |note: &&Value| note.as_str().is_some_and(|n| n.contains("Faint mains hum"));
    let said: Vec<&Value> = notes.iter().filter(said).collect();
    assert_eq!(said.len(), 1, "{notes:?}");
    assert!(said[0].to_string().contains("3 tracks"), "{notes:?}");
}

/// A click track is digital silence between clicks that are the same, sample for sample.
#[test]
fn the_gaps_of_a_click_track_are_no_dropouts() {
    let place = session();
    let like = hound::WavReader::open(low_tide(&place, 1, "RD")).expect("a track");
    let spec = hound::WavSpec {
        channels: 1,
        ..like.spec()
    };
    let frames = like.duration();
    let path = low_tide(&place, 1, "Click");
    let mut writer = hound::WavWriter::create(path, spec).expect("a file");
    for frame in 0..frames {
        let since = frame % (spec.sample_rate / 2);
        let on = since < spec.sample_rate / 100;
        let phase = std::f64::consts::TAU * 1000.0 * f64::from(since) / f64::from(spec.sample_rate);
        let sample = if on { 0.5 * phase.cos() } else { 0.0 };
        writer
            .write_sample((sample * 8_388_607.0) as i32)
            .expect("room");
    }
    writer.finalize().expect("a whole file");
    let (found, _) = findings(&place);
    let of_click: Vec<&String> = found
        .iter()
        .filter(|f| f.ends_with("low-tide take-01 click"))
        .collect();
    assert!(of_click.is_empty(), "{of_click:?}");
}

/// A snare mic whose cable was never plugged in: white noise at −60 dBFS, while kick and overheads
/// play.
#[test]
fn a_mic_that_hears_only_hiss_has_no_hits_and_is_not_raised() {
    let place = Place::new();
    place.session(&["Salt"], 2);
    for take in 1..=2u64 {
        let path = place.path(&format!("takes/Salt/take {take}/SN TOP.wav"));
        let mut writer = hound::WavWriter::create(path, pcm(1, RATE, 24)).unwrap();
        let mut noise = 0x9e37_79b9_7f4a_7c15_u64 ^ take;
        for _ in 0..RATE * 4 {
            noise ^= noise << 13;
            noise ^= noise >> 7;
            noise ^= noise << 17;
            let hiss = ((noise >> 40) as f64 / f64::from(1 << 24) - 0.5) * 0.0035;
            writer.write_sample((hiss * 8_388_607.0) as i32).unwrap();
        }
        writer.finalize().unwrap();
    }
    place.prep(&[], 0);
    for take in ["take-01", "take-02"] {
        let report = place.json(&format!(
            "out/reports/salt/{take}/salt_{take}_snare-top.json"
        ));
        assert_eq!(report["hits"]["count"], 0, "{}", report["hits"]);
        assert_eq!(report["decisions"]["gain_db"], 0.0);
        let reasons = report["decisions"].to_string();
        assert!(reasons.contains("too few to set a gain"), "{reasons}");
    }
}

#[test]
fn a_step_of_level_is_kept_or_trimmed_as_the_session_file_says() {
    let place = session();
    change(&iron_meadow(&place, 2, "Snr_Btm"), |_, x| x / 2);
    let gains = |config: &str| {
        std::fs::write(place.path("takes/session.toml"), config).expect("a file");
        let ran = place.run(&["prep", "takes", "--out", "out", "--decide-anew"]);
        assert!(ran.status <= 1, "{}", ran.stderr);
        let report = |take: u32| {
            let name = format!("iron-meadow_take-0{take}_snare-bottom");
            place.json(&format!("out/reports/iron-meadow/take-0{take}/{name}.json"))
        };
        let gain = |take| {
            report(take)["decisions"]["gain_db"]
                .as_f64()
                .expect("a gain")
        };
        let found = report(2)["findings"].as_array().expect("findings").clone();
        let step = found.into_iter().find(|f| f["code"] == "level-step");
        ([gain(1), gain(2), gain(3)], step.expect("a step"))
    };
    let ([first, softer, third], found) = gains("");
    assert_eq!([softer, third], [first; 2]);
    assert!(
        found["message"].to_string().contains("One gain kept"),
        "{found}"
    );
    let ([first, softer, third], found) = gains("level-steps = \"trim\"\n");
    assert_eq!(third, first);
    // It is 6.0 dB; what was found of it is taken back.
    let step_db = found["figures"]["step_db"].as_f64().expect("a size");
    assert!((step_db + 6.0).abs() < 1.5, "{found}");
    assert!(
        (softer - first + step_db).abs() < 0.051,
        "{first} {softer} {found}"
    );
    assert!(found["message"].to_string().contains("Trimmed"), "{found}");
}
