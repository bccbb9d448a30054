//! `prep` from outside: the whole job on real folders.

use super::support::{KIT, Place, RATE, pcm, sha256};

#[test]
fn a_session_becomes_stems_mixes_reports_and_a_manifest_that_sha256sum_accepts() {
    let place = Place::new();
    place.session(&["Low Tide", "Iron Meadow"], 2);
    let before = place.tree("takes");
    let ran = place.prep(&[], 0);
    for song in ["low-tide", "iron-meadow"] {
        for take in ["take-01", "take-02"] {
            for mic in ["kick-in", "snare-top", "overhead", "room"] {
                let name = format!("{song}/{take}/{song}_{take}_{mic}");
                let report = place.json(&format!("out/reports/{name}.json"));
                assert_eq!(report["schema"], 1);
                assert_eq!(report["mic"], mic);
                assert_eq!(report["output"]["path"], format!("stems/{name}.wav"));
                assert_eq!(report["output"]["frames"], 4 * 48_000, "{name}");
                for figure in [
                    "sample_peak_dbfs",
                    "true_peak_dbtp",
                    "integrated_lufs",
                    "rms_dbfs",
                ] {
                    assert!(
                        report["before"][figure].is_f64() && report["after"][figure].is_f64(),
                        "{name} {figure}"
                    );
                }
                let stem =
                    hound::WavReader::open(place.path(&format!("out/stems/{name}.wav"))).unwrap();
                assert_eq!(stem.duration(), 4 * 48_000);
                assert_eq!(stem.spec().bits_per_sample, 24);
            }
            assert!(
                place
                    .path(&format!("out/mixes/{song}/{take}.wav"))
                    .is_file()
            );
        }
    }
    let session = place.json("out/session.json");
    assert_eq!(session["totals"]["takes"], 4);
    assert_eq!(session["totals"]["failed"], 0);
    assert_eq!(session["failed"].as_array().unwrap().len(), 0);
    let lines = std::fs::read_to_string(place.path("out/session.csv"))
        .unwrap()
        .lines()
        .count();
    assert_eq!(lines, 1 + session["tracks"].as_array().unwrap().len());
    let sums = std::process::Command::new("sha256sum")
        .args(["-c", "--quiet", "--strict", "manifest-sha256.txt"])
        .current_dir(place.path("out"))
        .status();
    if let Ok(status) = sums {
        assert!(status.success(), "sha256sum -c finds a difference");
    }
    assert_eq!(place.run(&["verify", "out"]).status, 0);
    assert_eq!(place.tree("takes"), before, "an original was changed");
    assert!(ran.stdout.contains("session.html"), "{}", ran.stdout);
}

#[test]
fn the_ceiling_is_kept_and_the_hit_level_is_met() {
    let place = Place::new();
    place.session(&["Low Tide"], 2);
    place.prep(&[], 0);
    let report = place.json("out/reports/low-tide/take-01/low-tide_take-01_snare-top.json");
    let other = place.json("out/reports/low-tide/take-02/low-tide_take-02_snare-top.json");
    assert_eq!(
        report["decisions"]["gain_db"], other["decisions"]["gain_db"],
        "takes of one mic share a gain"
    );
    let peak = report["after"]["true_peak_dbtp"].as_f64().unwrap();
    assert!(peak <= -1.0, "{peak}");
    let level = report["after"]["sample_peak_dbfs"].as_f64().unwrap();
    assert!(
        (level + 12.0).abs() < 1.5,
        "hits of a snare come to about -12 dBFS, not {level}"
    );
}

#[test]
fn an_empty_preset_gives_back_the_same_samples_bit_for_bit() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    let ran = place.run(&[
        "apply",
        "name-only",
        "takes/Low Tide/take 1/SN TOP.wav",
        "takes/Low Tide/take 1/Room.wav",
        "--out",
        "same",
    ]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    for name in ["SN TOP", "Room"] {
        let source = place.samples(&format!("takes/Low Tide/take 1/{name}.wav"));
        assert!(
            source == place.samples(&format!("same/{name}.wav")),
            "{name} was changed"
        );
    }
}

/// A room of so many seconds with two strokes a second from `from_s` to `to_s`, and hiss.
fn room(path: &std::path::Path, seconds: u32, from_s: f64, to_s: f64) {
    let spec = pcm(1, RATE, 24);
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    let mut noise = 1u32;
    for frame in 0..seconds * RATE {
        let at = f64::from(frame) / f64::from(RATE);
        let since = (at - from_s) % 0.5;
        noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let hiss = (f64::from(noise) / f64::from(u32::MAX) - 0.5) * 1e-3;
        let stroke = match at >= from_s && at < to_s {
            true => 0.3 * (-since * 12.0).exp() * (std::f64::consts::TAU * 300.0 * since).sin(),
            false => 0.0,
        };
        let sample = ((stroke + hiss) * 8_388_607.0) as i32;
        writer.write_sample(sample).unwrap();
    }
    writer.finalize().unwrap();
}

#[test]
fn a_drive_is_matched_by_what_is_played_however_long_the_take_is() {
    let place = Place::new();
    let matched = |name: &str, seconds, from_s, to_s, more: &[&str]| {
        let file = format!("{name} Room.wav");
        room(&place.path(&file), seconds, from_s, to_s);
        let args = ["apply", "trashy-room", &file, "--out", name];
        let ran = place.run(&[&args, more].concat());
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        let report = place.json(&format!("{name}/reports/{name} Room.json"));
        let stages = report["decisions"]["stages"].as_array().unwrap().clone();
        let match_db = |stage: &serde_json::Value| stage["drive"]["match_db"].as_f64();
        stages.iter().find_map(match_db).expect("a match")
    };
    let short = matched("short", 20, 0.5, 20.0, &[]);
    let long = matched("minute", 60, 0.5, 60.0, &[]);
    assert!((short - long).abs() < 0.1, "{short} {long}");
    // far more hiss than playing
    let early = matched("early", 20, 4.0, 11.0, &[]);
    let little = matched("little", 60, 4.0, 11.0, &[]);
    assert!((early - little).abs() < 0.1, "{early} {little}");
    assert!((early - short).abs() < 0.5, "{early} {short}");
    assert_eq!(
        matched("cut", 60, 0.5, 60.0, &["--block-frames", "997"]),
        long
    );
}

#[test]
fn the_bytes_do_not_depend_on_threads_or_block_size() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    let mut trees = Vec::new();
    for (i, args) in [
        ["--jobs", "1"],
        ["--jobs", "8"],
        ["--block-frames", "64"],
        ["--block-frames", "997"],
    ]
    .iter()
    .enumerate()
    {
        let out = format!("out-{i}");
        let ran = place.run(&[&["prep", "takes", "--out", &out], &args[..]].concat());
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        trees.push(place.tree(&out));
    }
    for tree in &trees[1..] {
        assert_eq!(*tree, trees[0]);
    }
}

#[test]
fn a_second_run_touches_nothing() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    place.prep(&[], 0);
    let times = || -> Vec<_> {
        walkdir::WalkDir::new(place.path("out"))
            .sort_by_file_name()
            .into_iter()
            .filter_map(Result::ok)
            .filter(|e| {
                e.file_type().is_file() && !e.path().to_string_lossy().contains(".batterhead")
            })
            .map(|e| {
                (
                    e.path().to_owned(),
                    e.metadata().unwrap().modified().unwrap(),
                )
            })
            .collect()
    };
    let before = times();
    place.prep(&[], 0);
    assert_eq!(times(), before);
}

#[test]
fn one_corrupt_file_costs_itself_and_the_status_says_so() {
    let place = Place::new();
    place.session(&["Low Tide"], 2);
    let bad = place.path("takes/Low Tide/take 1/SN TOP.wav");
    std::fs::write(&bad, b"RIFF\x10\0\0\0WAVEfmt garbage").unwrap();
    let ran = place.prep(&[], 1);
    let session = place.json("out/session.json");
    let failed = session["failed"].as_array().unwrap();
    assert_eq!(failed.len(), 1, "{failed:?}");
    assert_eq!(failed[0]["path"], "Low Tide/take 1/SN TOP.wav");
    assert!(ran.stdout.contains("SN TOP.wav"), "{}", ran.stdout);
    assert!(
        place
            .path("out/stems/low-tide/take-02/low-tide_take-02_snare-top.wav")
            .is_file()
    );
    assert!(place.path("out/mixes/low-tide/take-01.wav").is_file());
}

#[test]
fn an_edited_value_of_the_worksheet_wins_for_its_track_alone() {
    let place = Place::new();
    place.session(&["Low Tide"], 2);
    place.prep(&[], 0);
    let sheet = std::fs::read_to_string(place.path("out/worksheet.toml")).unwrap();
    let at = sheet.find("take-01_snare-top\"]").unwrap();
    let gain = at + sheet[at..].find("\ngain_db").unwrap() + 1;
    let end = gain + sheet[gain..].find('\n').unwrap();
    let edited = format!("{}gain_db = -7.5{}", &sheet[..gain], &sheet[end..]);
    std::fs::write(place.path("out/worksheet.toml"), &edited).unwrap();
    let ran = place.prep(&["--worksheet", "out/worksheet.toml"], 0);
    assert!(ran.stderr.contains("-7.5"), "{}", ran.stderr);
    let name = |take: &str| format!("out/reports/low-tide/{take}/low-tide_{take}_snare-top.json");
    assert_eq!(place.json(&name("take-01"))["decisions"]["gain_db"], -7.5);
    assert_ne!(place.json(&name("take-02"))["decisions"]["gain_db"], -7.5);
}

#[test]
fn a_file_that_is_given_twice_is_processed_once_and_that_is_said() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    let kick = "takes/Low Tide/take 1/Kick In.wav";
    let detour = "takes/Low Tide/../Low Tide/take 1/Kick In.wav";
    let snare = "takes/Low Tide/take 1/SN TOP.wav";
    let apply = |files: &[&str], out: &str| {
        let args = [&["apply", "kick-in"], files, &["--out", out]].concat();
        let ran = place.run(&args);
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        ran.stderr
    };
    let said = apply(&[kick, snare, detour, kick], "twice");
    assert_eq!(said.matches("was given 3 times").count(), 1, "{said}");
    assert!(!apply(&[kick, snare], "once").contains("was given"));
    let sounds = |folder: &str| {
        let mut files = place.tree(folder);
        files.retain(|file| file.0.ends_with(".wav"));
        files
    };
    assert_eq!(sounds("twice").len(), 2);
    assert_eq!(sounds("twice"), sounds("once"));
}

#[test]
fn a_dry_run_writes_nothing_and_prints_the_worksheet() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    let ran = place.prep(&["--dry-run"], 0);
    assert!(
        ran.stdout
            .contains("[track.\"low-tide/take-01/low-tide_take-01_snare-top\"]"),
        "{}",
        ran.stdout
    );
    assert!(!place.path("out").exists());
    // A stem a line.
    let stems = ran.stderr.lines();
    let stem =
        |line: &&str| line.starts_with("  stems/low-tide/take-01/") && line.ends_with(".wav");
    assert_eq!(stems.filter(stem).count(), 5, "{}", ran.stderr);
}

#[test]
fn only_renders_the_mics_asked_for_and_refuses_others() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    let ran = place.prep(&["--only", "snare-tpo"], 2);
    assert!(ran.stderr.contains("snare-top"), "{}", ran.stderr);
    place.prep(&["--only", "snare-top,overhead"], 0);
    let stems: Vec<String> = place
        .tree("out")
        .into_iter()
        .map(|f| f.0)
        .filter(|f| f.ends_with(".wav"))
        .collect();
    let expected = ["overhead", "snare-top"]
        .map(|mic| format!("stems/low-tide/take-01/low-tide_take-01_{mic}.wav"));
    assert_eq!(stems, expected);
}

#[test]
fn wrong_usage_is_status_2_and_writes_nothing() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    std::fs::create_dir(place.path("empty")).unwrap();
    std::fs::write(
        place.path("bad.toml"),
        "about = \"x\"\nmics = []\nstages = [{ high-pass = { freq_hz = nan, order = 9 } }, { gaet = {} }]\n",
    )
    .unwrap();
    let snare = "takes/Low Tide/take 1/SN TOP.wav";
    for (args, words) in [
        (vec!["prep", "nowhere", "--out", "out"], vec!["nowhere"]),
        (vec!["prep", "empty", "--out", "out"], vec!["empty"]),
        (
            vec!["prep", "takes", "--out", "takes/out"],
            vec!["inside the session folder", "--out"],
        ),
        (vec!["prep", "takes"], vec!["--out"]),
        (
            vec!["apply", "bad.toml", snare, "--out", "out"],
            vec!["bad.toml:3", "order", "gate"],
        ),
        (
            vec!["apply", "snare-tpo", snare, "--out", "out"],
            vec!["snare-top"],
        ),
        (
            vec!["apply", "snare-top", "gone.wav", "--out", "out"],
            vec!["gone.wav"],
        ),
    ] {
        let ran = place.run(&args);
        assert_eq!(ran.status, 2, "{args:?}: {}", ran.stderr);
        for word in words {
            assert!(
                ran.stderr.contains(word),
                "{args:?} says nothing of {word}: {}",
                ran.stderr
            );
        }
        assert!(!ran.stderr.contains("panicked"));
        assert!(
            !place.path("out").exists() && !place.path("takes/out").exists(),
            "{args:?} wrote something"
        );
    }
}

#[test]
fn a_folder_of_recordings_or_with_a_session_file_is_no_output_folder_and_is_named_as_typed() {
    let place = Place::new();
    place.session(&["low tide"], 1);
    place.mic("other/day two/Snare.wav", &KIT[1], 3);
    std::fs::create_dir(place.path("planned")).unwrap();
    std::fs::write(place.path("planned/session.toml"), "").unwrap();
    for (out, what) in [("other", "recordings"), ("planned", "a session file")] {
        let before = place.tree(out);
        for typed in [format!(".//{out}"), out.to_owned()] {
            let ran = place.run(&["prep", "takes", "--out", &typed]);
            assert_eq!(ran.status, 2, "{}", ran.stderr);
            assert!(
                ran.stderr.contains(&format!("holds {what}")),
                "{}",
                ran.stderr
            );
            assert!(
                ran.stderr.contains(&format!("error: {typed}/")),
                "{}",
                ran.stderr
            );
        }
        assert_eq!(place.tree(out), before);
    }
}

#[test]
fn verify_finds_a_flipped_bit_a_missing_and_an_extra_file() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    place.prep(&[], 0);
    let stem = place.path("out/stems/low-tide/take-01/low-tide_take-01_kick-in.wav");
    let whole = std::fs::read(&stem).unwrap();
    let mut flipped = whole.clone();
    flipped[5_000] ^= 1;
    std::fs::write(&stem, &flipped).unwrap();
    std::fs::write(place.path("out/extra.txt"), "x").unwrap();
    std::fs::remove_file(place.path("out/session.csv")).unwrap();
    let ran = place.run(&["verify", "out"]);
    assert_eq!(ran.status, 5);
    for word in ["kick-in", "extra.txt", "session.csv"] {
        assert!(ran.stdout.contains(word), "{}", ran.stdout);
    }
    std::fs::remove_file(place.path("out/extra.txt")).unwrap();
    place.prep(&[], 0);
    assert_eq!(sha256(&stem), {
        std::fs::write(place.path("whole.wav"), &whole).unwrap();
        sha256(&place.path("whole.wav"))
    });
    assert_eq!(place.run(&["verify", "out"]).status, 0);
}

#[test]
fn messages_as_json_are_one_object_a_line_and_the_last_one_is_the_status() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    let ran = place.run(&["prep", "takes", "--out", "out", "--log-json"]);
    let lines: Vec<serde_json::Value> = ran
        .stderr
        .lines()
        .map(|line| serde_json::from_str(line).expect(line))
        .collect();
    assert!(lines.iter().all(|line| line["type"].is_string()));
    assert_eq!(lines.last().unwrap()["type"], "exit");
    assert_eq!(lines.last().unwrap()["status"], 0);
    let quiet = place.run(&["prep", "takes", "--out", "out", "--quiet"]);
    assert_eq!(quiet.stderr, "");
}

#[test]
fn check_without_a_folder_stores_nothing() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    let before = place.tree("");
    let ran = place.run(&["check", "takes", "--json"]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let report: serde_json::Value =
        serde_json::from_str(&ran.stdout).expect("JSON on standard output");
    assert_eq!(
        report["totals"]["tracks"],
        KIT.len() as u64 - 1,
        "two overheads are one track"
    );
    assert_eq!(place.tree(""), before);
}
