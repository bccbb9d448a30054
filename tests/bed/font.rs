//! Single strokes out of a sound font. Its samples lie in one chunk, and a list of names says where (SoundFont
//! technical specification 2.04, sections 4 and 7.10); instruments and programs are not read.

use std::io;
use std::path::Path;

use super::RATE_HZ;

/// Bytes of what the list says of a sample.
const HEADER: usize = 46;

/// The samples of a font, by name.
pub struct Font {
    /// 16-bit, little-endian.
    samples: Vec<u8>,
    headers: Vec<u8>,
}

impl Font {
    pub fn read(path: &Path) -> io::Result<Self> {
        let bytes = std::fs::read(path)?;
        let (mut samples, mut headers) = (Vec::new(), Vec::new());
        for (name, body) in chunks(bytes.get(12..).unwrap_or_default()) {
            if name != b"LIST" {
                continue;
            }
            for (name, body) in chunks(body.get(4..).unwrap_or_default()) {
                match name {
                    b"smpl" => samples = body.to_vec(),
                    b"shdr" => headers = body.to_vec(),
                    _ => {}
                }
            }
        }
        Ok(Self { samples, headers })
    }

    /// Both sides of a stroke, their mean.
    pub fn stroke(&self, name: &str) -> Vec<f32> {
        let side = |side: &str| {
            let name = format!("{name}{side}");
            let samples = self.sample(&name);
            samples.unwrap_or_else(|| panic!("the sound font has no {name}"))
        };
        let both = side("(L)").into_iter().zip(side("(R)"));
        both.map(|(l, r)| 0.5 * (l + r)).collect()
    }

    fn sample(&self, name: &str) -> Option<Vec<f32>> {
        let mut all = self.headers.as_chunks::<HEADER>().0.iter();
        let named = |header: &&[u8; HEADER]| {
            header[..20].split(|b| *b == 0).next() == Some(name.as_bytes())
        };
        let header = all.find(named)?;
        let word = |at: usize| {
            u32::from_le_bytes(header[at..at + 4].try_into().expect("four bytes")) as usize
        };
        let (first, behind, rate_hz) = (word(20), word(24), word(36));
        assert_eq!(rate_hz as f64, RATE_HZ, "{name}");
        let frames = self
            .samples
            .get(2 * first..2 * behind)?
            .as_chunks()
            .0
            .iter();
        let sample = |bytes: &[u8; 2]| f32::from(i16::from_le_bytes(*bytes)) / 32_768.0;
        Some(frames.map(sample).collect())
    }
}

/// What the sound font calls the layers of a voice of one of its kits, from the softest to the loudest.
pub fn layers(kit: u8, name: &str) -> &'static [&'static str] {
    match (kit, name) {
        (_, "hat-open") => &["Hi-Hat Half-Open"],
        (_, "hat-pedal") => &["Hi-Hat Foot"],
        (_, "hat-closed") => &["Hi-Hat Closed"],
        (_, "china") => &["China Crash"],
        (5, "kick") => &["Std Kick 1", "Std Kick 2"],
        (5, "snare") => &["Snr 1-1", "Snr 1-2", "Std Snr 1"],
        (5, "tom-higher") => &["MdHi Studio"],
        (5, "tom-high") => &["Hi Studio"],
        (5, "tom-mid") => &["Md Studio"],
        (5, "tom-low") => &["Low Studio"],
        (5, "floor-tom") => &["Flr Studio"],
        (5, "floor-lower") => &["Low Flr Studio"],
        (5, "ride") => &["Ride1"],
        (5, _) => &["Crsh 1"],
        (_, "kick") => &["Room Kick "],
        (_, "snare") => &["RmPwr 1-1", "RmPwr 1-2"],
        (_, "tom-high" | "tom-higher") => &["Tom Hi"],
        (_, "tom-mid") => &["Tom Med"],
        (_, "tom-low") => &["Tom Low"],
        (_, "floor-tom" | "floor-lower") => &["Tom Floor"],
        (_, "ride") => &["Ride2"],
        _ => &["Crsh 2"],
    }
}

/// The chunks of a part of a RIFF file.
fn chunks(bytes: &[u8]) -> Vec<(&[u8], &[u8])> {
    let (mut all, mut rest) = (Vec::new(), bytes);
    while let Some((head, behind)) = rest.split_at_checked(8) {
        let length = u32::from_le_bytes([head[4], head[5], head[6], head[7]]) as usize;
        let Some(body) = behind.get(..length) else {
            break;
        };
        all.push((&head[..4], body));
        rest = behind.get(length + length % 2..).unwrap_or_default();
    }
    all
}
