//! Pairs whose sides do not match: one stem where they can be one, two that belong together else.

use batterhead::block::Block;
use batterhead::wav::{Depth, Dither, Metadata, WriteSpec, Writer, bext};

use super::support::Place;

/// One side: an impulse every half second of the session's clock, in a little noise of its own.
fn side(place: &Place, name: &str, rate_hz: u32, start: Option<u64>, frames: u64) {
    let path = place.path(&format!("takes/Low Tide/take 1/{name}.wav"));
    std::fs::create_dir_all(path.parent().expect("a parent")).expect("folders");
    let mut metadata = Metadata::default();
    if let Some(start) = start {
        metadata.push(*b"bext", bext(name, "a recorder", start));
    }
    let spec = WriteSpec {
        rate_hz,
        channels: 1,
        depth: Depth::Int24,
        dither: Dither::None,
        frames,
    };
    let mut noise = 1 + name.len() as u64;
    let sample = |frame: u64| {
        noise = noise
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1);
        let hiss = ((noise >> 40) as f64 / f64::from(1 << 24) - 0.5) * 1e-3;
        let at = start.unwrap_or(0) + frame;
        hiss + if at.is_multiple_of(u64::from(rate_hz) / 2) {
            0.5
        } else {
            0.0
        }
    };
    let samples = (0..frames).map(sample).collect();
    let file = std::fs::File::create(path).expect("a file");
    let mut writer = Writer::create(file, &spec, &metadata).expect("a header");
    writer
        .write(&Block::from_channels(vec![samples]))
        .expect("room");
    writer.finish().expect("a whole file");
}

/// `prep` with every sample left as it is; the stems' names.
fn prepared(place: &Place, more: &str) -> Vec<String> {
    let plain = format!("presets = {{ \"*\" = \"name-only\" }}\n{more}");
    std::fs::write(place.path("takes/session.toml"), plain).expect("a file");
    place.prep(&[], 0);
    let stems = place.tree("out/stems/low-tide/take-01");
    stems.into_iter().map(|(name, _)| name).collect()
}

fn finding(place: &Place, code: &str) -> Vec<String> {
    let session = place.json("out/session.json");
    let all = session["findings"].as_array().expect("a list");
    let of = all.iter().filter(|finding| finding["code"] == code);
    of.map(|finding| format!("{} {}", finding["severity"], finding["message"]))
        .collect()
}

#[test]
fn sides_that_begin_and_end_at_different_times_are_placed_by_their_clock_and_stay_one_stem() {
    for (left, right) in [
        ((48_000, 100_000), (48_480, 99_000)),
        ((48_480, 99_000), (48_000, 100_000)),
        ((48_000, 40_000), (72_000, 90_000)),
    ] {
        let place = Place::new();
        side(&place, "OH L", 48_000, Some(left.0), left.1);
        side(&place, "OH R", 48_000, Some(right.0), right.1);
        assert_eq!(prepared(&place, ""), ["low-tide_take-01_overhead.wav"]);
        let path = "out/stems/low-tide/take-01/low-tide_take-01_overhead.wav";
        let wav = hound::WavReader::open(place.path(path)).expect("a stem");
        let start: u64 = left.0.min(right.0);
        let end = (left.0 + left.1).max(right.0 + right.1);
        assert_eq!(
            (wav.spec().channels, u64::from(wav.duration())),
            (2, end - start)
        );
        let report = place.json("out/reports/low-tide/take-01/low-tide_take-01_overhead.json");
        assert_eq!(report["output"]["time_reference_samples"], start);
        assert_eq!(report["sources"].as_array().map(Vec::len), Some(2));
        // Each sample where its clock says, silence elsewhere.
        for (channel, (from, frames)) in [left, right].into_iter().enumerate() {
            let samples = place.samples(path);
            for (frame, sample) in samples.iter().skip(channel).step_by(2).enumerate() {
                let at = start + frame as u64;
                if !(from..from + frames).contains(&at) {
                    assert_eq!(*sample, 0, "silence at {at} of channel {channel}");
                } else if at.is_multiple_of(24_000) {
                    assert!(
                        *sample > 4_000_000,
                        "an impulse at {at} of channel {channel}"
                    );
                } else {
                    assert!(sample.abs() < 10_000, "none at {at} of channel {channel}");
                }
            }
        }
        let notes = finding(&place, "length-mismatch");
        assert_eq!(notes.len(), 1, "{notes:?}");
        assert!(notes[0].starts_with("\"note\""), "{notes:?}");
        assert_eq!(finding(&place, "pair-mismatch"), [""; 0]);
        assert_eq!(place.run(&["verify", "out"]).status, 0);
    }
}

#[test]
fn sides_without_a_clock_that_end_within_a_second_are_one_stem_and_others_are_two() {
    let place = Place::new();
    side(&place, "OH L", 48_000, None, 100_000);
    side(&place, "OH R", 48_000, None, 99_000);
    assert_eq!(prepared(&place, ""), ["low-tide_take-01_overhead.wav"]);
    let place = Place::new();
    side(&place, "OH L", 48_000, None, 150_000);
    side(&place, "OH R", 48_000, None, 99_000);
    let two = [
        "low-tide_take-01_overhead-l.wav",
        "low-tide_take-01_overhead-r.wav",
    ];
    assert_eq!(prepared(&place, ""), two);
    assert_eq!(finding(&place, "pair-mismatch").len(), 2);
}

#[test]
fn rooms_that_stay_two_stems_share_their_gain_and_one_stereo_stem_is_derived_from_both() {
    let trashy =
        "derived = [{ of = \"room\", preset = \"trashy-room\", name = \"trashy-room\" }]\n";
    for (rate_hz, more) in [
        (44_100, trashy.to_owned()),
        (48_000, format!("{trashy}pairs = \"split\"\n")),
    ] {
        let place = Place::new();
        side(&place, "Room L", 48_000, None, 200_000);
        side(&place, "Room R", rate_hz, None, 100_000);
        let stems = prepared(&place, &more);
        let expected = ["room-l", "room-r", "trashy-room"];
        assert_eq!(
            stems,
            expected.map(|name| format!("low-tide_take-01_{name}.wav"))
        );
        let stem = |name: &str| {
            let path = format!("out/stems/low-tide/take-01/low-tide_take-01_{name}.wav");
            let wav = hound::WavReader::open(place.path(&path)).expect("a stem");
            (wav.spec().channels, wav.spec().sample_rate, wav.duration())
        };
        assert_eq!(stem("room-l"), (1, 48_000, 200_000));
        assert_eq!(stem("room-r"), (1, rate_hz, 100_000));
        assert_eq!(stem("trashy-room"), (2, 48_000, 200_000));
        let report = |name: &str| {
            place.json(&format!(
                "out/reports/low-tide/take-01/low-tide_take-01_{name}.json"
            ))
        };
        assert_eq!(
            report("room-l")["decisions"]["gain_db"],
            report("room-r")["decisions"]["gain_db"]
        );
        let sources = report("trashy-room")["sources"].clone();
        assert_eq!(sources.as_array().map(Vec::len), Some(2), "{sources}");
        let sound = place.samples("out/stems/low-tide/take-01/low-tide_take-01_trashy-room.wav");
        for channel in 0..2 {
            let energy = |from: usize, to: usize| -> f64 {
                let samples = sound.iter().skip(channel).step_by(2);
                samples
                    .skip(from)
                    .take(to - from)
                    .map(|x| f64::from(*x).powi(2))
                    .sum()
            };
            assert!(energy(0, 90_000) > 1e12, "both sides are in it");
        }
        assert_eq!(place.run(&["verify", "out"]).status, 0);
    }
}
