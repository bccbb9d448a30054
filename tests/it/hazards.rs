//! What costs a person an evening: a proof that cannot be believed, a stem that is too loud, one bad
//! file that ends the night, a name that says what is not so.

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use proptest::prelude::*;
use serde_json::Value;

use crate::support::{KIT, Place, RATE, Ran, pcm, program};

/// Puts a chunk before all others of a WAV file.
fn insert_chunk(path: &Path, id: &[u8; 4], payload: &[u8]) {
    let mut bytes = fs::read(path).unwrap();
    let mut chunk = id.to_vec();
    chunk.extend((payload.len() as u32).to_le_bytes());
    chunk.extend(payload);
    chunk.extend(vec![0; payload.len() % 2]);
    let size = u32::from_le_bytes(bytes[4..8].try_into().unwrap()) + chunk.len() as u32;
    bytes[4..8].copy_from_slice(&size.to_le_bytes());
    bytes.splice(12..12, chunk);
    fs::write(path, bytes).unwrap();
}

fn bext(time_reference: u64, history: &[u8]) -> Vec<u8> {
    let mut payload = vec![0; 602];
    payload[338..346].copy_from_slice(&time_reference.to_le_bytes());
    payload[346] = 1;
    payload.extend(history);
    payload
}

/// A WAV file of damped hits every quarter second: `hits` of them, each with this peak, and silence
/// up to `frames`.
fn strokes(path: &Path, rate: u32, channels: u16, hits: u32, peak: f64, frames: u32) {
    fs::create_dir_all(path.parent().unwrap()).unwrap();
    let mut writer = hound::WavWriter::create(path, pcm(channels, rate, 24)).unwrap();
    for frame in 0..frames {
        let (beat, at) = (frame / (rate / 4), frame % (rate / 4));
        let since = f64::from(at) / f64::from(rate);
        let ring = (-since * 14.0).exp() * (std::f64::consts::TAU * 200.0 * since).cos();
        let value = if beat < hits { peak * ring } else { 0.0 };
        for channel in 0..channels {
            let side = 1.0 - 0.2 * f64::from(channel);
            writer
                .write_sample((value * side * 8_388_607.0) as i32)
                .unwrap();
        }
    }
    writer.finalize().unwrap();
}

/// Runs the program, and fails where it does not end by itself.
fn run_in_time(place: &Place, args: &[&str]) -> Ran {
    let mut child = program()
        .args(args)
        .current_dir(place.path(""))
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // Only what hangs takes so long.
    let patience = Instant::now() + Duration::from_secs(240);
    while child.try_wait().unwrap().is_none() {
        if Instant::now() > patience {
            child.kill().unwrap();
            panic!("{args:?} hangs");
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    let output = child.wait_with_output().unwrap();
    Ran {
        status: output.status.code().unwrap_or(-1),
        stdout: String::from_utf8_lossy(&output.stdout).into_owned(),
        stderr: String::from_utf8_lossy(&output.stderr).into_owned(),
    }
}

fn reports(place: &Place, out: &str) -> Vec<Value> {
    let all = walkdir::WalkDir::new(place.path(out).join("reports")).sort_by_file_name();
    all.into_iter()
        .map(Result::unwrap)
        .filter(|entry| entry.file_type().is_file())
        .map(|entry| serde_json::from_slice(&fs::read(entry.path()).unwrap()).unwrap())
        .collect()
}

fn largest_sample_dbfs(path: &Path) -> f64 {
    let mut reader = hound::WavReader::open(path).unwrap();
    let largest = reader
        .samples::<i32>()
        .map(|s| s.unwrap().unsigned_abs())
        .max();
    20.0 * (f64::from(largest.unwrap_or(0)) / 8_388_608.0).log10()
}

#[test]
fn verify_believes_files_with_chunks_of_odd_size_wherever_they_lie() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    for mic in &KIT {
        let path = place.path(&format!("takes/Low Tide/take 1/{}.wav", mic.name));
        insert_chunk(&path, b"LIST", b"INFOx");
        insert_chunk(&path, b"bext", &bext(1_000_000, b"A=PCM\r\n"));
        insert_chunk(&path, b"iXML", b"<a></a>");
    }
    let out = "Ausgang für Größe";
    let ran = place.run(&["prep", "takes", "--out", out]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let ran = place.run(&["verify", out]);
    assert_eq!(ran.status, 0, "{}", ran.stdout);
    #[cfg(unix)]
    {
        std::os::unix::fs::symlink(place.path(out), place.path("a link")).unwrap();
        for named in ["a link", "a link/", "./a link/."] {
            let ran = place.run(&["verify", named]);
            assert_eq!(ran.status, 0, "{named}: {}", ran.stdout);
        }
    }
}

#[test]
fn verify_names_what_happened_to_each_file() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    place.prep(&[], 0);
    let stem = |mic: &str| format!("stems/low-tide/take-01/low-tide_take-01_{mic}.wav");
    let at = |name: &str| place.path("out").join(name);
    let cut = |name: &str, to: usize| {
        let bytes = fs::read(at(name)).unwrap();
        fs::write(at(name), &bytes[..to.min(bytes.len() - 3)]).unwrap();
    };
    fs::remove_file(at(&stem("kick-in"))).unwrap();
    cut(&stem("snare-top"), 100_000);
    cut("session.json", 2_000);
    cut("session.csv", usize::MAX);
    let mut bytes = fs::read(at(&stem("overhead"))).unwrap();
    bytes[9_000] ^= 1;
    fs::write(at(&stem("overhead")), bytes).unwrap();
    fs::write(at("stems/mine.wav"), "mine").unwrap();
    let ran = place.run(&["verify", "out"]);
    assert_eq!(ran.status, 5);
    for line in [
        format!("missing: {}", stem("kick-in")),
        format!("truncated: {}", stem("snare-top")),
        "truncated: session.json".to_owned(),
        "truncated: session.csv".to_owned(),
        format!("changed: {}", stem("overhead")),
        "added: stems/mine.wav".to_owned(),
    ] {
        assert!(
            ran.stdout.lines().any(|l| l == line),
            "{line}\n{}",
            ran.stdout
        );
    }
}

#[test]
fn a_damaged_manifest_is_a_difference_and_no_manifest_of_a_stranger_is_wrong_usage() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    place.prep(&[], 0);
    let manifest = place.path("out/manifest-sha256.txt");
    let whole = fs::read(&manifest).unwrap();
    let with = |bytes: &[u8]| {
        fs::write(&manifest, bytes).unwrap();
        place.run(&["verify", "out"])
    };
    let cut = &whole[..whole.len() - 40];
    let twice = [&whole[..], &whole[..]].concat();
    for damaged in [&b"nonsense\n"[..], b"\xff\xfe\0", b"", cut, &twice] {
        let ran = with(damaged);
        assert_eq!(ran.status, 5, "{}{}", ran.stdout, ran.stderr);
    }
    let mut half = whole.clone();
    half[3] = b'!';
    let ran = with(&half);
    assert!(
        ran.stdout.contains("changed: manifest-sha256.txt: line 1"),
        "{}",
        ran.stdout
    );
    fs::remove_file(&manifest).unwrap();
    let ran = place.run(&["verify", "out"]);
    assert_eq!(ran.status, 5);
    assert!(
        ran.stdout.contains("missing: manifest-sha256.txt"),
        "{}",
        ran.stdout
    );
    assert_eq!(place.run(&["verify", "takes"]).status, 2);
    assert_eq!(place.run(&["verify", "nowhere"]).status, 2);
}

#[test]
fn the_ceiling_holds_for_two_hits_and_for_a_preset_without_a_level() {
    let place = Place::new();
    strokes(&place.path("takes/Snare Top.wav"), RATE, 1, 2, 0.7, RATE);
    let lift = "about = \"x\"\nstages = [{ peak = { freq_hz = 200, gain_db = 18, q = 1 } }]\n";
    let level = "[level]\nmeasure = \"hit-level\"\ntarget = -12\n";
    fs::write(place.path("lift.toml"), format!("{lift}{level}")).unwrap();
    fs::write(place.path("bare.toml"), lift).unwrap();
    for (preset, ceiling) in [("lift.toml", -1.0), ("bare.toml", 0.0)] {
        let out = format!("out-{preset}");
        let ran = place.run(&["prep", "takes", "--out", &out, "--preset", preset]);
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        let report = &reports(&place, &out)[0];
        let peak = report["after"]["true_peak_dbtp"].as_f64().unwrap();
        assert!(
            (ceiling - 0.2..=ceiling).contains(&peak),
            "{preset}: {peak}"
        );
        let stem = place
            .path(&out)
            .join(report["output"]["path"].as_str().unwrap());
        assert!(largest_sample_dbfs(&stem) <= ceiling, "{preset}");
        let said = report["decisions"].to_string();
        assert!(said.contains("ceiling"), "{said}");
    }
}

#[test]
fn an_edited_gain_stays_below_the_ceiling_too() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    place.prep(&[], 0);
    let sheet = fs::read_to_string(place.path("out/worksheet.toml")).unwrap();
    let edited: Vec<String> = sheet
        .lines()
        .map(|line| match line.starts_with("gain_db = ") {
            true => "gain_db = 40".to_owned(),
            false => line.to_owned(),
        })
        .collect();
    fs::write(place.path("edited.toml"), edited.join("\n")).unwrap();
    let ran = place.run(&[
        "prep",
        "takes",
        "--out",
        "loud",
        "--worksheet",
        "edited.toml",
    ]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    for report in reports(&place, "loud") {
        let peak = report["after"]["true_peak_dbtp"].as_f64().unwrap();
        assert!(peak <= -1.0, "{}: {peak}", report["name"]);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    #[test]
    fn no_file_that_leaves_the_program_passes_its_ceiling(
        files in proptest::collection::vec((0u32..9, 0.001f64..1.0, 1u16..3), 1..4),
        (measure, link) in (0usize..6, 0usize..4),
        (target, ceiling) in (-60.0f64..0.0, -20.0f64..0.0),
        (lift_db, drive, leveled) in (-24.0f64..24.0, any::<bool>(), any::<bool>()),
        (together, bits_rate) in (any::<bool>(), 0usize..2),
    ) {
        let place = Place::new();
        let rate = [48_000, 44_100][bits_rate];
        for (i, (hits, peak, channels)) in files.iter().enumerate() {
            let path = place.path(&format!("Snare Top {i}.wav"));
            strokes(&path, rate, *channels, *hits, *peak, rate * 9 / 4);
        }
        let measure = ["hit-level", "sample-peak", "true-peak", "integrated", "over-source", "rms"][measure];
        let link = ["file", "mic", "song", "session"][link];
        let mut preset = format!(
            "about = \"x\"\nstages = [\n{{ peak = {{ freq_hz = 200, gain_db = {lift_db:.2}, q = 1 }} }},\n"
        );
        if drive {
            preset += "{ drive = { curve = \"soft\", drive_db = 12, mix = 0.5 } },\n";
        }
        preset += "]\n";
        let limit = if leveled { ceiling } else { 0.0 };
        if leveled {
            preset += &format!(
                "[level]\nmeasure = \"{measure}\"\ntarget = {target:.2}\nlink = \"{link}\"\nceiling_dbtp = {ceiling:.2}\n"
            );
        }
        fs::write(place.path("p.toml"), preset).unwrap();
        let names: Vec<String> = (0..files.len()).map(|i| format!("Snare Top {i}.wav")).collect();
        let mut args = vec!["apply", "p.toml", "--out", "out"];
        args.extend(together.then_some("--together"));
        args.extend(names.iter().map(String::as_str));
        let ran = place.run(&args);
        prop_assert_eq!(ran.status, 0, "{}", ran.stderr);
        for report in reports(&place, "out") {
            let gain = report["decisions"]["gain_db"].as_f64().unwrap();
            prop_assert!(gain <= 24.0, "{}", report);
            let Some(peak) = report["after"]["true_peak_dbtp"].as_f64() else { continue };
            // The report rounds to hundredths, and so does the preset here.
            prop_assert!(peak <= limit + 0.011, "{peak} dBTP over {limit}: {}", report["decisions"]);
            let stem = place.path("out").join(report["output"]["path"].as_str().unwrap());
            prop_assert!(largest_sample_dbfs(&stem) <= limit + 0.006);
        }
    }
}

#[test]
fn apply_takes_each_file_for_itself_and_raises_none_by_more_than_is_allowed() {
    let place = Place::new();
    strokes(
        &place.path("Snare Top loud.wav"),
        RATE,
        1,
        12,
        0.5,
        RATE * 3,
    );
    strokes(
        &place.path("Snare Top soft.wav"),
        RATE,
        1,
        12,
        0.05,
        RATE * 3,
    );
    strokes(
        &place.path("Snare Top faint.wav"),
        RATE,
        1,
        12,
        0.002,
        RATE * 3,
    );
    let gains = |out: &str, more: &[&str]| -> Vec<f64> {
        let names = [
            "Snare Top faint.wav",
            "Snare Top loud.wav",
            "Snare Top soft.wav",
        ];
        let ran = place.run(&[&["apply", "level-only", "--out", out], more, &names].concat());
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        let gain = |report: &Value| report["decisions"]["gain_db"].as_f64().unwrap();
        reports(&place, out).iter().map(gain).collect()
    };
    let [faint, loud, soft] = gains("alone", &[])[..] else {
        panic!("three reports")
    };
    assert_eq!(faint, 24.0);
    assert!((soft - loud - 20.0).abs() < 0.2, "{soft} {loud}");
    let said = fs::read_to_string(place.path("alone/reports/Snare Top faint.json")).unwrap();
    assert!(said.contains("max_gain_db"), "{said}");
    // Alone it gets what it gets among others.
    let ran = place.run(&["apply", "level-only", "--out", "one", "Snare Top soft.wav"]);
    assert_eq!(ran.status, 0);
    assert_eq!(
        reports(&place, "one")[0]["decisions"]["gain_db"].as_f64(),
        Some(soft)
    );
    let together = gains("together", &["--together"]);
    assert!(
        together.iter().all(|gain| *gain == together[0]),
        "{together:?}"
    );
}

#[test]
fn apply_tells_files_of_one_name_apart() {
    let place = Place::new();
    for folder in ["monday", "tuesday"] {
        strokes(
            &place.path(&format!("{folder}/Snare.wav")),
            RATE,
            1,
            8,
            0.3,
            RATE * 2,
        );
    }
    let ran = place.run(&[
        "apply",
        "level-only",
        "monday/Snare.wav",
        "tuesday/Snare.wav",
        "--out",
        "out",
    ]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    for name in ["monday_Snare", "tuesday_Snare"] {
        assert!(place.path(&format!("out/{name}.wav")).is_file(), "{name}");
        assert!(
            place.path(&format!("out/reports/{name}.json")).is_file(),
            "{name}"
        );
    }
    assert_eq!(place.run(&["verify", "out"]).status, 0);
}

#[test]
fn one_line_levels_and_names_a_session_and_a_line_of_the_session_file_too() {
    let place = Place::new();
    place.session(&["Low Tide"], 2);
    let presets = |out: &str| -> Vec<String> {
        let name = |report: &Value| report["preset"].as_str().unwrap().to_owned();
        reports(&place, out).iter().map(name).collect()
    };
    let ran = place.run(&[
        "prep",
        "takes",
        "--out",
        "leveled",
        "--preset",
        "level-only",
    ]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let found = presets("leveled");
    assert!(
        found.len() == 8 && found.iter().all(|p| p == "level-only"),
        "{found:?}"
    );
    let ran = place.run(&["prep", "takes", "--out", "named", "--preset", "name-only"]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    assert!(presets("named").iter().all(|p| p == "name-only"));
    for mic in ["kick-in", "snare-top", "room"] {
        let source = KIT.iter().find(|k| {
            k.name
                .to_lowercase()
                .replace("sn ", "snare-")
                .replace(' ', "-")
                == mic
        });
        let source = format!("takes/Low Tide/take 1/{}.wav", source.unwrap().name);
        let stem = format!("named/stems/low-tide/take-01/low-tide_take-01_{mic}.wav");
        assert_eq!(place.samples(&stem), place.samples(&source), "{mic}");
    }
    fs::write(
        place.path("takes/session.toml"),
        "[presets]\n\"*\" = \"level-only\"\nroom = \"name-only\"\n",
    )
    .unwrap();
    place.prep(&[], 0);
    let found = presets("out");
    let count = |name: &str| found.iter().filter(|p| *p == name).count();
    assert_eq!(
        (count("level-only"), count("name-only")),
        (6, 2),
        "{found:?}"
    );
    let ran = place.run(&["prep", "takes", "--out", "x", "--preset", "levl-only"]);
    assert_eq!(ran.status, 2);
    assert!(
        ran.stderr.contains("did you mean `level-only`?"),
        "{}",
        ran.stderr
    );
}

#[test]
fn a_file_whose_rate_is_too_low_for_its_preset_costs_itself() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    strokes(
        &place.path("takes/Low Tide/take 1/Hat.wav"),
        8_000,
        1,
        8,
        0.3,
        32_000,
    );
    strokes(
        &place.path("takes/Low Tide/take 1/Tom 1.wav"),
        RATE,
        1,
        8,
        0.3,
        RATE * 4,
    );
    let high = "about = \"x\"\nstages = [{ low-pass = { freq_hz = 15000, order = 2 } }]\n";
    fs::write(place.path("takes/high.toml"), high).unwrap();
    fs::write(
        place.path("takes/session.toml"),
        "[presets]\n\"*\" = \"high.toml\"\n",
    )
    .unwrap();
    let ran = place.prep(&[], 1);
    assert!(
        ran.stdout.contains("Hat.wav") && ran.stdout.contains("8000 Hz"),
        "{}",
        ran.stdout
    );
    let session = place.json("out/session.json");
    assert_eq!(
        session["failed"].as_array().unwrap().len(),
        1,
        "{}",
        session["failed"]
    );
    assert_eq!(session["totals"]["stems"], 5);
    assert_eq!(place.run(&["verify", "out"]).status, 0);
    // The presets of the library, too.
    fs::remove_file(place.path("takes/session.toml")).unwrap();
    let ran = place.run(&["prep", "takes", "--out", "library"]);
    assert!([0, 1].contains(&ran.status), "{}", ran.stderr);
    // A preset that fits no file is a mistake in the preset.
    fs::write(
        place.path("takes/high.toml"),
        high.replace("15000", "90000"),
    )
    .unwrap();
    let ran = place.run(&[
        "prep",
        "takes",
        "--out",
        "never",
        "--preset",
        "takes/high.toml",
    ]);
    assert_eq!(ran.status, 2);
    assert!(!place.path("never").exists());
}

#[test]
fn a_header_that_contradicts_itself_is_said_and_one_without_bits_is_refused() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    let patch = |name: &str, at: usize, bytes: &[u8]| {
        let path = place.path(&format!("takes/Low Tide/take 1/{name}.wav"));
        let mut file = fs::read(&path).unwrap();
        let start = file.windows(4).position(|w| w == b"fmt ").unwrap() + 8 + at;
        file[start..start + bytes.len()].copy_from_slice(bytes);
        fs::write(path, file).unwrap();
    };
    patch("Kick In", 14, &0u16.to_le_bytes());
    patch("SN TOP", 8, &1u32.to_le_bytes());
    let ran = place.prep(&[], 1);
    assert!(
        ran.stdout.contains("Kick In.wav: ") && ran.stdout.contains("0 bits"),
        "{}",
        ran.stdout
    );
    let report = place.json("out/reports/low-tide/take-01/low-tide_take-01_snare-top.json");
    assert!(
        report["findings"].to_string().contains("bytes a second"),
        "{}",
        report["findings"]
    );
}

#[cfg(unix)]
#[test]
fn a_session_file_that_cannot_be_read_is_named_and_never_passed_over() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    let file = place.path("takes/session.toml");
    let mkfifo = |path: &Path| {
        assert!(Command::new("mkfifo").arg(path).status().unwrap().success());
    };
    let refused = |what: &str| {
        let ran = run_in_time(&place, &["prep", "takes", "--out", "out"]);
        assert_eq!(ran.status, 2, "{what}: {}", ran.stderr);
        assert!(
            ran.stderr.contains("session.toml"),
            "{what}: {}",
            ran.stderr
        );
        assert!(!place.path("out").exists(), "{what}");
    };
    std::os::unix::fs::symlink("nowhere.toml", &file).unwrap();
    refused("dead link");
    fs::remove_file(&file).unwrap();
    fs::create_dir(&file).unwrap();
    refused("folder");
    fs::remove_dir(&file).unwrap();
    mkfifo(&file);
    refused("pipe");
    fs::remove_file(&file).unwrap();
    // A pipe in place of a source from the start, and of the worksheet.
    mkfifo(&place.path("takes/Low Tide/take 1/Hat.wav"));
    mkfifo(&place.path("sheet.toml"));
    let ran = run_in_time(&place, &["prep", "takes", "--out", "out"]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let ran = run_in_time(
        &place,
        &["prep", "takes", "--out", "x", "--worksheet", "sheet.toml"],
    );
    assert_eq!(ran.status, 2, "{}", ran.stderr);
    let ran = run_in_time(
        &place,
        &[
            "apply",
            "level-only",
            "takes/Low Tide/take 1/Hat.wav",
            "--out",
            "y",
        ],
    );
    assert_eq!(ran.status, 1, "{}", ran.stderr);
}

#[cfg(unix)]
#[test]
fn no_name_forges_a_line() {
    use std::os::unix::ffi::OsStrExt;
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    let evil = "Snare\nerror: forged\r\u{2028}forged\u{202e}gnp\u{200b}\u{1b}[2J.wav";
    let bad = place.path("takes/Low Tide/take 1").join(evil);
    fs::write(&bad, "text, no sound").unwrap();
    let good = place.path("takes/Low Tide/take 1/Hat\nforged\u{2029}\u{202e}.wav");
    strokes(&good, RATE, 1, 8, 0.3, RATE * 4);
    fs::write(
        place
            .path("takes/Low Tide/take 1")
            .join(std::ffi::OsStr::from_bytes(b"Tom\xff\nforged.wav")),
        "x",
    )
    .unwrap();
    let hidden = |text: &str| -> bool {
        text.chars().any(|c| {
            (c.is_control() && c != '\n')
                || matches!(c, '\u{2028}' | '\u{2029}' | '\u{202e}' | '\u{200b}')
        }) || text.lines().any(|line| {
            line.trim_start().starts_with("forged") || line.starts_with("error: forged")
        })
    };
    let mut said = vec![place.run(&["scan", "takes"]).stdout];
    for args in [
        &["scan", "takes", "--init"][..],
        &["check", "takes", "--out", "checked"],
        &["prep", "takes", "--out", "out"],
        &["verify", "out\nerror: forged"],
        &["preset", "show", "x\nerror: forged"],
        &["prep", "nowhere\nerror: forged", "--out", "x"],
        &["prep", "takes", "--out", "x", "--only", "y\nerror: forged"],
        &["prep", "takes", "--out", "x", "--jobs", "1\nerror: forged"],
        &["prep", "takes", "--frobnicate\nerror: forged"],
        &["apply", "level-only", evil, "--out", "y\nerror: forged"],
    ] {
        let ran = place.run(args);
        said.extend([ran.stdout, ran.stderr]);
    }
    for entry in walkdir::WalkDir::new(place.path("out")) {
        let entry = entry.unwrap();
        let name = entry.file_name().to_string_lossy();
        if [".csv", ".html", ".toml", ".txt"]
            .iter()
            .any(|ending| name.ends_with(ending))
        {
            said.push(
                fs::read_to_string(entry.path())
                    .unwrap()
                    .replace("\r\n", "\n"),
            );
        }
    }
    for text in said {
        assert!(!hidden(&text), "{text:?}");
    }
}

#[test]
fn wrong_usage_is_json_too_where_json_is_asked_for() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    fs::write(
        place.path("bad.toml"),
        "stages = [{ gaet = {} }, { peak = { freq_hz = 0 } }]\n",
    )
    .unwrap();
    for args in [
        &["prep", "takes", "--log-json"][..],
        &["--log-json"],
        &["--log-json", "frob"],
        &["prep", "--log-json", "nowhere", "--out", "x"],
        &["prep", "--log-json", "takes", "--out", "takes/x"],
        &[
            "prep",
            "--log-json",
            "takes",
            "--out",
            "x",
            "--preset",
            "bad.toml",
        ],
        &["preset", "--log-json", "check", "bad.toml", "none.toml"],
        &["preset", "--log-json", "show", "nothing"],
        &["verify", "--log-json", "takes"],
    ] {
        let ran = place.run(args);
        assert_eq!(ran.status, 2, "{args:?}: {}", ran.stderr);
        let lines: Vec<Value> = ran
            .stderr
            .lines()
            .map(|line| serde_json::from_str(line).unwrap_or_else(|_| panic!("{args:?}: {line}")))
            .collect();
        let (exit, errors) = lines.split_last().unwrap();
        assert_eq!(
            (exit["type"].as_str(), exit["status"].as_i64()),
            (Some("exit"), Some(2))
        );
        assert!(!errors.is_empty(), "{args:?}");
        for error in errors.iter().filter(|line| line["type"] == "error") {
            let reason = error["reason"].as_str().unwrap();
            assert!(!reason.contains(['\n', '|', '^']), "{args:?}: {reason}");
            assert!(
                error
                    .as_object()
                    .unwrap()
                    .values()
                    .all(|value| !value.is_null()),
                "{error}"
            );
        }
    }
    let ran = place.run(&["preset", "--log-json", "check", "bad.toml"]);
    assert!(
        ran.stderr.contains("\"line\":1") && ran.stderr.contains("\"path\":\"bad.toml\""),
        "{}",
        ran.stderr
    );
}

#[test]
fn quiet_prints_nothing_but_errors() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    for args in [
        &["prep", "takes", "--out", "out", "--quiet"][..],
        &["check", "takes", "--quiet"],
        &["verify", "out", "--quiet"],
        &[
            "apply",
            "level-only",
            "takes/Low Tide/take 1/SN TOP.wav",
            "--out",
            "a",
            "--quiet",
        ],
    ] {
        let ran = place.run(args);
        assert_eq!(
            (ran.status, &*ran.stdout, &*ran.stderr),
            (0, "", ""),
            "{args:?}"
        );
    }
    fs::write(place.path("takes/Low Tide/take 1/Hat.wav"), "no sound").unwrap();
    let ran = place.run(&["prep", "takes", "--out", "out", "--quiet"]);
    assert_eq!((ran.status, &*ran.stdout), (1, ""));
    assert!(
        ran.stderr.contains("Hat.wav") && ran.stderr.lines().count() == 1,
        "{}",
        ran.stderr
    );
}

/// An AIFF file of 24 bits whose header promises `promised` frames of `channels`.
fn aiff(channels: u16, promised: u32, sound: &[u8]) -> Vec<u8> {
    let mut comm = channels.to_be_bytes().to_vec();
    comm.extend(promised.to_be_bytes());
    comm.extend(24u16.to_be_bytes());
    comm.extend([0x40, 0x0e, 0xbb, 0x80, 0, 0, 0, 0, 0, 0]); // 48000
    let bytes = promised * u32::from(channels) * 3;
    let mut file = b"FORM".to_vec();
    file.extend((46 + bytes).to_be_bytes());
    file.extend(b"AIFFCOMM");
    file.extend(18u32.to_be_bytes());
    file.extend(comm);
    file.extend(b"SSND");
    file.extend((8 + bytes).to_be_bytes());
    file.extend([0; 8]);
    file.extend(sound);
    file
}

#[cfg(feature = "symphonia")]
#[test]
fn an_aiff_that_is_cut_is_read_to_its_end_and_said() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    let samples = place.samples("takes/Low Tide/take 1/Kick In.wav");
    let sound: Vec<u8> = samples
        .iter()
        .flat_map(|s| s.to_be_bytes()[1..].to_vec())
        .collect();
    // The last frame is not whole.
    let cut = &sound[..sound.len() - 3 * 1001 - 1];
    fs::write(
        place.path("takes/Low Tide/take 1/Tom 1.aif"),
        aiff(1, samples.len() as u32, cut),
    )
    .unwrap();
    fs::write(
        place.path("takes/Low Tide/take 1/Many.aif"),
        aiff(65_535, 10, &[0; 100]),
    )
    .unwrap();
    let ran = place.prep(&["--preset", "name-only"], 1);
    assert!(
        ran.stdout.contains("Many.aif: has 65535 channels"),
        "{}",
        ran.stdout
    );
    let report = place.json("out/reports/low-tide/take-01/low-tide_take-01_tom-1.json");
    assert!(
        report["findings"].to_string().contains("\"truncated\""),
        "{}",
        report["findings"]
    );
    let stem = place.samples("out/stems/low-tide/take-01/low-tide_take-01_tom-1.wav");
    assert_eq!(stem, samples[..samples.len() - 1002]);
}

#[test]
fn a_clock_at_the_end_of_its_64_bits_costs_nothing() {
    let place = Place::new();
    for rate in [0, 44_100] {
        let out = format!("out-{rate}");
        for mic in ["Kick In", "Snare Top"] {
            let path = place.path(&format!("takes/{mic}.wav"));
            strokes(&path, RATE, 1, 8, 0.3, RATE * 3);
            insert_chunk(&path, b"bext", &bext(u64::MAX - 5, b""));
        }
        let text = format!("[output]\nrate_hz = {rate}\n");
        fs::write(
            place.path("takes/session.toml"),
            if rate == 0 { "" } else { &text },
        )
        .unwrap();
        let ran = place.run(&["prep", "takes", "--out", &out]);
        assert_eq!(ran.status, 0, "{}{}", ran.stdout, ran.stderr);
        let session = place.json(&format!("{out}/session.json"));
        assert_eq!(
            (&session["totals"]["stems"], &session["totals"]["mixes"]),
            (&2.into(), &1.into())
        );
        for report in reports(&place, &out) {
            let frames = report["output"]["frames"].as_u64().unwrap();
            assert_eq!(frames, if rate == 0 { 144_000 } else { 132_300 });
        }
    }
}

#[test]
fn a_track_of_another_rate_is_found() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    strokes(
        &place.path("takes/Low Tide/take 1/Tom 1.wav"),
        44_100,
        1,
        8,
        0.3,
        44_100 * 4,
    );
    place.prep(&[], 0);
    for report in reports(&place, "out") {
        let found = report["findings"].to_string().contains("rate-mismatch");
        assert_eq!(found, report["mic"] == "tom-1", "{}", report["findings"]);
    }
}

#[test]
fn clocks_that_differ_by_much_of_a_long_take_do_not_fill_the_disk() {
    let place = Place::new();
    let (rate, minute) = (8000, 60 * 8000);
    for (mic, clock) in [("Kick In", 0), ("Snare Top", 15 * minute / 2)] {
        let path = place.path(&format!("takes/Low Tide/{mic}.wav"));
        strokes(&path, rate, 1, 40, 0.3, 8 * minute);
        insert_chunk(&path, b"bext", &bext(u64::from(clock), b""));
    }
    let ran = place.prep(&["--preset", "name-only"], 0);
    assert!(ran.stderr.contains("time reference"), "{}", ran.stderr);
    let mix = hound::WavReader::open(place.path("out/mixes/low-tide/take-01.wav")).unwrap();
    assert_eq!(mix.duration(), 8 * minute);
}

#[test]
fn shootout_does_not_believe_a_clock_that_lies_days_apart() {
    let place = Place::new();
    for folder in ["one", "two"] {
        for (mic, day) in [("Kick In", 0), ("Snare Top", 50 * 3600)] {
            let path = place.path(&format!("{folder}/{mic}.wav"));
            strokes(&path, RATE, 1, 16, 0.4, RATE * 5);
            insert_chunk(&path, b"bext", &bext(day * u64::from(RATE), b""));
        }
    }
    let ran = run_in_time(&place, &["shootout", "one", "two", "--out", "out"]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let mix = hound::WavReader::open(place.path("out/a.wav")).unwrap();
    assert!(mix.duration() <= RATE * 6, "{}", mix.duration());
    let notes = place.json("out/shootout.json")["notes"].to_string();
    assert!(notes.contains("too far apart"), "{notes}");
    // Patterns that begin more than half a minute apart are not looked for, unless it is said.
    strokes(&place.path("early.wav"), RATE, 1, 16, 0.4, RATE * 5);
    let mut reader = hound::WavReader::open(place.path("early.wav")).unwrap();
    let mut late = hound::WavWriter::create(place.path("late.wav"), pcm(1, RATE, 24)).unwrap();
    (0..RATE * 40).for_each(|_| late.write_sample(0).unwrap());
    reader
        .samples::<i32>()
        .for_each(|s| late.write_sample(s.unwrap()).unwrap());
    late.finalize().unwrap();
    let ran = run_in_time(
        &place,
        &["shootout", "early.wav", "late.wav", "--out", "far"],
    );
    assert_eq!(ran.status, 2, "{}", ran.stdout);
    assert!(ran.stderr.contains("--offset"), "{}", ran.stderr);
    let ran = run_in_time(
        &place,
        &[
            "shootout",
            "early.wav",
            "late.wav",
            "--out",
            "far",
            "--offset",
            "41",
        ],
    );
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    assert_eq!(
        place.json("far/shootout.json")["candidates"][1]["offset_samples"],
        RATE * 40
    );
}
