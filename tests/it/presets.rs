//! Presets that a person wrote: which are accepted, and what is said of the others.

use std::fmt::Write;
use std::path::{Path, PathBuf};

use batterhead::preset::{self, Followed, Link, Measure};
use batterhead::problem::Problems;
use batterhead::stage::Stage;

#[allow(dead_code)] // its main
#[path = "../../examples/preset_tables.rs"]
mod preset_tables;

const ROOT: &str = env!("CARGO_MANIFEST_DIR");

/// The files of a folder of tests/data/presets in order: name, text.
fn texts(folder: &str) -> Vec<(String, String)> {
    let folder = Path::new(ROOT).join("tests/data/presets").join(folder);
    let entries = std::fs::read_dir(&folder).expect("the folder of test presets");
    let mut paths: Vec<PathBuf> = entries.map(|e| e.expect("an entry").path()).collect();
    paths.sort();
    let text = |path: &PathBuf| {
        let name = path.file_name().expect("a file").to_string_lossy();
        (
            name.into_owned(),
            std::fs::read_to_string(path).expect("UTF-8"),
        )
    };
    paths.iter().map(text).collect()
}

fn problems(text: &str) -> Problems {
    preset::load(text, "x.toml").expect_err("a wrong preset")
}

#[test]
fn good_presets_load() {
    let good = texts("good");
    assert!(good.len() >= 20, "{}", good.len());
    for (name, text) in good {
        if let Err(problems) = preset::load(&text, &name) {
            panic!("{problems}");
        }
    }
}

#[test]
fn every_error_text_is_as_kept() {
    let mut all = String::new();
    for (name, text) in texts("bad").into_iter().chain(texts("bad-beyond-schema")) {
        match preset::load(&text, &name) {
            Ok(preset) => panic!("{name} was accepted: {preset:?}"),
            Err(problems) => writeln!(all, "{problems}\n\n").expect("a text"),
        }
    }
    batterhead::testing::assert_golden("tests/golden/preset-errors.txt", &all);
}

#[test]
fn the_tables_of_the_library_are_as_kept() {
    let kept = std::fs::read_to_string(preset_tables::path()).unwrap_or_default();
    let hint = "`cargo run --release --example preset_tables` writes presets/TABLES.md anew";
    assert!(preset_tables::tables() == kept, "{hint}");
}

#[test]
fn the_model_error_is_drawn_to_the_letter() {
    let text = "\
about = \"Tight\"
stages = [
  { high-pass = { freq_hz = 0, order = 4 } },
  { gaet = { threshold_db = -40 } },
]
";
    let problems = preset::load(text, "tight-rock.toml").expect_err("two problems");
    let want = "\
error: 2 problems in preset `tight-rock.toml`; nothing was written

 --> tight-rock.toml:3:29
  |
3 |   { high-pass = { freq_hz = 0, order = 4 } },
  |                             ^ expected above 0 and below 192000 (half of 384000 Hz, the highest sample rate)
  |
  = in stage 1 (high-pass)

 --> tight-rock.toml:4:5
  |
4 |   { gaet = { threshold_db = -40 } },
  |     ^^^^ no stage has this name
  |
  = in stage 2
  = hint: did you mean `gate`? Stages: high-pass, low-pass, peak, low-shelf, high-shelf, tilt,
          notch, drive, compress, gate, gain, polarity, delay";
    assert_eq!(problems.to_string(), want);
}

#[test]
fn all_problems_come_at_once_in_line_order() {
    let (_, text) = texts("bad")
        .into_iter()
        .find(|(name, _)| name == "several-at-once.toml")
        .expect("the file");
    let problems = problems(&text);
    let lines: Vec<_> = problems
        .list()
        .iter()
        .map(|p| problems.place(p).map(|p| p.line))
        .collect();
    let want = [2, 4, 5, 6, 6, 6, 7, 7, 9, 11, 12].map(Some);
    assert_eq!(lines, want, "{problems}");
}

#[test]
fn what_a_preset_says_arrives() {
    let text = "\
about = \"x\"
mics = [\"snare-top\"]
stages = [
  { peak = { freq_of = \"next-partial\", times = 2, min_hz = 100, freq_hz = 330, gain_db = -5.0, q = 4 } },
  { gain = { gain_db = 1 } },
]
[level]
measure = \"hit-level\"
target = -12.0
";
    let preset = preset::load(text, "folder/my snare.toml").unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(
        (preset.name.as_str(), preset.about.as_str()),
        ("my snare", "x")
    );
    assert_eq!(preset.mics, ["snare-top"]);
    let [peak, gain] = preset.stages.as_slice() else {
        panic!("{preset:?}");
    };
    let follow = peak.follow.expect("it follows");
    assert_eq!((follow.of, follow.times), (Followed::NextPartial, 2.0));
    assert_eq!((follow.min_hz, follow.max_hz), (Some(100.0), None));
    assert!(matches!(&peak.stage, Stage::Peak(p) if p.freq_hz == 330.0 && p.q == 4.0));
    assert!(matches!(&gain.stage, Stage::Gain(g) if g.gain_db == 1.0) && gain.follow.is_none());
    let level = preset.level.expect("a level rule");
    assert_eq!((level.measure, level.link), (Measure::HitLevel, Link::Mic));
    assert_eq!((level.target, level.ceiling_dbtp), (-12.0, -1.0));
}

#[test]
fn a_notch_above_half_the_rate_of_one_take_costs_that_take() {
    let place = super::support::Place::new();
    for (take, sample_rate) in [(1, 48_000), (2, 44_100)] {
        let path = place.path(&format!("takes/Low Tide/take {take}/SN TOP.wav"));
        std::fs::create_dir_all(path.parent().expect("a parent")).expect("folders");
        let spec = crate::support::pcm(1, sample_rate, 16);
        let mut writer = hound::WavWriter::create(path, spec).expect("a file");
        (0..sample_rate).for_each(|i| writer.write_sample((i % 99) as i16).expect("room"));
        writer.finalize().expect("a whole file");
    }
    let text = "stages = [ { notch = { freq_hz = 23000, q = 30 } } ]";
    std::fs::write(place.path("takes/whistle.toml"), text).expect("written");
    let session = "[presets]\nsnare-top = \"whistle.toml\"\n";
    std::fs::write(place.path("takes/session.toml"), session).expect("written");
    let ran = place.prep(&[], 1);
    for wanted in [
        "take 2/SN TOP.wav: has 44100 Hz, too few for the preset",
        "expected above 0 and below 22050 (half of 44100 Hz, the rate of this file)",
    ] {
        assert!(ran.stdout.contains(wanted), "{}", ran.stdout);
    }
    assert!(place.path("out/stems/low-tide/take-01").exists());
    assert!(!place.path("out/stems/low-tide/take-02").exists());
}

#[test]
fn a_preset_of_any_size_or_depth_ends_in_words() {
    let large = format!("about = \"{}\"\nstages = []\n", "x".repeat(1_000_000));
    assert!(
        problems(&large)
            .to_string()
            .contains("larger than 1000000 bytes")
    );
    for (open, close) in [("[", "]"), ("{a=", "}")] {
        let deep = format!("about = {}{}", open.repeat(100_000), close.repeat(100_000));
        assert!(!problems(&deep).is_empty());
    }
    let wide = format!("stages = [ {{ gain = {{ {} }} }} ]", "a=1,".repeat(50_000));
    assert!(problems(&wide).to_string().len() < 100_000);
    let many = "[x]\n".repeat(200_000);
    assert!(problems(&many).to_string().len() < 100_000);
}

/// Single-byte changes of a long preset: any of them may be wrong, none may panic.
#[test]
fn no_damage_to_a_preset_is_a_crash() {
    let text = preset::show("snare-top").unwrap_or_else(|e| panic!("{e}"));
    for at in 0..text.len() {
        for byte in ["", "\0", "\"", "{", "]", "=", "\u{202e}", "\n", "9"] {
            let damaged = format!("{}{byte}{}", &text[..at], &text[at + 1..]);
            if let Err(problems) = preset::load(&damaged, "x.toml") {
                assert!(!problems.is_empty());
                assert!(!problems.to_string().contains(['\0', '\u{202e}']));
            }
        }
    }
}

/// The chain of a preset as it is without a measurement.
fn chain(name: &str) -> Vec<batterhead::stage::Stage> {
    let preset = batterhead::preset::find(name).unwrap_or_else(|e| panic!("{name}: {e}"));
    preset.fallback()
}

#[test]
fn presets_of_mics_of_one_drum_turn_their_common_band_alike() {
    use batterhead::stage::Chain;
    let kicks = [
        "kick-in",
        "kick-in-tight",
        "kick-in-open",
        "kick-in-metal-fast",
        "kick-in-vintage-dry",
    ];
    let snares = [
        "snare-top",
        "snare-top-tight",
        "snare-top-open",
        "snare-top-metal-fast",
        "snare-top-vintage-dry",
    ];
    let pairs = (kicks
        .iter()
        .flat_map(|main| ["kick-out", "kick-sub"].map(|other| (*main, other, 40, 120))))
    .chain(
        snares
            .iter()
            .flat_map(|main| ["snare-bottom", "snare-side"].map(|other| (*main, other, 150, 400))),
    );
    for (main, other, low, high) in pairs {
        let chains = [chain(main), chain(other)];
        // Two mics that are in phase, as loud as each other behind their chains: what of their sum is left.
        let (mut sum, mut all) = (0.0, 0.0);
        for hz in (low..=high).step_by(5) {
            let [a, b] = chains
                .each_ref()
                .map(|c| Chain::complex_response(c, 48_000.0, f64::from(hz)));
            let turned = (a.arg() - b.arg()).cos();
            let weight = a.norm() * b.norm();
            sum += weight * (1.0 + turned) / 2.0;
            all += weight;
        }
        let lost_db = 10.0 * f64::log10(sum / all);
        assert!(
            lost_db > -1.0,
            "{main} with {other}: {lost_db:.2} dB between {low} and {high} Hz"
        );
    }
}

/// Kick and snare strokes in a room, both sides of it: bursts that ring out in noise of their own.
fn room(place: &super::support::Place) {
    let path = place.path("Room.wav");
    let spec = super::support::pcm(2, 48_000, 24);
    let mut wav = hound::WavWriter::create(path, spec).expect("a file");
    let mut random = batterhead::dsp::random::Random::new(7);
    let mut noise = || random.noise();
    for frame in 0..48_000 * 6 {
        let (beat, since) = (frame / 24_000, f64::from(frame % 24_000) / 48_000.0);
        let tail = (-since / 0.08).exp();
        for _ in 0..2 {
            let stroke = match beat % 2 {
                0 => 0.30 * (std::f64::consts::TAU * 60.0 * since).sin() + 0.02 * noise(),
                _ => 0.10 * (std::f64::consts::TAU * 200.0 * since).sin() + 0.12 * noise(),
            };
            let sample = 0.5 * stroke * tail + 1e-4 * noise();
            wav.write_sample((sample * 8_388_607.0) as i32)
                .expect("room");
        }
    }
    wav.finalize().expect("a whole file");
}

/// Crest factor, and the level of lows (under 120 Hz), low mids, mids and highs, all over the whole, in
/// decibels; the range of the level between the strokes and at them last.
fn figures(samples: &[f64]) -> [f64; 6] {
    let mono: Vec<f64> = samples
        .chunks_exact(2)
        .map(|s| 0.5 * (s[0] + s[1]))
        .collect();
    let power = |x: &[f64]| x.iter().map(|x| x * x).sum::<f64>() / x.len() as f64;
    let db = |power: f64| 10.0 * power.max(1e-16).log10();
    let peak = mono.iter().fold(0.0, |most: f64, x| most.max(x.abs()));
    let mut planner = realfft::RealFftPlanner::<f64>::new();
    let plan = planner.plan_fft_forward(mono.len());
    let (mut input, mut bins) = (mono.clone(), plan.make_output_vec());
    plan.process(&mut input, &mut bins).expect("equal lengths");
    let band = |low: f64, high: f64| {
        let step = 48_000.0 / mono.len() as f64;
        let of = bins
            .iter()
            .enumerate()
            .filter(|(k, _)| (low..high).contains(&(*k as f64 * step)));
        of.map(|(_, bin)| bin.norm_sqr()).sum::<f64>()
    };
    let all = band(0.0, 24_000.0);
    let level = |low, high| db(band(low, high) / all);
    let mut pieces: Vec<f64> = mono
        .chunks_exact(480)
        .map(|piece| db(power(piece)))
        .collect();
    pieces.sort_by(f64::total_cmp);
    let range = pieces[pieces.len() * 9 / 10] - pieces[pieces.len() / 10];
    [
        db(peak * peak) - db(power(&mono)),
        level(10.0, 120.0),
        level(150.0, 600.0),
        level(600.0, 2000.0),
        level(2000.0, 14_000.0),
        range,
    ]
}

#[test]
fn distorted_rooms_are_denser_have_no_lows_and_differ_from_each_other() {
    let place = super::support::Place::new();
    room(&place);
    let of = |path: &str| {
        let samples = place.samples(path);
        figures(
            &samples
                .into_iter()
                .map(|x| f64::from(x) / 8_388_608.0)
                .collect::<Vec<_>>(),
        )
    };
    let names = [
        "trashy-room",
        "room-thick",
        "room-pumping",
        "room-torn",
        "room-sputtering",
    ];
    let filters = "about = 'Only the filters'\nmics = ['room']\nstages = [\
        { high-pass = { freq_hz = 150, order = 6 } }, { low-pass = { freq_hz = 7000, order = 4 } } ]\n";
    std::fs::write(place.path("filters.toml"), filters).expect("a file");
    let apply = |preset: &str, out: &str| {
        let ran = place.run(&["apply", preset, "Room.wav", "--out", out]);
        assert_eq!(ran.status, 0, "{preset}: {}", ran.stderr);
        of(&format!("{out}/Room.wav"))
    };
    // Beside the clean room behind the same filters: these make it less dense.
    let clean = apply("./filters.toml", "filters");
    let found = names.map(|name| {
        let found = apply(name, name);
        assert!(
            clean[0] - found[0] >= 2.0,
            "{name}: crest {:.1} from {:.1}",
            found[0],
            clean[0]
        );
        let mids = found[3].max(found[2]);
        assert!(
            mids - found[1] >= 20.0,
            "{name}: lows {:.1} dB under the mids",
            mids - found[1]
        );
        found
    });
    for a in 1..names.len() {
        for b in a + 1..names.len() {
            let apart = (2..6).map(|i| (found[a][i] - found[b][i]).abs());
            let most = apart.fold(0.0, f64::max);
            assert!(
                most >= 1.5,
                "{} and {} differ by {most:.1} dB",
                names[a],
                names[b]
            );
        }
    }
}
