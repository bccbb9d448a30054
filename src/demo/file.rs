//! Sound files of the demo: encoded in memory by hound, stored whole.

use std::io::Cursor;
use std::path::Path;

use crate::error::{Error, Result};
use crate::output::publish::Outbox;

/// The bytes of a WAV file of `channels` (equal lengths; full scale ±1, what goes beyond is cut
/// off). `start_s`: the time of day for a `bext` chunk (EBU Tech 3285, version 1).
pub fn encode(
    channels: &[Vec<f64>],
    rate_hz: u32,
    bits: u16,
    start_s: Option<f64>,
) -> std::result::Result<Vec<u8>, hound::Error> {
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate: rate_hz,
        bits_per_sample: bits,
        sample_format: hound::SampleFormat::Int,
    };
    let mut bytes = Vec::new();
    let mut writer = hound::WavWriter::new(Cursor::new(&mut bytes), spec)?;
    for frame in 0..channels.first().map_or(0, Vec::len) {
        for channel in channels {
            writer.write_sample(integer(channel[frame], bits))?;
        }
    }
    writer.finalize()?;
    if let Some(start_s) = start_s {
        insert_bext(&mut bytes, start_s, rate_hz);
    }
    Ok(bytes)
}

/// The nearest sample value of `bits`, cut off at full scale.
pub fn integer(sample: f64, bits: u16) -> i32 {
    let scale = f64::from(1u32 << (bits - 1));
    (sample * scale).round().clamp(-scale, scale - 1.0) as i32
}

/// Puts a `bext` chunk before all others.
fn insert_bext(bytes: &mut Vec<u8>, start_s: f64, rate_hz: u32) {
    let mut bext = vec![0u8; 602];
    let mut text =
        |at: usize, text: &str| bext[at..at + text.len()].copy_from_slice(text.as_bytes());
    let whole = start_s as u32;
    let (hours, minutes, seconds) = (whole / 3600, whole / 60 % 60, whole % 60);
    text(0, "demo session");
    text(256, "demo recorder");
    text(320, "2024-03-09");
    text(330, &format!("{hours:02}:{minutes:02}:{seconds:02}"));
    let reference = (start_s * f64::from(rate_hz)).round() as u64;
    bext[338..346].copy_from_slice(&reference.to_le_bytes());
    bext[346] = 1;
    let mut chunk = b"bext".to_vec();
    chunk.extend((bext.len() as u32).to_le_bytes());
    chunk.extend(bext);
    bytes.splice(12..12, chunk);
    let riff = bytes.len() as u32 - 8;
    bytes[4..8].copy_from_slice(&riff.to_le_bytes());
}

/// Makes the file what a recorder leaves that loses its power: sizes still 0, and `lost` bytes
/// missing at the end.
pub fn unfinish(bytes: &mut Vec<u8>, lost: usize) {
    bytes.truncate(bytes.len() - lost.min(bytes.len()));
    if let Some(data) = bytes.windows(4).position(|id| id == b"data") {
        bytes[4..8].fill(0);
        bytes[data + 4..data + 8].fill(0);
    }
}

/// Whether the file is there with the same bytes.
///
/// # Errors
/// Something else of this name is there.
pub fn compare(folder: &Path, relative: &Path, bytes: &[u8]) -> Result<bool> {
    let path = folder.join(relative);
    let Ok(found) = std::fs::symlink_metadata(&path) else {
        return Ok(false);
    };
    let same = found.is_file()
        && found.len() == bytes.len() as u64
        && std::fs::read(&path).is_ok_and(|there| there == bytes);
    match same {
        true => Ok(true),
        false => Err(Error::input("another file of this name is there")
            .at(&path)
            .hint("give the demo a folder of its own: nothing is ever overwritten")),
    }
}

/// Stores a whole file or none. One that is there with the same bytes is left alone; another of the
/// same name is never overwritten.
pub fn store(folder: &Outbox, relative: &Path, bytes: &[u8]) -> Result<()> {
    match compare(folder.root(), relative, bytes)? {
        true => Ok(()),
        false => folder.write(relative, bytes).map(drop),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::error::Kind;

    #[test]
    fn hound_reads_back_what_was_encoded_with_a_time_stamp() {
        let channels = vec![vec![0.0, 0.5, -1.0, 1.0], vec![0.25; 4]];
        let bytes = encode(&channels, 48_000, 24, Some(3661.5)).unwrap();
        let mut reader = hound::WavReader::new(Cursor::new(&bytes)).unwrap();
        let samples: Vec<i32> = reader.samples().map(|s| s.unwrap()).collect();
        let full = 1 << 23;
        assert_eq!(samples[..4], [0, full / 4, full / 2, full / 4]);
        assert_eq!(samples[4..], [-full, full / 4, full - 1, full / 4]);
        // EBU Tech 3285: TimeReference is at byte 338 of the payload
        assert_eq!(&bytes[12..16], b"bext");
        let reference = u64::from_le_bytes(bytes[20 + 338..20 + 346].try_into().unwrap());
        assert_eq!(reference, 3661 * 48_000 + 24_000);
        assert_eq!(&bytes[20 + 330..20 + 338], b"01:01:01");
        assert_eq!(
            u32::from_le_bytes(bytes[4..8].try_into().unwrap()) as usize,
            bytes.len() - 8
        );
    }

    #[test]
    fn nothing_that_is_there_is_overwritten() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("take 1/Kick.wav");
        let outbox = Outbox::open(folder.path()).unwrap();
        let store = |bytes| store(&outbox, Path::new("take 1/Kick.wav"), bytes);
        store(b"one").unwrap();
        store(b"one").unwrap();
        let error = store(b"two").unwrap_err();
        assert_eq!(error.kind, Kind::Input);
        assert_eq!(std::fs::read(&path).unwrap(), b"one");
        assert_eq!(
            std::fs::read_dir(path.parent().unwrap()).unwrap().count(),
            1
        );
    }
}
