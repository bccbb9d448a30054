//! `session.html` from outside: complete, the same figures as JSON and CSV, inert, and without a network.

use serde_json::Value;

use super::support::{KIT, Place};

fn read(place: &Place, relative: &str) -> String {
    std::fs::read_to_string(place.path(relative)).expect(relative)
}

/// All values of an attribute, as they stand in the page.
fn attributes<'a>(page: &'a str, name: &str) -> Vec<&'a str> {
    let start = format!(" {name}=\"");
    page.split(&start)
        .skip(1)
        .filter_map(|rest| rest.split('"').next())
        .collect()
}

/// A figure as the page writes it: one decimal, a real minus, a dash for none.
fn shown(value: &Value) -> String {
    match value.as_f64() {
        None => "–".to_owned(),
        Some(value) => {
            let rounded = (value * 10.0).round() / 10.0;
            let sign = if rounded < 0.0 { "−" } else { "" };
            format!("{sign}{:.1}", rounded.abs())
        }
    }
}

#[test]
fn the_page_holds_every_track_with_the_figures_of_json_and_csv() {
    let place = Place::new();
    place.session(&["Low Tide", "Iron Meadow"], 2);
    place.prep(&[], 0);
    let page = read(&place, "out/session.html");
    let session = place.json("out/session.json");
    let csv = read(&place, "out/session.csv");
    let mut lines = csv.lines().map(|line| line.split(',').collect::<Vec<_>>());
    let head = lines.next().expect("a head");
    let rows: Vec<_> = lines.collect();
    let tracks = session["tracks"].as_array().expect("tracks");
    assert_eq!(tracks.len(), rows.len());
    for (index, (track, row)) in tracks.iter().zip(&rows).enumerate() {
        let name = track["name"].as_str().expect("a name");
        let output = track["output"].as_str().expect("a stem");
        assert!(place.path(&format!("out/{output}")).is_file());
        let start = format!("<tr id=\"track-{index}\">");
        let cells = page.split(&start).nth(1).expect(name);
        let cells = cells.split("</tr>").next().expect("a row");
        let report = track["report"].as_str().expect("a path");
        let links = attributes(cells, "href");
        assert!(links.contains(&output), "{output} cannot be played");
        assert!(links.contains(&report), "{report} is not linked");
        for (label, key) in [
            ("Gain", "gain_db"),
            ("dBTP", "after_true_peak_dbtp"),
            ("LUFS", "after_integrated_lufs"),
            ("Level", "hit_level_dbfs"),
            ("Pitch", "fundamental_hz"),
        ] {
            let cell = format!("data-label=\"{label}\">{}</td>", shown(&track[key]));
            assert!(cells.contains(&cell), "{name}: no {cell} in {cells}");
        }
        for key in ["gain_db", "after_integrated_lufs", "hits", "take"] {
            let json = match &track[key] {
                Value::String(text) => text.clone(),
                Value::Null => String::new(),
                other => other.to_string(),
            };
            let column = head.iter().position(|h| *h == key).expect(key);
            assert_eq!(row[column], json, "{key}");
        }
    }
    for mix in session["mixes"].as_array().expect("mixes") {
        assert!(attributes(&page, "href").contains(&mix["path"].as_str().expect("a mix")));
    }
}

#[test]
fn nothing_in_the_page_leads_to_a_network_and_the_policy_forbids_it() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    place.prep(&[], 0);
    let page = read(&place, "out/session.html");
    assert!(
        page.contains("http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; "),
        "no policy"
    );
    assert!(
        !page.contains("unsafe") && !page.contains(" style=\"") && !page.contains("<style"),
        "looser than need be"
    );
    let mut links = attributes(&page, "href");
    links.extend(attributes(&page, "src"));
    assert!(links.len() > 20);
    for link in links {
        assert!(!link.contains(':') && !link.starts_with("//"), "{link}");
        let path = link.split('#').next().expect("a path");
        assert!(
            path.is_empty() || place.path(&format!("out/{path}")).is_file(),
            "{link} leads nowhere"
        );
    }
    for file in ["page.css", "page.js"] {
        let text = read(&place, &format!("out/session-files/{file}"));
        for word in [
            "http:",
            "https:",
            "ws:",
            "wss:",
            "@import",
            "url(",
            "fetch",
            "XMLHttp",
            "eval",
            "innerHTML",
        ] {
            assert!(!text.contains(word), "{word} in {file}");
        }
    }
    let manifest = read(&place, "out/manifest-sha256.txt");
    for file in [
        "session.html",
        "session-files/page.css",
        "session-files/page.js",
    ] {
        assert!(
            manifest.contains(&format!("  {file}\n")),
            "{file} is not in the manifest"
        );
    }
    assert_eq!(place.run(&["verify", "out"]).status, 0);
}

#[test]
fn markup_in_names_is_inert() {
    let place = Place::new();
    let song = "<script>alert(1)<&script>\" onload='x' & more";
    for mic in &KIT[..2] {
        place.mic(&format!("takes/{song}/take 1/{}.wav", mic.name), mic, 7);
    }
    place.mic(
        &format!("takes/{song}/take 1/<img src=x onerror=y>.wav"),
        &KIT[2],
        8,
    );
    let broken =
        place.path(&format!("takes/{song}/take 1/<b>broken</b> OH.wav").replace("</", "<"));
    std::fs::write(broken, b"RIFF but no more").expect("room");
    place.prep(&[], 1);
    let page = read(&place, "out/session.html");
    assert!(
        page.contains("&lt;script&gt;alert(1)"),
        "the path of the source is told"
    );
    assert!(page.contains("&lt;b&gt;broken"), "the failed file is told");
    for payload in ["<script>alert", "<img", "<b>broken", "\" onload="] {
        assert!(!page.contains(payload), "{payload} is alive");
    }
    assert_eq!(page.matches("<script").count(), 1);
}

#[test]
fn check_writes_a_page_that_promises_no_sound() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    let ran = place.run(&["check", "takes", "--out", "out"]);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let page = read(&place, "out/session.html");
    assert!(page.contains("reports/low-tide/take-01/low-tide_take-01_kick-in.json"));
    assert!(page.contains("Measured, no audio written."));
    assert!(page.contains("class=\"wave\"") && page.contains("class=\"spectrum\""));
    assert!(
        !attributes(&page, "href")
            .iter()
            .any(|link| link.contains(".wav")),
        "there is no stem to play"
    );
}

#[test]
fn a_page_of_the_same_session_is_the_same_for_any_block_and_run() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    place.prep(&["--jobs", "1"], 0);
    let first = read(&place, "out/session.html");
    std::fs::remove_dir_all(place.path("out")).expect("removed");
    place.prep(&["--jobs", "2"], 0);
    assert_eq!(read(&place, "out/session.html"), first);
}

/// Base64 (RFC 4648) without a check.
fn from_base64(text: &str) -> Vec<u8> {
    const DIGITS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let (mut bytes, mut word, mut bits) = (Vec::new(), 0u32, 0);
    for digit in text.bytes().filter(|&b| b != b'=') {
        let value = DIGITS.iter().position(|&d| d == digit).expect("a digit");
        word = word << 6 | value as u32;
        bits += 6;
        if bits >= 8 {
            bits -= 8;
            bytes.push((word >> bits) as u8);
        }
    }
    bytes
}

#[test]
fn excerpts_of_before_and_after_are_equally_loud_and_begin_together() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    place.prep(&[], 0);
    for name in ["snare-top", "overhead", "room", "trashy-room"] {
        let script = read(
            &place,
            &format!("out/session-files/excerpts/low-tide/take-01/low-tide_take-01_{name}.js"),
        );
        let json = script
            .trim()
            .strip_prefix("batterheadExcerpt(")
            .and_then(|s| s.strip_suffix(");"))
            .expect("one call");
        let parts: Value = serde_json::from_str(json).expect("JSON");
        let sides = [0, 1].map(|side| {
            let bytes = from_base64(parts["sounds"][side].as_str().expect("text"));
            let mut wav = hound::WavReader::new(std::io::Cursor::new(bytes)).expect("WAV");
            let spec = wav.spec();
            let samples: Vec<f64> = wav
                .samples::<i32>()
                .map(|s| f64::from(s.expect("a sample")) / 32_768.0)
                .collect();
            let mut meter =
                ebur128::EbuR128::new(spec.channels.into(), spec.sample_rate, ebur128::Mode::I)
                    .expect("a meter");
            meter.add_frames_f64(&samples).expect("frames");
            // The first strong stroke.
            let peak = samples.iter().fold(0.0f64, |m, s| m.max(s.abs()));
            let first = samples
                .iter()
                .position(|s| s.abs() > 0.5 * peak)
                .expect("a stroke")
                / usize::from(spec.channels);
            (
                meter.loudness_global().expect("loudness"),
                first,
                samples.len(),
                peak,
            )
        });
        let [before, after] = sides;
        assert!(
            (before.0 - after.0).abs() < 0.1,
            "{name}: {} and {} LUFS",
            before.0,
            after.0
        );
        assert_eq!(before.2, after.2);
        assert!(
            before.1.abs_diff(after.1) < 240,
            "{name}: strokes {} and {} frames in",
            before.1,
            after.1
        );
        assert!(before.3 < 0.9 && after.3 < 0.9);
    }
}
