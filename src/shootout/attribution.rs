//! Whose strokes they are: where a take has close mics, its strokes are attributed as `prep` does
//! it, and each mic is compared over the strokes of its own drum.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::Check;
use super::hear::Onset;
use super::input::Candidate;
use super::sound::Sound;
use crate::analysis::{Listener, Material, TakeTrack, Trace, relate};
use crate::block::{Block, FRAMES};
use crate::error::Result;

/// An onset and an attributed stroke within this time are one.
const NEAR_MS: f64 = 15.0;
/// From this probability on a stroke is the drum's.
const OWN: f64 = 0.5;
/// Fewest pairs of strokes whose drums are known on both sides to judge by.
const ENOUGH: usize = 8;

/// When each drum of a take is struck.
#[derive(Clone, Debug, Default)]
pub(super) struct Strokes {
    /// Strokes of a track's own drum, in milliseconds of the take, by the track's label.
    tracks: BTreeMap<String, Vec<f64>>,
    /// The same by drum: those of the mic that has the most.
    drums: BTreeMap<String, Vec<f64>>,
}

impl Strokes {
    /// Tells the drums of a take apart. Of a file, or of a take with fewer than two drums, nothing is
    /// known.
    pub fn of(candidate: &Candidate, check: Check<'_>) -> Result<Self> {
        let tracks: Vec<TakeTrack> = candidate
            .tracks
            .iter()
            .map(|placed| TakeTrack {
                label: placed.track.label.clone(),
                mic: placed.track.mic.name().to_owned(),
                family: placed.track.mic.family,
                side: placed.track.side,
                rate_hz: candidate.rate_hz,
                frames: placed.track.frames(),
                offset_frames: i64::try_from(placed.offset).unwrap_or(0),
            })
            .collect();
        let mut drums: Vec<String> = tracks.iter().filter_map(TakeTrack::drum).collect();
        drums.sort();
        drums.dedup();
        let mut strokes = Self::default();
        if !candidate.is_folder || drums.len() < 2 {
            return Ok(strokes);
        }
        let mut heard = Heard::new(candidate, check)?;
        let evidence = relate(&tracks, &mut heard, None)?;
        for (track, found) in tracks.iter().zip(&evidence.tracks) {
            let (Some(drum), true) = (&found.drum, found.attributed) else {
                continue;
            };
            let begins_ms = track.offset_frames as f64 * 1000.0 / f64::from(track.rate_hz);
            let own = found.hits.iter().filter(|hit| hit.probability >= OWN);
            let own: Vec<f64> = own.map(|hit| hit.at_ms + begins_ms).collect();
            let all = strokes.drums.entry(drum.clone()).or_default();
            if own.len() > all.len() {
                all.clone_from(&own);
            }
            strokes.tracks.insert(track.label.clone(), own);
        }
        Ok(strokes)
    }

    /// Whether the strokes of this track's own drum are known.
    pub fn knows(&self, label: &str) -> bool {
        self.tracks.contains_key(label)
    }

    /// The onsets of a track that are strokes of its own drum; all, where that is not known.
    pub fn own(&self, label: &str, mut onsets: Vec<Onset>) -> Vec<Onset> {
        if let Some(own) = self.tracks.get(label) {
            onsets.retain(|onset| is_near(own, onset.ms));
        }
        onsets
    }

    fn struck_at(&self, ms: f64) -> Vec<&str> {
        let here = self.drums.iter().filter(|(_, own)| is_near(own, ms));
        here.map(|(drum, _)| drum.as_str()).collect()
    }
}

/// In how much of the paired strokes (milliseconds of either take) a drum falls on its like, 0 to 1;
/// `None` where too little is known.
pub(super) fn like_with_like(
    a: &Strokes,
    b: &Strokes,
    pairs: impl Iterator<Item = (f64, f64)>,
) -> Option<f64> {
    let (mut known, mut alike) = (0usize, 0usize);
    for (at_a, at_b) in pairs {
        let (of_a, of_b) = (a.struck_at(at_a), b.struck_at(at_b));
        if !of_a.is_empty() && !of_b.is_empty() {
            known += 1;
            alike += usize::from(of_a.iter().any(|drum| of_b.contains(drum)));
        }
    }
    (known >= ENOUGH).then(|| alike as f64 / known as f64)
}

fn is_near(sorted: &[f64], ms: f64) -> bool {
    let at = sorted.partition_point(|own| *own < ms - NEAR_MS);
    sorted.get(at).is_some_and(|own| *own <= ms + NEAR_MS)
}

/// All tracks of a take, heard once.
struct Heard<'a> {
    candidate: &'a Candidate,
    sounds: Vec<Sound>,
    traces: Vec<Arc<Trace>>,
    check: Check<'a>,
}

impl<'a> Heard<'a> {
    fn new(candidate: &'a Candidate, check: Check<'a>) -> Result<Self> {
        let (mut sounds, mut traces) = (Vec::new(), Vec::new());
        let mut block = Block::default();
        for placed in &candidate.tracks {
            let mut sound = Sound::track(&candidate.root, placed)?;
            let mut listener =
                Listener::new(placed.track.mic.family, candidate.rate_hz, sound.channels());
            let mut at = placed.offset;
            while at < placed.end() {
                check()?;
                let frames = (placed.end() - at).min(FRAMES as u64) as usize;
                sound.read(at as i64, frames, &mut block)?;
                listener.push(&block);
                at += frames as u64;
            }
            traces.push(Arc::new(listener.finish()));
            sounds.push(sound);
        }
        Ok(Self {
            candidate,
            sounds,
            traces,
            check,
        })
    }
}

impl Material for Heard<'_> {
    fn trace(&mut self, track: usize) -> Result<Arc<Trace>> {
        (self.check)()?;
        Ok(self.traces[track].clone())
    }

    fn samples(&mut self, track: usize, first: i64, frames: usize) -> Result<Vec<Vec<f64>>> {
        (self.check)()?;
        let mut block = Block::default();
        let first = first.saturating_add_unsigned(self.candidate.tracks[track].offset);
        self.sounds[track].read(first, frames, &mut block)?;
        Ok(block.channels().map(<[f64]>::to_vec).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn strokes(drums: &[(&str, &[f64])]) -> Strokes {
        let list = drums.iter().map(|(d, at)| ((*d).to_owned(), at.to_vec()));
        Strokes {
            tracks: BTreeMap::new(),
            drums: list.collect(),
        }
    }

    #[test]
    fn a_drum_on_its_like_counts_and_what_nobody_knows_does_not() {
        let kick: Vec<f64> = (0..8).map(|i| 1000.0 * f64::from(i)).collect();
        let snare: Vec<f64> = kick.iter().map(|at| at + 500.0).collect();
        let a = strokes(&[("kick", &kick), ("snare", &snare)]);
        let turned = strokes(&[("kick", &snare), ("snare", &kick)]);
        let pairs = || kick.iter().chain(&snare).map(|at| (*at, at + 9.0));
        assert_eq!(like_with_like(&a, &a, pairs()), Some(1.0));
        assert_eq!(like_with_like(&a, &turned, pairs()), Some(0.0));
        assert_eq!(like_with_like(&a, &strokes(&[]), pairs()), None);
        // both at once is either of them
        let both = strokes(&[("kick", &kick), ("snare", &kick)]);
        assert_eq!(
            like_with_like(&both, &turned, kick.iter().map(|at| (*at, *at))),
            Some(1.0)
        );
    }

    #[test]
    fn onsets_of_a_track_are_kept_where_its_own_drum_is_struck() {
        let onset = |ms| Onset {
            ms,
            strength: 1.0,
            colour_db: [0.0; 4],
        };
        let mut known = Strokes::default();
        known.tracks.insert("snare-top".to_owned(), vec![500.0]);
        let onsets = vec![onset(100.0), onset(507.0), onset(530.0)];
        let own = known.own("snare-top", onsets.clone());
        assert_eq!(own, [onset(507.0)]);
        assert_eq!(known.own("overhead", onsets.clone()), onsets);
    }
}
