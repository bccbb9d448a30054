//! Takes that were rendered once, kept for the next look at them: rendering is nearly all the time that
//! such a look takes. A take is found by its plan and by the text of what renders it.

use std::collections::BTreeMap;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io;
use std::path::{Path, PathBuf};

use super::kit::{Pitch, Voice};
use super::plans::Setup;

/// What the sound of a take follows from, beside its plan.
const MAKERS: [&str; 6] = [
    include_str!("along.rs"),
    include_str!("kit.rs"),
    include_str!("play.rs"),
    include_str!("record.rs"),
    include_str!("space.rs"),
    include_str!("../../src/dsp/random.rs"),
];
const TUNED: [Voice; 4] = [Voice::Snare, Voice::Tom1, Voice::Tom2, Voice::Tom3];

/// Every mic, and what the heads are tuned to.
pub type Rendered = (Vec<Vec<f32>>, BTreeMap<Voice, Pitch>);

fn path(folder: &Path, setup: &Setup, number: usize) -> PathBuf {
    let mut hash = DefaultHasher::new();
    MAKERS.hash(&mut hash);
    format!("{setup:?}").hash(&mut hash);
    let name = format!("{}-{}-{:016x}", setup.name, number + 1, hash.finish());
    folder.join(name)
}

/// A take, where it is kept.
pub fn get(folder: &Path, setup: &Setup, number: usize) -> Option<Rendered> {
    let bytes = std::fs::read(path(folder, setup, number)).ok()?;
    let (head, sound) = bytes.split_at_checked(8 * (1 + 3 * TUNED.len()))?;
    let head: Vec<f64> = head
        .as_chunks()
        .0
        .iter()
        .map(|b| f64::from_le_bytes(*b))
        .collect();
    let pitches = head[1..].chunks(3).map(|p| Pitch {
        early_hz: p[0],
        settled_hz: p[1],
        clear: p[2] > 0.0,
    });
    let sound: Vec<f32> = sound
        .as_chunks()
        .0
        .iter()
        .map(|b| f32::from_le_bytes(*b))
        .collect();
    let mics = sound.chunks(head[0] as usize).map(<[f32]>::to_vec);
    Some((mics.collect(), TUNED.into_iter().zip(pitches).collect()))
}

/// Keeps one.
pub fn put(
    folder: &Path,
    setup: &Setup,
    number: usize,
    (sound, pitch): (&[Vec<f32>], &BTreeMap<Voice, Pitch>),
) -> io::Result<()> {
    let mut bytes = (sound[0].len() as f64).to_le_bytes().to_vec();
    for voice in TUNED {
        let pitch = pitch[&voice];
        bytes.extend(pitch.early_hz.to_le_bytes());
        bytes.extend(pitch.settled_hz.to_le_bytes());
        bytes.extend(f64::from(u8::from(pitch.clear)).to_le_bytes());
    }
    let samples = sound.iter().flatten();
    bytes.extend(samples.flat_map(|x| x.to_le_bytes()));
    std::fs::create_dir_all(folder)?;
    let path = path(folder, setup, number);
    let part = path.with_extension("part");
    std::fs::write(&part, bytes)?;
    std::fs::rename(part, path)
}
