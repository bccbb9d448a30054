//! Takes of the demo in memory: what the analysis hears from, with the truth beside it.

use super::groove::Stroke;
use super::songs::{Song, Take};
use super::{RATE_HZ, play, record, scene};
use crate::analysis::{Recorded, TakeTrack};
use crate::session::Family;

/// A song's mics by their place in it, as far as they stand alone at a drum, and its overheads, whose right
/// side is the next one.
const MICS: [(usize, &str, Family); 8] = [
    (0, "kick-in", Family::Kick),
    (2, "snare-top", Family::Snare),
    (4, "tom-1", Family::Tom),
    (5, "tom-2", Family::Tom),
    (6, "tom-3", Family::Tom),
    (7, "hat", Family::Hat),
    (8, "ride", Family::Cymbal),
    (9, "overhead", Family::Overhead),
];

/// The tracks of a take as far as its strokes are kept, and these.
pub fn heard(song: &Song, take: &Take, keep: impl Fn(&Stroke) -> bool) -> (Recorded, Vec<Stroke>) {
    let (kit, mut strokes) = play(song, take);
    strokes.retain(keep);
    let scene = scene(song, take, &kit, &strokes, RATE_HZ);
    let (mut tracks, mut sound) = (Vec::new(), Vec::new());
    for (place, name, family) in MICS {
        let sides = &song.mics[place..=place + usize::from(family == Family::Overhead)];
        let channels = sides
            .iter()
            .flat_map(|mic| record(song, take, mic, &scene, RATE_HZ));
        let channels: Vec<Vec<f64>> = channels.collect();
        tracks.push(TakeTrack {
            label: name.to_owned(),
            mic: name.to_owned(),
            family,
            side: None,
            rate_hz: RATE_HZ,
            frames: channels[0].len() as u64,
            offset_frames: 0,
        });
        sound.push(channels);
    }
    (Recorded::new(tracks, sound), strokes)
}
