//! Dead tracks, and stretches of digital silence.

use super::{Format, PLACES, Sure, found};
use crate::finding::{Finding, FindingKind, Part, Severity};
use crate::units;

/// A track whose peak lies below this was not connected: −80 dBFS.
const DEAD: f64 = 1e-4;
/// Pieces of 10 ms in a row that make a stretch of digital silence.
const STRETCH: u64 = 5;
/// Digital silence is told from this share of the track on, and from this length on.
const TELL_SHARE: f64 = 0.1;
const TELL_S: f64 = 1.0;

#[derive(Clone, Debug)]
pub(super) struct Silence {
    lsb: f64,
    peak: f64,
    frames: u64,
    /// Pieces and frames in the stretch that ends here, and where it began.
    pieces: u64,
    stretch: u64,
    start: u64,
    /// Frames in all stretches that were long enough, and where the first ones began.
    silent: u64,
    starts: Vec<u64>,
}

impl Silence {
    pub fn new(format: Format) -> Self {
        Self {
            lsb: format.lsb,
            peak: 0.0,
            frames: 0,
            pieces: 0,
            stretch: 0,
            start: 0,
            silent: 0,
            starts: Vec::new(),
        }
    }

    /// The next piece, from frame `start` on.
    pub fn tick(&mut self, start: u64, frames: usize, peak: f64) {
        let frames = frames as u64;
        self.peak = self.peak.max(peak);
        self.frames += frames;
        if peak > self.lsb {
            self.pieces = 0;
            return;
        }
        if self.pieces == 0 {
            self.start = start;
            self.stretch = 0;
        }
        self.pieces += 1;
        self.stretch += frames;
        if self.pieces == STRETCH {
            self.silent += self.stretch;
            if self.starts.len() < PLACES {
                self.starts.push(self.start);
            }
        } else if self.pieces > STRETCH {
            self.silent += frames;
        }
    }

    /// Nothing above −80 dBFS.
    pub fn dead(&self) -> bool {
        self.peak < DEAD
    }
}

pub(super) fn finding(format: Format, channels: &[Silence]) -> Option<Finding> {
    let dead = channels.iter().filter(|c| c.dead()).count();
    if dead > 0 {
        let peak = channels
            .iter()
            .filter(|c| c.dead())
            .map(|c| c.peak)
            .fold(0.0, f64::max);
        let kind = FindingKind::Silent {
            part: match (dead, channels.len()) {
                (d, n) if d == n => Part::Whole,
                (1, 2) if channels[0].dead() => Part::Left,
                (1, 2) => Part::Right,
                _ => Part::Some,
            },
            peak_dbfs: units::ratio_to_db(peak).map(|db| units::round_to(db, 1)),
        };
        return Some(found(kind, Severity::Problem, Sure::Certain, vec![0.0]));
    }
    let most = channels.iter().max_by_key(|c| c.silent)?;
    let share = most.silent as f64 / most.frames.max(1) as f64;
    let seconds = format.seconds(most.silent);
    if share < TELL_SHARE || seconds < TELL_S {
        return None;
    }
    let at_s = format.places(&most.starts);
    let share = units::round_to(share, 2);
    let kind = FindingKind::DigitalSilence { seconds, share };
    Some(found(kind, Severity::Note, Sure::Certain, at_s))
}
