//! Writes a soundcheck to compare: the same pattern played to a click on three snares,
//! `DIR/bright`, `DIR/deep` and `DIR/long`, all mics of a kit each; and `DIR/other`, another pattern.

use std::path::{Path, PathBuf};

use batterhead::demo::file::integer;
use batterhead::demo::kit::Drum;
use batterhead::demo::songs::{Song, Take, iron_meadow, low_tide};
use batterhead::demo::{play, record, scene};
use clap::Parser;

const RATE_HZ: u32 = 48_000;

#[derive(Parser)]
#[command(about = "Writes a generated soundcheck: one pattern on three snares")]
struct Arguments {
    /// Where to
    folder: PathBuf,
}

/// `late`: frames before the take begins, as if the recorder had been started earlier.
fn take(
    folder: &Path,
    song: &Song,
    number: u32,
    seconds: f64,
    late: usize,
) -> Result<(), hound::Error> {
    let take = Take {
        number,
        seconds,
        start_s: 0.0,
        mishaps: Vec::new(),
    };
    std::fs::create_dir_all(folder)?;
    let (kit, strokes) = play(song, &take);
    let scene = scene(song, &take, &kit, &strokes, RATE_HZ);
    for mic in &song.mics {
        let channels = record(song, &take, mic, &scene, RATE_HZ);
        let spec = hound::WavSpec {
            channels: channels.len() as u16,
            sample_rate: RATE_HZ,
            bits_per_sample: 24,
            sample_format: hound::SampleFormat::Int,
        };
        let path = folder.join(format!("{}.wav", mic.name));
        let mut writer = hound::WavWriter::create(path, spec)?;
        for _ in 0..late * channels.len() {
            writer.write_sample(0)?;
        }
        for frame in 0..channels[0].len() {
            for channel in &channels {
                writer.write_sample(integer(channel[frame], 24))?;
            }
        }
        writer.finalize()?;
    }
    Ok(())
}

fn main() -> Result<(), hound::Error> {
    let arguments = Arguments::parse();
    let mut song = low_tide();
    // After so many takes bars and fill come in the same turn again.
    let again = (song.part.bars.len() * song.part.fills.len()) as u32;
    let snares = [
        ("bright", 232.0, 0.22),
        ("deep", 178.0, 0.30),
        ("long", 196.0, 0.80),
    ];
    for (i, (name, fundamental_hz, t60_s)) in snares.into_iter().enumerate() {
        song.kit.snare = Drum {
            fundamental_hz,
            t60_s,
            ..song.kit.snare
        };
        let number = 1 + i as u32 * again;
        take(
            &arguments.folder.join(name),
            &song,
            number,
            16.5,
            31_007 * i,
        )?;
    }
    take(&arguments.folder.join("other"), &iron_meadow(), 1, 10.0, 0)
}
