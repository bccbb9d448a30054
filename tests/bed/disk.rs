//! A set-up as the folder of a session, for the built program to be run on.

use std::path::Path;

use super::record::Session;

/// Writes `FOLDER/Song 1/Take 1/Kick In.wav` … (24 bits) and gives how many files there are.
pub fn write(session: &Session<'_>, folder: &Path) -> Result<usize, hound::Error> {
    let mut files = 0;
    for (number, plan) in session.setup.takes.iter().enumerate() {
        let take = session.record(number);
        let song = ["Low Water", "Tin Roof"][plan.song];
        let folder = folder.join(song).join(format!("Take {}", number + 1));
        std::fs::create_dir_all(&folder)?;
        for (mic, samples) in take.mics.iter().zip(&take.sound) {
            let spec = hound::WavSpec {
                channels: 1,
                sample_rate: super::RATE_HZ as u32,
                bits_per_sample: 24,
                sample_format: hound::SampleFormat::Int,
            };
            let path = folder.join(format!("{}.wav", mic.file));
            let mut writer = hound::WavWriter::create(path, spec)?;
            for x in samples {
                writer.write_sample((x * 8_388_607.0).round() as i32)?;
            }
            writer.finalize()?;
            files += 1;
        }
    }
    Ok(files)
}
