//! Voices of a kit and ways of playing it.

use super::rng::{Rng, ratio};

/// What is struck.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[allow(missing_docs)]
pub enum Voice {
    Kick,
    Snare,
    Tom1,
    Tom2,
    Hat,
    Crash,
    Ride,
}

/// All voices, in the order of their numbers.
pub const VOICES: [Voice; 7] = [
    Voice::Kick,
    Voice::Snare,
    Voice::Tom1,
    Voice::Tom2,
    Voice::Hat,
    Voice::Crash,
    Voice::Ride,
];

impl Voice {
    /// Position in metres.
    pub(super) fn place(self) -> [f64; 3] {
        match self {
            Voice::Kick => [0.0, 0.0, 0.3],
            Voice::Snare => [-0.35, 0.35, 0.65],
            Voice::Tom1 => [0.0, 0.25, 0.85],
            Voice::Tom2 => [0.55, 0.45, 0.6],
            Voice::Hat => [-0.8, 0.35, 0.9],
            Voice::Crash => [-0.45, -0.15, 1.3],
            Voice::Ride => [0.75, 0.0, 1.15],
        }
    }

    pub(super) fn is_drum(self) -> bool {
        self <= Voice::Tom2
    }

    /// Level in the overheads at one metre.
    pub(super) fn overhead_gain(self) -> f64 {
        match self {
            Voice::Kick => 0.35,
            Voice::Snare => 0.6,
            Voice::Tom1 | Voice::Tom2 => 0.5,
            Voice::Hat => 0.7,
            Voice::Crash => 1.0,
            Voice::Ride => 0.8,
        }
    }
}

/// Speed of sound at 20 °C in metres a second.
pub(super) const SOUND_M_S: f64 = 343.0;

pub(super) fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    (0..3).map(|i| (a[i] - b[i]).powi(2)).sum::<f64>().sqrt()
}

/// One stroke of a performance.
#[derive(Clone, Copy, Debug)]
pub struct Stroke {
    /// Seconds from the start.
    pub at_s: f64,
    /// What is struck.
    pub voice: Voice,
    /// How hard, about 0 to 1.
    pub force: f64,
}

/// A way of playing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Style {
    /// Kick and snare in turn, 16 strokes a second, ride with the kick.
    Blast,
    /// Sixteenths on the kick at 16 a second, a snare on the off-beat, crash quarters.
    Double,
    /// Sixteenths over snare and toms at 12 a second, kick below.
    Fill,
    /// Rock with ghost strokes 15 dB down, hat eighths.
    Groove,
}

/// Strokes of one style, with 4 ms of scatter in time and 1.5 dB in force.
pub fn pattern(style: Style, seconds: f64, rng: &mut Rng) -> Vec<Stroke> {
    let tempo = match style {
        Style::Blast | Style::Double => 240.0,
        Style::Fill => 180.0,
        Style::Groove => 120.0,
    };
    let step_s = 60.0 / tempo / 4.0;
    let mut out = Vec::new();
    for i in 0..(seconds / step_s) as usize {
        let mut plan: Vec<(Voice, f64)> = Vec::new();
        match style {
            Style::Blast if i % 2 == 0 => {
                plan.extend([(Voice::Kick, 0.85), (Voice::Ride, 0.6)]);
            }
            Style::Blast => plan.push((Voice::Snare, 0.75)),
            Style::Double => {
                plan.push((Voice::Kick, 0.8));
                if i % 8 == 4 {
                    plan.push((Voice::Snare, 0.95));
                }
                if i % 4 == 0 {
                    plan.push((Voice::Crash, 0.8));
                }
            }
            Style::Fill => {
                let voice = match i % 16 {
                    0..=3 | 12 => Voice::Snare,
                    4..=7 | 13 => Voice::Tom1,
                    _ => Voice::Tom2,
                };
                plan.push((voice, rng.uniform(0.55, 1.0)));
                if i % 2 == 0 {
                    plan.push((Voice::Kick, 0.85));
                }
                if i % 16 == 0 {
                    plan.push((Voice::Crash, 0.9));
                }
            }
            Style::Groove => {
                if i % 2 == 0 {
                    plan.push((Voice::Hat, 0.6));
                }
                if [0, 3, 6, 8, 11].contains(&(i % 16)) {
                    plan.push((Voice::Kick, 0.85));
                }
                if i % 8 == 4 {
                    plan.push((Voice::Snare, 0.95));
                } else if [7, 9, 15].contains(&(i % 16)) {
                    plan.push((Voice::Snare, 0.18));
                }
            }
        }
        for (voice, force) in plan {
            out.push(Stroke {
                at_s: (i as f64 * step_s + rng.normal(0.004)).max(0.0),
                voice,
                force: (force * ratio(rng.normal(1.5))).clamp(0.05, 1.2),
            });
        }
    }
    out.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    out
}

/// A take of metal: 6 s blast, a fill, 6 s double kick, a fill, 6 s groove, and again.
pub fn performance(seconds: f64, rng: &mut Rng) -> Vec<Stroke> {
    let plan = [
        (Style::Blast, 6.0),
        (Style::Fill, 2.67),
        (Style::Double, 6.0),
        (Style::Fill, 2.67),
        (Style::Groove, 6.0),
    ];
    let mut out = Vec::new();
    let mut at = 0.25;
    for (style, length) in plan.iter().cycle() {
        if at >= seconds - 0.5 {
            break;
        }
        let length = f64::min(*length, seconds - 0.5 - at);
        out.extend(pattern(*style, length, rng).into_iter().map(|s| Stroke {
            at_s: s.at_s + at,
            ..s
        }));
        at += length;
    }
    out
}
