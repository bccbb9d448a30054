//! Rough mixes, group stems and what `session.toml` says of them, from outside.

use super::support::{KIT, MicFile, Place, RATE, pcm};

/// Interleaved samples of a 24-bit or float file, full scale 1.
fn sound(place: &Place, path: &str) -> Vec<f64> {
    let mut wav = hound::WavReader::open(place.path(path)).expect(path);
    match wav.spec().sample_format {
        hound::SampleFormat::Int => {
            let full = f64::from(1u32 << (wav.spec().bits_per_sample - 1));
            let samples = wav.samples::<i32>();
            samples
                .map(|s| f64::from(s.expect("a sample")) / full)
                .collect()
        }
        hound::SampleFormat::Float => {
            let samples = wav.samples::<f32>();
            samples.map(|s| f64::from(s.expect("a sample"))).collect()
        }
    }
}

fn ratio(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

/// Half a cosine up in 5 ms, and down in 50.
fn fade(frame: usize, frames: usize) -> f64 {
    let edge = |from_end: usize, length: usize| {
        let turn = from_end.min(length) as f64 / length as f64;
        0.5 - 0.5 * (std::f64::consts::PI * turn).cos()
    };
    edge(frame, 240).min(edge(frames - 1 - frame, 2400))
}

fn settings(place: &Place, toml: &str) {
    std::fs::write(place.path("takes/session.toml"), toml).expect("room");
}

#[test]
fn group_stems_sum_to_the_rough_mix_before_its_gain() {
    for bits in ["24", "\"32f\""] {
        let place = Place::new();
        place.session(&["Low Tide"], 2);
        settings(
            &place,
            &format!(
                "groups = \"standard\"\n[mix.mic.room]\npan = 30\n[mix.group.kick]\nfader_db = 2\n\
                 [mix.mic.trashy-room]\nfader_db = -9\n[output]\nbits = {bits}\n"
            ),
        );
        place.prep(&[], 0);
        let session = place.json("out/session.json");
        for mix in session["mixes"].as_array().expect("mixes") {
            let outputs = mix["outputs"].as_array().expect("outputs");
            let bare = |output: &serde_json::Value| -> Vec<f64> {
                let path = output["path"].as_str().expect("a path");
                let gain = ratio(output["gain_db"].as_f64().expect("a gain"));
                let samples = sound(&place, &format!("out/{path}"));
                samples.into_iter().map(|x| x / gain).collect()
            };
            let mut rest = bare(&outputs[0]);
            assert!(outputs[0]["group"].is_null());
            let groups: Vec<&str> = outputs[1..]
                .iter()
                .filter_map(|o| o["group"].as_str())
                .collect();
            assert_eq!(groups, ["kick", "snare", "overheads", "rooms"]);
            // The mix fades in and out, stems do not.
            let frames = rest.len() / 2;
            for output in &outputs[1..] {
                let stem = bare(output);
                assert_eq!(stem.len(), rest.len());
                let faded = stem.into_iter().enumerate();
                let faded = faded.map(|(at, x)| x * fade(at / 2, frames));
                rest.iter_mut().zip(faded).for_each(|(rest, x)| *rest -= x);
            }
            let rms = (rest.iter().map(|x| x * x).sum::<f64>() / rest.len() as f64).sqrt();
            assert!(
                rms < ratio(-120.0),
                "{bits}: {:.1} dBFS",
                20.0 * rms.log10()
            );
        }
        assert_eq!(place.run(&["verify", "out"]).status, 0);
    }
}

#[test]
fn faders_of_mics_groups_and_derived_stems_are_heard_in_the_mix() {
    // Only the kick is left, so that the mix is the kick.
    let level = |more: &str| {
        let place = Place::new();
        place.mic("takes/Low Tide/take 1/Kick In.wav", &KIT[0], 1);
        place.mic("takes/Low Tide/take 1/SN TOP.wav", &KIT[1], 2);
        settings(&place, &format!("[mix.mic.snare-top]\nmute = true\n{more}"));
        place.prep(&[], 0);
        let session = place.json("out/session.json");
        let mix = &session["mixes"][0];
        let omitted = mix["omitted"].to_string();
        assert!(omitted.contains("muted by the session file"), "{omitted}");
        // The mix is brought to its loudness; what the fader did is in the gain.
        mix["gain_db"].as_f64().expect("a gain")
    };
    let plain = level("");
    assert!((plain - level("[mix.mic.kick-in]\nfader_db = -5\n") - -3.0).abs() < 0.11);
    assert!((plain - level("[mix.group.kick]\nfader_db = -6\n") - -6.0).abs() < 0.11);
}

#[test]
fn views_and_a_left_handed_kit_turn_the_mix() {
    let energies = |toml: &str| {
        let place = Place::new();
        for (mic, name) in [(&KIT[0], "Hat"), (&KIT[1], "OHL"), (&KIT[2], "OHR")] {
            place.mic(&format!("takes/Low Tide/take 1/{name}.wav"), mic, 3);
        }
        settings(
            &place,
            &format!("{toml}[mix.mic.overhead]\nfader_db = -40\n"),
        );
        place.prep(&[], 0);
        let samples = sound(&place, "out/mixes/low-tide/take-01.wav");
        let side = |which| {
            samples
                .iter()
                .skip(which)
                .step_by(2)
                .map(|x| x * x)
                .sum::<f64>()
        };
        side(0) / side(1)
    };
    let (player, audience) = (
        energies("[mix]\n"),
        energies("[mix]\nview = \"audience\"\n"),
    );
    let (left, both) = (
        energies("[mix]\nleft-handed = true\n"),
        energies("[mix]\nleft-handed = true\nview = \"audience\"\n"),
    );
    assert!(
        player > 2.0 && both > 2.0,
        "the hat stands left: {player} {both}"
    );
    assert!(
        audience < 0.5 && left < 0.5,
        "and here right: {audience} {left}"
    );
}

#[test]
fn the_band_gets_copies_to_listen_to() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    settings(&place, "[mix]\nlistening-copy = true\n");
    place.prep(&[], 0);
    let copy = hound::WavReader::open(place.path("out/mixes/low-tide/take-01_listen.wav"));
    let copy = copy.expect("a copy");
    let spec = copy.spec();
    assert_eq!(
        (spec.sample_rate, spec.bits_per_sample, spec.channels),
        (44_100, 16, 2)
    );
    assert_eq!(copy.duration(), 4 * 44_100);
}

#[test]
fn what_the_session_file_says_of_mics_that_are_not_there_is_told_and_names_it() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    settings(
        &place,
        "[presets]\ntom-1 = \"tom-tight\"\n[mix.mic.china-r]\nfader_db = -3\n",
    );
    for ran in [place.run(&["scan", "takes"]), place.prep(&[], 0)] {
        let told = ran.stdout + &ran.stderr;
        for name in ["`tom-1`", "`china-r`"] {
            assert!(told.contains(name), "{name}: {told}");
        }
    }
}

#[test]
fn names_that_two_stems_or_two_groups_would_share_are_refused_before_anything_is_written() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    settings(&place, "[naming]\ntemplate = \"{song}_{take}\"\n");
    let ran = place.prep(&[], 2);
    assert!(
        ran.stderr.contains("would both be called"),
        "{}",
        ran.stderr
    );
    assert!(!place.path("out").exists());
    // Two tracks with a side each, and two groups without one.
    let place = Place::new();
    place.mic("takes/Low Tide/take 1/Crash L.wav", &KIT[2], 1);
    place.mic("takes/Low Tide/take 1/Room R.wav", &KIT[3], 2);
    settings(
        &place,
        "groups = \"standard\"\n[naming]\ntemplate = \"{song}_{take}_{side}\"\n",
    );
    let ran = place.prep(&[], 2);
    assert!(
        ran.stderr.contains("two groups would both be written"),
        "{}",
        ran.stderr
    );
    assert!(!place.path("out").exists());
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    settings(&place, "[groups]\na = [\"kick-in\"]\nb = [\"kick-in\"]\n");
    let ran = place.prep(&[], 2);
    assert!(
        ran.stderr.contains("in the group `a` already"),
        "{}",
        ran.stderr
    );
}

#[test]
fn no_take_at_all_is_told_and_a_take_of_rooms_alone_is_mixed() {
    let place = Place::new();
    std::fs::create_dir_all(place.path("takes/empty")).expect("a folder");
    let ran = place.prep(&[], 2);
    assert!(!ran.stderr.is_empty());
    let place = Place::new();
    for (mic, name) in [(&KIT[4], "Room Far"), (&KIT[4], "Room Near")] {
        place.mic(&format!("takes/Low Tide/take 1/{name}.wav"), mic, 3);
    }
    place.prep(&[], 0);
    let session = place.json("out/session.json");
    assert_eq!(session["totals"]["mixes"], 1);
    assert!(place.path("out/session.html").is_file());
}

/// A steady tone from the first sample to the last.
fn tone(place: &Place, name: &str, peak: f64, constant: f64) {
    let path = place.path(&format!("takes/Low Tide/take 1/{name}.wav"));
    std::fs::create_dir_all(path.parent().expect("a parent")).expect("folders");
    let mut wav = hound::WavWriter::create(path, pcm(1, RATE, 24)).expect("a file");
    for frame in 0..RATE * 3 {
        let wave = (std::f64::consts::TAU * 100.0 * f64::from(frame) / f64::from(RATE)).cos();
        let sample = (peak * wave + constant) * 8_388_607.0;
        wav.write_sample(sample as i32).expect("room");
    }
    wav.finalize().expect("a whole file");
}

#[test]
fn a_mix_fades_in_and_out_and_its_stems_do_not() {
    let place = Place::new();
    tone(&place, "Kick In", 0.3, 0.0);
    settings(&place, "presets = { \"*\" = \"name-only\" }\n");
    place.prep(&[], 0);
    let mix = sound(&place, "out/mixes/low-tide/take-01.wav");
    let stem = sound(
        &place,
        "out/stems/low-tide/take-01/low-tide_take-01_kick-in.wav",
    );
    let source = sound(&place, "takes/Low Tide/take 1/Kick In.wav");
    assert_eq!(stem, source, "a stem begins and ends as its source does");
    let ratio = mix[2 * 4800] / stem[4800];
    for (frame, x) in stem.iter().enumerate() {
        let wanted = ratio * x * fade(frame, stem.len());
        let off = (mix[2 * frame] - wanted)
            .abs()
            .max((mix[2 * frame + 1] - wanted).abs());
        assert!(off < 1e-6, "{frame}: {off}");
    }
}

#[test]
fn a_dc_offset_makes_no_step_where_a_stem_begins() {
    for (name, constant) in [("Kick In", 0.05), ("SN TOP", -0.03)] {
        let place = Place::new();
        tone(&place, name, 0.001, constant);
        // A high-pass alone: whatever comes out at the start is what it makes of the offset.
        let preset = "stages = [ { high-pass = { freq_hz = 30, order = 2 } } ]\n";
        std::fs::write(place.path("takes/plain.toml"), preset).expect("a file");
        settings(&place, "presets = { \"*\" = \"./plain.toml\" }\n");
        place.prep(&[], 0);
        let label = if name == "Kick In" {
            "kick-in"
        } else {
            "snare-top"
        };
        let stem = sound(
            &place,
            &format!("out/stems/low-tide/take-01/low-tide_take-01_{label}.wav"),
        );
        let largest = stem.iter().fold(0.0, |most: f64, x| most.max(x.abs()));
        // The tone, and hardly more: at rest the filter would begin with the whole offset.
        assert!(largest < 0.002, "{name}: {largest}");
    }
}

#[test]
fn all_songs_have_one_loudness_and_none_passes_the_ceiling() {
    let place = Place::new();
    place.session(&["Low Tide"], 2);
    // Another song of drums alone, whose peaks stand out more.
    for take in 1..=2 {
        for (seed, mic) in KIT[..2].iter().enumerate() {
            let path = format!("takes/Iron Meadow/take {take}/{}.wav", mic.name);
            place.mic(&path, mic, 50 + take * 10 + seed as u64);
        }
    }
    place.prep(&[], 0);
    let session = place.json("out/session.json");
    let mut songs: Vec<(f64, f64)> = Vec::new();
    for mix in session["mixes"].as_array().expect("mixes") {
        let figure = |name: &str| mix["after"][name].as_f64().expect("a figure");
        songs.push((figure("integrated_lufs"), figure("true_peak_dbtp")));
    }
    assert_eq!(songs.len(), 4);
    let lufs = songs.iter().map(|song| song.0);
    let (least, most) = (lufs.clone().fold(0.0, f64::min), lufs.fold(-99.0, f64::max));
    assert!(most - least < 0.5, "{songs:?}");
    assert!(most <= -17.9, "{songs:?}");
    let highest = songs.iter().map(|song| song.1).fold(-99.0, f64::max);
    assert!(highest <= -1.0, "{songs:?}");
    // As loud as it goes: at the target, or at the ceiling.
    assert!(most > -18.2 || highest > -1.2, "{songs:?}");
}

#[test]
fn a_derived_room_lies_11_lu_under_the_mix_in_every_song() {
    let place = Place::new();
    place.session(&["Low Tide"], 1);
    for (seed, mic) in KIT.iter().enumerate() {
        // The same kit with a room that was recorded much softer.
        let mic = MicFile {
            peak: if mic.name == "Room" { 0.01 } else { mic.peak },
            ..*mic
        };
        place.mic(
            &format!("takes/Iron Meadow/take 1/{}.wav", mic.name),
            &mic,
            70 + seed as u64,
        );
    }
    place.prep(&[], 0);
    let session = place.json("out/session.json");
    for mix in session["mixes"].as_array().expect("mixes") {
        let (song, take) = (mix["song"].as_str().expect("a song"), "take-01");
        let levels = mix["levels"].as_array().expect("levels");
        let level = levels
            .iter()
            .find(|level| level["label"] == "trashy-room")
            .expect("it");
        let report = place.json(&format!(
            "out/reports/{song}/{take}/{song}_{take}_trashy-room.json"
        ));
        let alone = report["after"]["integrated_lufs"]
            .as_f64()
            .expect("a figure")
            + level["fader_db"].as_f64().expect("a figure")
            + mix["gain_db"].as_f64().expect("a figure");
        let mixed = mix["after"]["integrated_lufs"].as_f64().expect("a figure");
        // With it the mix is .3 LU louder than without; its pans may change its own by 2 LU and more.
        let under = mixed - alone;
        assert!((9.0..=14.0).contains(&under), "{song}: {under}");
    }
}

#[test]
fn the_balance_without_processing_is_written_beside_where_asked_for() {
    let place = Place::new();
    place.session(&["Low Tide"], 2);
    // One mic, whose source the dry mix then is, at another level.
    settings(
        &place,
        "[mix]\ndry = true\n[mix.mic.snare-top]\nmute = true\n[mix.mic.overhead]\nmute = true\n[mix.mic.room]\nmute = true\n[mix.mic.trashy-room]\nmute = true\n",
    );
    place.prep(&[], 0);
    let dry = sound(&place, "out/mixes/low-tide/take-01_dry.wav");
    let source = sound(&place, "takes/Low Tide/take 1/Kick In.wav");
    assert_eq!(dry.len(), 2 * source.len());
    let ratio = dry[2 * 4804] / source[4804];
    for frame in (300..source.len() - 2500).step_by(7) {
        assert!(
            (dry[2 * frame] - ratio * source[frame]).abs() < 1e-5,
            "{frame}"
        );
    }
    let session = place.json("out/session.json");
    for mix in session["mixes"].as_array().expect("mixes") {
        let outputs = mix["outputs"].as_array().expect("outputs");
        assert_eq!(
            outputs
                .iter()
                .filter(|output| output["dry"] == true)
                .count(),
            1
        );
        assert!(!mix["path"].as_str().expect("a path").contains("dry"));
    }
    let page = std::fs::read_to_string(place.path("out/session.html")).expect("a page");
    assert!(page.contains("take-02_dry.wav"));
    assert_eq!(place.run(&["verify", "out"]).status, 0);
}
