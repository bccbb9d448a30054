//! Strokes, takes and track sheets: what a run writes of how a session was played.

use std::collections::BTreeMap;

use serde_json::Value;

use crate::support::{Place, RATE, Ran, pcm};

/// One row of `hits/SONG/TAKE.csv`.
#[derive(Clone, Debug, PartialEq)]
struct Row {
    drum: String,
    seconds: f64,
    sample: u64,
    dbfs: f64,
    velocity: u8,
    probability: f64,
}

fn rows(place: &Place, relative: &str) -> Vec<Row> {
    let mut reader = csv::Reader::from_path(place.path(relative)).expect(relative);
    let header = reader.headers().expect("a header").clone();
    let columns: Vec<&str> = header.iter().take(6).collect();
    assert_eq!(
        columns,
        [
            "drum",
            "seconds",
            "sample",
            "dbfs",
            "velocity",
            "probability"
        ]
    );
    let number = |text: &str| text.parse::<f64>().expect("a number");
    reader
        .records()
        .map(|record| {
            let record = record.expect("a row");
            Row {
                drum: record[0].to_owned(),
                seconds: number(&record[1]),
                sample: number(&record[2]) as u64,
                dbfs: number(&record[3]),
                velocity: number(&record[4]) as u8,
                probability: number(&record[5]),
            }
        })
        .collect()
}

/// Tick, note, velocity.
type Note = (u64, u8, u8);

/// File name, ringing frequency, strokes as (seconds, peak).
type Mic<'a> = (&'a str, f64, Vec<(f64, f64)>);

/// Notes of a standard MIDI file, read byte by byte from the published format (Standard MIDI Files
/// 1.0), and (division, tempo).
fn notes(place: &Place, relative: &str) -> (Vec<Note>, (u16, u32)) {
    let bytes = std::fs::read(place.path(relative)).expect(relative);
    assert_eq!(&bytes[..8], b"MThd\0\0\0\x06");
    assert_eq!(&bytes[8..12], [0, 1, 0, 2], "format 1, two tracks");
    let division = u16::from_be_bytes([bytes[12], bytes[13]]);
    let mut at = 14;
    let (mut found, mut tempo) = (Vec::new(), 0);
    while at < bytes.len() {
        assert_eq!(&bytes[at..at + 4], b"MTrk");
        let size = u32::from_be_bytes(bytes[at + 4..at + 8].try_into().unwrap()) as usize;
        let (mut i, end) = (at + 8, at + 8 + size);
        let mut tick = 0u64;
        let mut status = 0;
        let variable = |i: &mut usize| {
            let mut value = 0u64;
            loop {
                let byte = bytes[*i];
                *i += 1;
                value = value << 7 | u64::from(byte & 127);
                if byte < 128 {
                    return value;
                }
            }
        };
        while i < end {
            tick += variable(&mut i);
            if bytes[i] >= 128 {
                status = bytes[i];
                i += 1;
            }
            match status {
                0xff => {
                    let kind = bytes[i];
                    i += 1;
                    let length = variable(&mut i) as usize;
                    if kind == 0x51 {
                        tempo = bytes[i..i + 3]
                            .iter()
                            .fold(0, |t, b| t << 8 | u32::from(*b));
                    }
                    i += length;
                }
                0x99 => {
                    if bytes[i + 1] > 0 {
                        found.push((tick, bytes[i], bytes[i + 1]));
                    }
                    i += 2;
                }
                0x89 => i += 2,
                other => panic!("status {other:#x}: not channel 10"),
            }
        }
        at = end;
    }
    (found, (division, tempo))
}

/// A take of single strokes at given places, one file a mic; other mics hear it 30 dB softer.
struct Score<'a> {
    rate_hz: u32,
    seconds: f64,
    mics: &'a [Mic<'a>],
    /// Beats of a click track.
    clicks: &'a [f64],
}

impl Score<'_> {
    fn write(&self, place: &Place, folder: &str) {
        let frames = (self.seconds * f64::from(self.rate_hz)) as usize;
        let sound = |ring: f64, at: f64, peak: f64, out: &mut [f64]| {
            let first = (at * f64::from(self.rate_hz)).round() as usize;
            let length = (0.3 * f64::from(self.rate_hz)) as usize;
            for (i, out) in out.iter_mut().skip(first).take(length).enumerate() {
                let t = i as f64 / f64::from(self.rate_hz);
                // a stick's attack and a ringing head
                let attack = 0.5 * (-t * 900.0).exp() * (std::f64::consts::TAU * 3100.0 * t).cos();
                let head = 0.5 * (-t * 14.0).exp() * (std::f64::consts::TAU * ring * t).cos();
                *out += peak * (attack + head);
            }
        };
        let mut noise = 7u64;
        let mut write = |name: &str, mut samples: Vec<f64>| {
            for sample in &mut samples {
                noise ^= noise << 13;
                noise ^= noise >> 7;
                noise ^= noise << 17;
                *sample += ((noise >> 40) as f64 / f64::from(1 << 24) - 0.5) * 2e-4;
            }
            let path = place.path(&format!("{folder}/{name}.wav"));
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            let mut writer = hound::WavWriter::create(path, pcm(1, self.rate_hz, 24)).unwrap();
            for sample in samples {
                writer.write_sample((sample * 8_388_607.0) as i32).unwrap();
            }
            writer.finalize().unwrap();
        };
        for (own, (name, ..)) in self.mics.iter().enumerate() {
            let mut samples = vec![0.0; frames];
            for (other, (_, ring, strokes)) in self.mics.iter().enumerate() {
                for &(at, peak) in strokes {
                    let (late, soft) = if own == other {
                        (0.0, 1.0)
                    } else {
                        (0.002, 0.03)
                    };
                    sound(*ring, at + late, peak * soft, &mut samples);
                }
            }
            write(name, samples);
        }
        for name in ["OH L", "OH R"] {
            let mut samples = vec![0.0; frames];
            for (_, ring, strokes) in self.mics {
                for &(at, peak) in strokes {
                    sound(*ring, at + 0.004, peak * 0.3, &mut samples);
                }
            }
            write(name, samples);
        }
        if !self.clicks.is_empty() {
            let mut samples = vec![0.0; frames];
            for &at in self.clicks {
                let first = (at * f64::from(self.rate_hz)).round() as usize;
                for (i, out) in samples.iter_mut().skip(first).take(400).enumerate() {
                    let t = i as f64 / f64::from(self.rate_hz);
                    *out += 0.4 * (-t * 600.0).exp() * (std::f64::consts::TAU * 2000.0 * t).cos();
                }
            }
            write("Click", samples);
        }
    }
}

/// Kick and snare by turns on the beats of 120 a minute, with velocities that go round, `snare_late`
/// seconds late, over `beats` beats.
fn beat(beats: usize, snare_late: f64) -> Vec<Mic<'static>> {
    let peaks = [0.5, 0.35, 0.42, 0.3];
    let at = |i: usize| 1.0 + 0.5 * i as f64;
    let strokes = |first: usize, late: f64| {
        let own = (first..beats).step_by(2);
        own.map(|i| (at(i) + late, peaks[i / 2 % 4])).collect()
    };
    vec![
        ("Kick In", 60.0, strokes(0, 0.0)),
        ("SN TOP", 210.0, strokes(1, snare_late)),
    ]
}

fn take<'a>(session: &'a Value, song: &str, take: &str) -> &'a Value {
    let takes = session["takes"].as_array().expect("takes");
    let own = takes
        .iter()
        .find(|t| t["song"] == song && t["take"] == take);
    own.expect("the take")
}

fn done(ran: Ran) {
    assert_eq!(ran.status, 0, "{}\n{}", ran.stdout, ran.stderr);
}

/// What other programs hold the strokes to.
fn agree(place: &Place, folder: &str, rate_hz: u32) -> Vec<Row> {
    let rows = rows(place, &format!("{folder}.csv"));
    assert!(rows.is_sorted_by_key(|row| row.sample));
    let (notes, (division, tempo)) = notes(place, &format!("{folder}.mid"));
    assert_eq!(
        u64::from(division) * 1_000_000,
        u64::from(tempo) * u64::from(rate_hz),
        "a tick is a frame"
    );
    let general = BTreeMap::from([("kick", 36), ("snare", 38), ("tom-1", 50)]);
    let mut sure: Vec<Note> = rows
        .iter()
        .filter(|row| row.probability >= 0.5)
        .map(|row| (row.sample, general[row.drum.as_str()], row.velocity))
        .collect();
    sure.sort_unstable();
    let mut played = notes;
    played.sort_unstable();
    assert_eq!(played, sure);
    for row in &rows {
        assert!((row.seconds - row.sample as f64 / f64::from(rate_hz)).abs() < 1e-5);
        assert!(row.probability >= 0.2 && row.probability <= 1.0);
    }
    let loudest = |drum: &str| {
        let own = rows
            .iter()
            .filter(|r| r.drum == drum && r.probability >= 0.5);
        own.map(|r| r.dbfs).fold(f64::MIN, f64::max)
    };
    for row in &rows {
        let velocity = 127.0 * 10f64.powf((row.dbfs - loudest(&row.drum)) / 40.0);
        let near = (f64::from(row.velocity) - velocity.clamp(1.0, 127.0)).abs();
        assert!(near <= 0.6, "{row:?}: {velocity}");
    }
    rows
}

#[test]
fn strokes_are_where_they_were_struck_at_every_rate() {
    for rate_hz in [44_100, 48_000, 192_000] {
        let place = Place::new();
        let mics = beat(24, 0.0);
        Score {
            rate_hz,
            seconds: 14.0,
            mics: &mics,
            clicks: &[],
        }
        .write(&place, "takes/low tide/take 1");
        done(place.run(&["check", "takes", "--out", "out"]));
        let rows = agree(&place, "out/hits/low-tide/take-01", rate_hz);
        for (drum, (_, _, strokes)) in ["kick", "snare"].iter().zip(&mics) {
            let own: Vec<&Row> = rows
                .iter()
                .filter(|r| r.drum == *drum && r.probability >= 0.5)
                .collect();
            assert_eq!(own.len(), strokes.len(), "{drum} at {rate_hz}");
            for (row, (at, peak)) in own.iter().zip(strokes) {
                let off_ms = (row.seconds - at) * 1000.0;
                assert!(off_ms.abs() < 1.0, "{drum}: {off_ms} ms off at {at} s");
                assert!(
                    (row.dbfs - 20.0 * peak.log10()).abs() < 0.5,
                    "{row:?} {peak}"
                );
            }
        }
        let manifest = std::fs::read_to_string(place.path("out/manifest-sha256.txt")).unwrap();
        for name in [
            "hits/low-tide/take-01.csv",
            "hits/low-tide/take-01.mid",
            "notes/low-tide.txt",
        ] {
            assert!(manifest.contains(name), "{name}");
        }
    }
}

#[test]
fn a_take_says_tempo_timing_and_levels_of_its_drums() {
    let place = Place::new();
    let clicks: Vec<f64> = (0..64).map(|i| 1.0 + 0.5 * f64::from(i)).collect();
    let mics = beat(64, 0.009);
    for (folder, clicks) in [("take 1", &clicks[..]), ("take 2", &[])] {
        Score {
            rate_hz: RATE,
            seconds: 35.0,
            mics: &mics,
            clicks,
        }
        .write(&place, &format!("takes/low tide/{folder}"));
    }
    place.prep(&[], 0);
    let session = place.json("out/session.json");
    for (name, against) in [("take-01", "click"), ("take-02", "own")] {
        let take = take(&session, "low-tide", name);
        assert_eq!(take["seconds"], 35.0);
        let bpm = take["tempo_bpm"].as_f64().expect("a tempo");
        assert!((bpm - 120.0).abs() < 0.2, "{bpm}");
        assert_eq!(take["timing_ms"]["against"], against);
        let late = |i: usize| take["drums"][i]["timing_ms"]["median"].as_f64().unwrap();
        assert!(
            (late(1) - late(0) - 9.0).abs() < 1.0,
            "{} {}",
            late(0),
            late(1)
        );
        assert_eq!(take["drums"][0]["hits"], 32);
        // four levels, as a standard deviation by the median deviation
        let spread = take["drums"][0]["level_spread_db"].as_f64().unwrap();
        assert!((1.0..4.0).contains(&spread), "{spread}");
        assert_eq!(take["mix"]["path"], format!("mixes/low-tide/{name}.wav"));
        assert!(take["mix"]["integrated_lufs"].as_f64().unwrap() < 0.0);
    }
    let notes = std::fs::read_to_string(place.path("out/notes/low-tide.txt")).unwrap();
    assert!(notes.lines().all(|l| l.chars().count() <= 78), "{notes}");
    for part in [
        "LOW-TIDE",
        "take-01",
        "ms, click",
        "ms, own grid",
        "snare",
        "Kick In.wav",
        "48000 Hz",
        "24 bit",
    ] {
        assert!(notes.contains(part), "{part}:\n{notes}");
    }
    assert_eq!(place.run(&["verify", "out"]).status, 0);
}

#[test]
fn what_cannot_be_told_is_said_and_not_made_up() {
    let place = Place::new();
    // one stroke
    Score {
        rate_hz: RATE,
        seconds: 4.0,
        mics: &[
            ("Kick In", 60.0, vec![(1.0, 0.5)]),
            ("SN TOP", 210.0, vec![]),
        ],
        clicks: &[],
    }
    .write(&place, "takes/one/take 1");
    // strokes without any pulse, and no mic for the snare
    let mut at = 1.0;
    let wild: Vec<(f64, f64)> = (0..40)
        .map(|i: u64| {
            at += 0.2 + (i * i * 7919 % 1009) as f64 / 1009.0;
            (at, 0.4)
        })
        .collect();
    Score {
        rate_hz: RATE,
        seconds: at + 2.0,
        mics: &[("Kick In", 60.0, wild)],
        clicks: &[],
    }
    .write(&place, "takes/rubato/take 1");
    done(place.run(&["check", "takes", "--out", "out"]));
    let session = place.json("out/session.json");
    for (song, why) in [("one", "too-few-strokes"), ("rubato", "no-pulse")] {
        let take = take(&session, song, "take-01");
        assert!(
            take["tempo_bpm"].is_null() && take["timing_ms"].is_null(),
            "{take}"
        );
        assert_eq!(take["undecided"], why);
        assert!(take["mix"].is_null());
        let notes = std::fs::read_to_string(place.path(&format!("out/notes/{song}.txt"))).unwrap();
        assert!(notes.contains("undecided"), "{notes}");
    }
    let rows = rows(&place, "out/hits/rubato/take-01.csv");
    assert!(rows.iter().all(|row| row.drum == "kick"));
    let notes = std::fs::read_to_string(place.path("out/notes/rubato.txt")).unwrap();
    assert!(notes.contains("no strokes listed: snare"), "{notes}");
}

#[test]
fn files_that_somebody_put_where_strokes_go_are_left_alone() {
    let place = Place::new();
    place.session(&["low tide"], 1);
    std::fs::create_dir_all(place.path("out/hits/low-tide")).unwrap();
    std::fs::write(place.path("out/hits/low-tide/take-01.csv"), "mine").unwrap();
    let ran = place.run(&["check", "takes", "--out", "out"]);
    assert_eq!(ran.status, 2, "{}", ran.stderr);
    assert!(ran.stderr.contains("take-01.csv"), "{}", ran.stderr);
    let there = std::fs::read_to_string(place.path("out/hits/low-tide/take-01.csv")).unwrap();
    assert_eq!(there, "mine");
}

#[test]
fn the_session_file_says_how_strokes_are_written() {
    let place = Place::new();
    let mics = beat(24, 0.0);
    Score {
        rate_hz: RATE,
        seconds: 14.0,
        mics: &mics,
        clicks: &[],
    }
    .write(&place, "takes/low tide/take 1");
    let write = |text: &str| std::fs::write(place.path("takes/session.toml"), text).unwrap();
    place.prep(&[], 0);
    let kick = "out/stems/low-tide/take-01/low-tide_take-01_kick-in.wav";
    let plain = std::fs::read(place.path(kick)).unwrap();
    assert!(cues(&plain).is_empty());
    let all = "out/hits/low-tide/take-01.mid";

    write(
        "[output]\nstart = \"take\"\n[hits]\nfile-per-drum = true\ncues = true\n\
         notes = { kick = 35, snare-l = 40 }\n",
    );
    place.prep(&[], 0);
    let strokes = |drum: &str| -> Vec<u64> {
        let rows = rows(&place, "out/hits/low-tide/take-01.csv");
        let own = |row: &Row| (row.drum == drum && row.probability >= 0.5).then_some(row.sample);
        rows.iter().filter_map(own).collect()
    };
    for (drum, note, mic) in [("kick", 35, "kick-in"), ("snare", 38, "snare-top")] {
        let own = format!("out/hits/low-tide/take-01/{drum}.mid");
        let (found, _) = notes(&place, &own);
        let places: Vec<u64> = found.iter().map(|n| n.0).collect();
        assert_eq!(places, strokes(drum));
        assert_eq!(places.len(), 12);
        assert!(found.iter().all(|n| n.1 == note), "{drum}: {found:?}");
        // the same strokes lie in the stem, which starts with the take
        let stem = kick.replace("kick-in", mic);
        let report = stem.replace("stems", "reports").replace(".wav", ".json");
        let delay = &place.json(&report)["decisions"]["delay_samples"];
        assert_eq!(delay, 0);
        let stem = std::fs::read(place.path(&stem)).unwrap();
        assert_eq!(cues(&stem), places);
    }
    let overhead = std::fs::read(place.path(&kick.replace("kick-in", "overhead"))).unwrap();
    assert!(cues(&overhead).is_empty(), "no drum's leading mic");
    let both = notes(&place, all).0.len();
    assert_eq!(both, 24);
    let manifest = std::fs::read_to_string(place.path("out/manifest-sha256.txt")).unwrap();
    assert!(manifest.contains("hits/low-tide/take-01/snare.mid"));
    assert_eq!(place.run(&["verify", "out"]).status, 0);
}

#[test]
fn strokes_less_probable_than_the_threshold_are_no_notes() {
    let place = Place::new();
    let at = |i: usize, first: f64| first + i as f64;
    // A snare that gets softer from stroke to stroke, until nobody knows what it was.
    let softer = |i: usize| 0.5 * 10f64.powf(-0.11 * i as f64);
    let mics = [
        (
            "Kick In",
            60.0,
            (0..24).map(|i| (at(i, 0.5), 0.5)).collect(),
        ),
        (
            "SN TOP",
            210.0,
            (0..24).map(|i| (at(i, 1.0), softer(i))).collect(),
        ),
    ];
    Score {
        rate_hz: RATE,
        seconds: 26.0,
        mics: &mics,
        clicks: &[],
    }
    .write(&place, "takes/low tide/take 1");
    let check = || {
        let ran = place.run(&["check", "takes", "--out", "out"]);
        assert_eq!(ran.status, 0, "{}", ran.stderr);
        let listed = rows(&place, "out/hits/low-tide/take-01.csv");
        let notes = notes(&place, "out/hits/low-tide/take-01.mid").0.len();
        let as_sure = |p: f64| listed.iter().filter(|row| row.probability >= p).count();
        let unsure = listed.iter().map(|row| row.probability);
        let unsure = unsure
            .filter(|p| (0.5..1.0).contains(p))
            .fold(0.0, f64::max);
        (notes, as_sure(0.5), as_sure(unsure), as_sure(1.0), unsure)
    };
    let (notes, as_is_usual, most, sure, unsure) = check();
    assert!(
        sure < most && most < as_is_usual,
        "{sure}, {most}, {as_is_usual}"
    );
    assert_eq!(notes, as_is_usual);
    for (threshold, want) in [(unsure, most), (1.0, sure)] {
        let text = format!("[hits]\nthreshold = {threshold:?}\n");
        std::fs::write(place.path("takes/session.toml"), text).unwrap();
        assert_eq!(check().0, want, "{threshold}");
    }
}

/// Frames of the markers of a WAV file.
fn cues(bytes: &[u8]) -> Vec<u64> {
    let mut at = 12;
    while at + 8 <= bytes.len() {
        let word = |at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap());
        let size = word(at + 4) as usize;
        if &bytes[at..at + 4] == b"cue " {
            let points = (0..word(at + 8) as usize).map(|i| at + 12 + 24 * i);
            return points.map(|point| u64::from(word(point + 20))).collect();
        }
        at += 8 + size + size % 2;
    }
    Vec::new()
}
