//! Which tracks of a take belong to one drum, and which of them hears it first.

use crate::analysis::attribution::attribute::Drum;
use crate::analysis::strokes::moments::Rise;
use crate::session::mic::drum;
use crate::session::{Family, Side};

/// A track of a take, as far as evidence needs to know it.
#[derive(Clone, Debug, PartialEq)]
pub struct TakeTrack {
    /// Its name in the take, unique: `snare-top`, `china-r`, `tom-2`.
    pub label: String,
    /// Name of the mic in the table: `snare-top`, `china`, `tom-2`.
    pub mic: String,
    /// Part of the kit.
    pub family: Family,
    /// Side, where it is one of several.
    pub side: Option<Side>,
    /// Frames a second.
    pub rate_hz: u32,
    /// Frames of the track.
    pub frames: u64,
    /// Where it starts, in its own frames after the start of the take.
    pub offset_frames: i64,
}

impl TakeTrack {
    /// Where it starts in whole milliseconds of the take.
    pub(crate) fn offset_ms(&self) -> i64 {
        (self.offset_frames * 1000).div_euclid(i64::from(self.rate_hz.max(1)))
    }

    /// The drum that it belongs to, a drum of its own where nobody knows what it stands at; `None` for
    /// overheads, rooms and what is not a mic of the kit.
    pub fn drum(&self) -> Option<String> {
        match self.family {
            Family::Unknown => Some(self.label.clone()),
            _ => drum(self.family, &self.mic, self.side),
        }
    }

    /// Whether it fires with the strokes of a drum.
    pub(crate) fn is_trigger(&self) -> bool {
        self.family == Family::Utility && self.mic.contains("trigger")
    }

    /// Whether it holds the metronome itself.
    pub(crate) fn is_click(&self) -> bool {
        self.family == Family::Utility && self.mic == "click"
    }

    /// Smaller for the mic that hears its drum first and most clearly.
    fn rank(&self) -> usize {
        const ORDER: [&str; 6] = [
            "kick-in",
            "kick-out",
            "kick-sub",
            "snare-top",
            "snare-side",
            "snare-bottom",
        ];
        ORDER
            .iter()
            .position(|m| *m == self.mic)
            .unwrap_or(ORDER.len())
    }
}

/// The drums of a take, each with its own mic's track, in order of the tracks.
pub(crate) fn drums(tracks: &[TakeTrack]) -> Vec<(String, Drum)> {
    let mut drums: Vec<(String, Drum)> = Vec::new();
    for (index, track) in tracks.iter().enumerate() {
        let Some(name) = track.drum() else { continue };
        match drums.iter_mut().find(|(n, _)| *n == name) {
            Some((_, drum)) => {
                if track.rank() < tracks[drum.own].rank() {
                    drum.own = index;
                }
            }
            None => drums.push((
                name,
                Drum {
                    family: track.family,
                    is_ride: track.mic == "ride",
                    own: index,
                },
            )),
        }
    }
    drums
}

/// An unknown mic stands at a drum of its own if it hears so many strokes before all others, and such a
/// share of its loud ones.
const OWN_STROKES: usize = 3;
const OWN_SHARE: f64 = 0.1;
/// Loud is what lies within this of its loudest.
const LOUD: f32 = 0.03;
/// An attack this clear has a time.
const CLEAR_DB: f32 = 8.0;

/// Whether a mic of which nobody knows what it stands at is some drum's close mic: no copy, second mic
/// or room mic hears anything first. `rises` are those of all tracks, `close` those of other drums.
pub(crate) fn stands_close(rises: &[Vec<Rise>], own: usize, close: &[usize]) -> bool {
    let level = |rise: &Rise| rise.energy.iter().sum::<f32>();
    let top = rises[own].iter().map(level).fold(0.0, f32::max);
    let loud = (0..rises[own].len()).filter(|&m| level(&rises[own][m]) > LOUD * top);
    let first = |m: &usize| {
        let here = &rises[own][*m];
        let before = |other: &usize| {
            let there = &rises[*other][*m];
            there.attack_db < CLEAR_DB || there.arrival_parts > here.arrival_parts
        };
        here.attack_db >= CLEAR_DB && close.iter().all(before)
    };
    let (count, led) = loud.fold((0, 0), |(count, led), m| {
        (count + 1, led + usize::from(first(&m)))
    });
    led >= OWN_STROKES && led as f64 >= OWN_SHARE * f64::from(count)
}
