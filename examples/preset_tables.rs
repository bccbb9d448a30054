//! Writes `presets/TABLES.md`: third-octave band levels of the demo kit before and after every
//! preset that changes the sound. Where `BATTERHEAD_HITS` names a folder of recorded hits (Debian's
//! package `sonic-pi-samples`, CC0, unpacked), prints the same of those.
//!
//! `cargo run --release --example preset_tables`

use std::fmt::Write;
use std::path::Path;

use batterhead::analysis::tune_hit;
use batterhead::audio;
use batterhead::block::Block;
use batterhead::decide::gains::DEFAULT_WORKING_DBFS;
use batterhead::decide::stages::{Incoming, Pitch, Tuned, bring_to_working_level, follow};
use batterhead::demo::groove::{Piece, Stroke, Way};
use batterhead::demo::songs::{self, Feed, Mic, Song, Take};
use batterhead::demo::space::Capsule;
use batterhead::demo::{RATE_HZ, record, scene};
use batterhead::measure::bands::{Analyser, edges_hz, nominal_hz};
use batterhead::measure::matcher::{Match, Matcher};
use batterhead::preset::{self, Preset};
use batterhead::session;
use batterhead::stage::Stage;
use batterhead::testing::run_mono;
use batterhead::worksheet::Decided;

/// Bands by number: 20 Hz to 16 kHz.
const FIRST: i32 = -17;
const COUNT: usize = 30;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    std::fs::write(path(), tables())?;
    if let Some(folder) = std::env::var_os("BATTERHEAD_HITS") {
        println!("{}", recorded(Path::new(&folder))?);
    }
    Ok(())
}

/// The file that is kept in the tree.
pub fn path() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("presets/TABLES.md")
}

/// Something that was played, as one mic heard it.
struct Sound {
    title: String,
    /// Mics whose presets are tried on it; the first one's working level is used.
    mics: &'static [&'static str],
    samples: Vec<f64>,
    rate_hz: u32,
}

const KICK_IN: &[&str] = &["kick-in"];
const KICK_OUT: &[&str] = &["kick-out", "kick-sub"];
const SNARE: &[&str] = &["snare-top", "snare-side"];
const SNARE_BOTTOM: &[&str] = &["snare-bottom"];
const TOM: &[&str] = &["tom-1"];
const TOM_2: &[&str] = &["tom-2"];
const FLOOR: &[&str] = &["tom-3", "tom-4", "tom-5", "tom-6"];
const HAT: &[&str] = &["hat"];
const RIDE: &[&str] = &["ride"];
const CYMBAL: &[&str] = &["crash", "china", "splash", "cymbal"];
const OVERHEAD: &[&str] = &["overhead"];
const ROOM: &[&str] = &["room", "room-near", "room-far", "room-high"];

const INTRODUCTION: &str = "\
# What the presets do to the demo kit

Written by `cargo run --release --example preset_tables`; a test holds this file to what the code
gives. Third-octave bands, nominal mid-band frequencies of IEC 61260-1.

*before*: level of the band, in dB below the whole sound. Every other column: by how many dB the
preset moves the band, without the gain of its `[level]`. Followed frequencies are those measured on
this very hit (a boxy partial needs several hits: the cut stands at the preset's frequency); ahead of a
drive or compressor the hit is brought to the mic's working level, and the drive is matched in loudness,
as `prep` does it. Where a preset drives or compresses, its column is shifted so that the energy of the
whole sound stays, since only the colour can be compared.
";

/// The file's text.
pub fn tables() -> String {
    let song = songs::low_tide();
    let hit = |piece| vec![stroke(piece, 0.0)];
    let heard = |title: &str, mics, mic: &str, strokes: Vec<Stroke>| Sound {
        title: title.to_owned(),
        mics,
        samples: play(&song, song.mics.iter().find(|m| m.name == mic), strokes),
        rate_hz: RATE_HZ,
    };
    // The demo has no cymbal mic of its own: a hand's breadth over the edge of the left crash.
    let crash_mic = Mic {
        feed: Feed::Capsules(vec![Capsule {
            place: [-0.5, 0.62, 1.4],
            aim: [-0.42, 0.55, 1.2],
            directivity: 1.0,
            inside: None,
            ambient: false,
        }]),
        ..song.mics[0].clone()
    };
    let bar = || {
        let played = [Piece::Kick, Piece::Snare, Piece::Tom1, Piece::Floor];
        let drums = (played.into_iter().zip([0.0, 0.5, 1.0, 1.5])).map(|(p, at)| stroke(p, at));
        drums.chain([stroke(Piece::CrashLeft, 2.0)]).collect()
    };
    let sounds = [
        heard("Kick, inside mic", KICK_IN, "Kick In", hit(Piece::Kick)),
        heard("Kick, outside mic", KICK_OUT, "Kick Out", hit(Piece::Kick)),
        heard("Snare, top mic", SNARE, "SN TOP", hit(Piece::Snare)),
        heard(
            "Snare, bottom mic",
            SNARE_BOTTOM,
            "SN BTM",
            hit(Piece::Snare),
        ),
        heard("High tom", TOM, "Rack 1", hit(Piece::Tom1)),
        heard("Second tom", TOM_2, "Rack 2", hit(Piece::Tom2)),
        heard("Floor tom", FLOOR, "Floor", hit(Piece::Floor)),
        heard("Hat", HAT, "HH", hit(Piece::Hat)),
        heard("Ride", RIDE, "RD", hit(Piece::Ride)),
        Sound {
            title: "Crash, close".to_owned(),
            mics: CYMBAL,
            samples: play(&song, Some(&crash_mic), hit(Piece::CrashLeft)),
            rate_hz: RATE_HZ,
        },
        heard(
            "Kick, snare, toms, crash: overhead",
            OVERHEAD,
            "OH L",
            bar(),
        ),
        heard("Kick, snare, toms, crash: room", ROOM, "Rm", bar()),
    ];
    let tables: Vec<String> = sounds.iter().map(table).collect();
    format!("{INTRODUCTION}\n{}", tables.join("\n"))
}

fn stroke(piece: Piece, at_s: f64) -> Stroke {
    Stroke {
        piece,
        at_s,
        force: 0.9,
        way: Way::Plain,
    }
}

/// The first channel of what a mic hears, until 1.5 s after the last stroke.
fn play(song: &Song, mic: Option<&Mic>, strokes: Vec<Stroke>) -> Vec<f64> {
    let mic = Mic {
        hum_dbfs: None,
        ..mic.expect("a mic of the demo").clone()
    };
    let take = Take {
        number: 1,
        seconds: strokes.last().map_or(0.0, |last| last.at_s) + 1.5,
        start_s: 0.0,
        mishaps: Vec::new(),
    };
    let scene = scene(song, &take, &song.kit, &strokes, RATE_HZ);
    record(song, &take, &mic, &scene, RATE_HZ).swap_remove(0)
}

/// Recorded hits, where the folder has them.
fn recorded(folder: &Path) -> Result<String, batterhead::error::Error> {
    let files = [
        ("drum_bass_hard", KICK_IN),
        ("drum_snare_hard", SNARE),
        ("drum_tom_hi_hard", TOM),
        ("drum_tom_mid_hard", TOM_2),
        ("drum_tom_lo_hard", FLOOR),
        ("drum_cymbal_closed", HAT),
        ("drum_cymbal_hard", CYMBAL),
        ("drum_snare_soft", ROOM),
    ];
    let mut text = String::from("# What the presets do to recorded hits\n");
    for (name, mics) in files {
        let mut reader = audio::open(&folder.join(format!("{name}.flac")))?;
        let (mut block, mut samples) = (Block::default(), Vec::new());
        while reader.read(&mut block, 4096)? > 0 {
            samples.extend_from_slice(block.channel(0));
        }
        let sound = Sound {
            title: format!("`{name}`"),
            mics,
            rate_hz: reader.info().rate_hz,
            samples,
        };
        text += &format!("\n{}", table(&sound));
    }
    Ok(text)
}

fn table(sound: &Sound) -> String {
    let mic = session::Mic::named(sound.mics[0]).expect("a mic");
    let free_s = sound.samples.len() as f64 / f64::from(sound.rate_hz);
    let hit = tune_hit(&sound.samples, sound.rate_hz, free_s, mic.family);
    let pitch = |hz| Pitch { hz, hits: 1 };
    let tuned = Tuned {
        fundamental: hit.as_ref().map(|hit| pitch(hit.fundamental_hz)),
        next_partial: hit.and_then(|hit| hit.next_partial_hz).map(pitch),
        ..Tuned::default()
    };
    let presets: Vec<Preset> = preset::builtin()
        .map(|preset| preset::find(preset.name).expect("a preset of the library"))
        .filter(|preset| !preset.stages.is_empty())
        .filter(|preset| preset.mics.iter().any(|m| sound.mics.contains(&m.as_str())))
        .collect();
    let before = energies(&sound.samples, sound.rate_hz);
    let whole: f64 = before.iter().sum();
    let columns: Vec<[f64; COUNT]> = presets
        .iter()
        .map(|preset| {
            let (after, depends_on_level) = through(
                preset,
                sound,
                &tuned,
                mic.level_dbfs.unwrap_or(DEFAULT_WORKING_DBFS),
            );
            let scale = if depends_on_level {
                whole / after.iter().sum::<f64>()
            } else {
                1.0
            };
            std::array::from_fn(|i| db(scale * after[i] / before[i]))
        })
        .collect();

    let mut text = format!("## {}\n\n", sound.title);
    if let Some(fundamental) = tuned.fundamental {
        let next = tuned
            .next_partial
            .map_or("none".to_owned(), |next| format!("{:.0} Hz", next.hz));
        writeln!(
            text,
            "Fundamental {:.0} Hz, next partial {next}.\n",
            fundamental.hz
        )
        .expect("text");
    }
    let names: Vec<&str> = presets.iter().map(|preset| preset.name.as_str()).collect();
    writeln!(text, "| Hz | before | {} |", names.join(" | ")).expect("text");
    writeln!(text, "|---:|---:|{}", "---:|".repeat(names.len())).expect("text");
    for i in 0..COUNT {
        let cells: Vec<String> = columns.iter().map(|column| tenths(column[i])).collect();
        let hz = nominal_hz(FIRST + i as i32);
        let before = tenths(db(before[i] / whole));
        writeln!(text, "| {hz} | {before} | {} |", cells.join(" | ")).expect("text");
    }
    text
}

fn energies(samples: &[f64], rate_hz: u32) -> [f64; COUNT] {
    let bands = std::array::from_fn(|i| edges_hz(FIRST + i as i32));
    Analyser::new(rate_hz).ranges(samples, bands)
}

fn db(ratio: f64) -> f64 {
    10.0 * ratio.max(1e-20).log10()
}

/// With a sign, and without one for what rounds to 0; what is gone is gone.
fn tenths(db: f64) -> String {
    if db < -60.0 {
        return "< -60".to_owned();
    }
    let text = format!("{db:+.1}");
    text.replace("-0.0", "0.0").replace("+0.0", "0.0")
}

/// The bands behind the stages that `prep` would decide on, and whether these depend on the level.
fn through(
    preset: &Preset,
    sound: &Sound,
    tuned: &Tuned,
    working_dbfs: f64,
) -> ([f64; COUNT], bool) {
    let rate_hz = f64::from(sound.rate_hz);
    let mut decided = follow(preset, tuned, &Tuned::default());
    let peak = sound
        .samples
        .iter()
        .fold(0.0f64, |most, x| most.max(x.abs()));
    let incoming = Incoming {
        level_dbfs: 20.0 * peak.log10(),
        from_hits: true,
    };
    bring_to_working_level(&mut decided, Some(incoming), working_dbfs);
    let mut stages: Vec<Stage> = decided
        .into_iter()
        .map(|Decided { value, .. }| value)
        // The sound begins with its hit: moved, it would begin in the middle of it.
        .filter(|stage| !matches!(stage, Stage::Delay(_)))
        .collect();
    for i in 0..stages.len() {
        let Stage::Drive(drive) = &stages[i] else {
            continue;
        };
        let mut matcher = Matcher::new(drive, sound.rate_hz, 1);
        let dry = run_mono(&stages[..i], &sound.samples, rate_hz);
        matcher.push(&Block::from_channels(vec![dry]));
        let match_db = Match::db(&[&matcher.finish()]);
        if let Stage::Drive(drive) = &mut stages[i] {
            drive.match_db = match_db;
        }
    }
    let out = run_mono(&stages, &sound.samples, rate_hz);
    (
        energies(&out, sound.rate_hz),
        stages.iter().any(Stage::depends_on_level),
    )
}
