//! Rough mixes, group stems and what `session.toml` says of them, from outside.

use super::support::{KIT, Place};

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
            for output in &outputs[1..] {
                let stem = bare(output);
                assert_eq!(stem.len(), rest.len());
                rest.iter_mut().zip(stem).for_each(|(rest, x)| *rest -= x);
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
