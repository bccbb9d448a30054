//! Writes a session of any size to measure with: `make_session DIR --songs 10 --takes 10 --mics 20
//! --seconds 180`. A few seconds of the demo's drumming are repeated with small changes of level, so
//! that memory stays bounded and the disk is the limit.

use std::path::{Path, PathBuf};

use batterhead::demo::file::integer;
use batterhead::demo::songs::{Feed, Mic, Song, Take, low_tide, usual_mics};
use batterhead::demo::{play, record, scene};
use batterhead::dsp::random::Random;
use clap::Parser;
use rayon::prelude::*;

#[derive(Parser)]
#[command(about = "Writes a generated drum session of a given size")]
struct Arguments {
    /// Where to (must be absent or empty)
    folder: PathBuf,
    #[arg(long, default_value_t = 2)]
    songs: u32,
    /// Takes of each song
    #[arg(long, default_value_t = 3)]
    takes: u32,
    /// Files of each take, 1 to 24; the twelfth is stereo
    #[arg(long, default_value_t = 20, value_parser = clap::value_parser!(u32).range(1..=24))]
    mics: u32,
    /// Length of each file
    #[arg(long, default_value_t = 180.0)]
    seconds: f64,
    /// Frames a second
    #[arg(long, default_value_t = 48_000, value_parser = clap::value_parser!(u32).range(8_000..=192_000))]
    rate: u32,
}

/// Amplitude of the noise of a preamplifier.
const HISS: f64 = 1e-5;

/// Seconds of drumming that are repeated.
const LOOP_S: f64 = 10.0;

/// The usual twelve, then the same places under other names.
fn mics(count: u32) -> Vec<Mic> {
    let mut mics = usual_mics([
        "Kick In",
        "Kick Out",
        "Snare Top",
        "Snare Bottom",
        "Tom 1",
        "Tom 2",
        "Floor Tom",
        "Hat",
        "Ride",
        "OH L",
        "OH R",
        "Room",
    ]);
    let more = [
        ("Kick Sub", 1),
        ("Snare Side", 2),
        ("Tom 3", 5),
        ("Tom 4", 6),
        ("China", 10),
        ("Splash", 9),
        ("Crash L", 9),
        ("Crash R", 10),
        ("Room Near", 11),
        ("Room Far", 11),
        ("Room High", 11),
        ("Talkback", 7),
    ];
    for (name, like) in more {
        let mic = Mic {
            name,
            ..mics[like].clone()
        };
        mics.push(mic);
    }
    mics.truncate(count as usize);
    mics
}

/// One performance, picked up by every mic: mics × channels × samples.
type Material = Vec<Vec<Vec<f32>>>;

fn material(song: &Song, number: u32, rate_hz: u32) -> Material {
    let take = Take {
        number,
        seconds: LOOP_S,
        start_s: 0.0,
        mishaps: Vec::new(),
    };
    let (kit, strokes) = play(song, &take);
    let scene = scene(song, &take, &kit, &strokes, rate_hz);
    (song.mics.iter())
        .map(|mic| {
            let mut channels = record(song, &take, mic, &scene, rate_hz);
            for channel in &mut channels {
                fade_ends(channel, rate_hz);
            }
            let narrow = |channel: Vec<f64>| channel.into_iter().map(|y| y as f32).collect();
            channels.into_iter().map(narrow).collect()
        })
        .collect()
}

/// Repetitions must not click where they meet.
fn fade_ends(channel: &mut [f64], rate_hz: u32) {
    let fade = (rate_hz / 20) as usize;
    let last = channel.len() - 1;
    for i in 0..fade.min(channel.len()) {
        let gain = i as f64 / fade as f64;
        channel[i] *= gain;
        channel[last - i] *= gain;
    }
}

fn write_file(
    path: &Path,
    takes: &[Material],
    mic: usize,
    seed: u64,
    arguments: &Arguments,
) -> Result<(), hound::Error> {
    let channels = takes[0][mic].len();
    let spec = hound::WavSpec {
        channels: channels as u16,
        sample_rate: arguments.rate,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec)?;
    let mut random = Random::new(seed); // one seed a take: its mics repeat in step
    // No preamplifier is silent: without it the repetitions would meet in digital silence.
    let mut hiss = Random::new(seed ^ (mic as u64 + 1) << 40);
    let mut left = (arguments.seconds * f64::from(arguments.rate)) as usize;
    while left > 0 {
        let pick = (random.between(0.0, takes.len() as f64) as usize).min(takes.len() - 1);
        let gain = 1.0 + 0.15 * random.noise();
        let material = &takes[pick][mic];
        let length = material[0].len().min(left);
        for frame in 0..length {
            for channel in material {
                let sample = f64::from(channel[frame]) * gain + HISS * hiss.noise();
                writer.write_sample(integer(sample, 24))?;
            }
        }
        left -= length;
    }
    writer.finalize()
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments = Arguments::parse();
    let largest = arguments.seconds * f64::from(arguments.rate) * 6.0;
    if !(0.0..4.0e9).contains(&largest) {
        return Err("a stereo file of this length and rate would pass 4 GB".into());
    }
    let mut model = low_tide();
    model.mics = mics(arguments.mics);
    debug_assert!(
        model
            .mics
            .iter()
            .all(|mic| matches!(mic.feed, Feed::Capsules(_)))
    );
    for song in 1..=arguments.songs {
        // each song has its own tuning
        let higher = 1.0 + 0.02 * f64::from(song % 7);
        model.kit.snare.fundamental_hz = 190.0 * higher;
        for (tom, low_hz) in model.kit.toms.iter_mut().zip([140.0, 110.0, 80.0]) {
            tom.fundamental_hz = low_hz * higher;
        }
        let takes: Vec<Material> = (1..=2)
            .map(|number| material(&model, 2 * song + number, arguments.rate))
            .collect();
        let mut files = Vec::new();
        for take in 1..=arguments.takes {
            let folder = arguments
                .folder
                .join(format!("Song {song:02}/Take {take:02}"));
            std::fs::create_dir_all(&folder)?;
            for (index, mic) in model.mics.iter().enumerate() {
                let path = folder.join(format!("{}.wav", mic.name));
                files.push((path, index, u64::from(song) << 32 | u64::from(take)));
            }
        }
        (files.par_iter())
            .map(|(path, mic, seed)| write_file(path, &takes, *mic, *seed, &arguments))
            .collect::<Result<(), hound::Error>>()?;
        eprintln!("song {song} of {}", arguments.songs);
    }
    Ok(())
}
