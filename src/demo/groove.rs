//! [`perform`]: a drummer: grooves, fills, ghost strokes, crashes, and a hand that is never exact.

use crate::dsp::maths::db_to_ratio;
use crate::dsp::random::Random;

/// What is struck.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Piece {
    /// Bass drum.
    Kick,
    /// Snare drum.
    Snare,
    /// High rack tom.
    Tom1,
    /// Low rack tom.
    Tom2,
    /// Floor tom.
    Floor,
    /// Hi-hat.
    Hat,
    /// Ride cymbal.
    Ride,
    /// Crash at the player's left.
    CrashLeft,
    /// Crash at the player's right.
    CrashRight,
}

/// How it is struck.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// As usual; a hat is closed.
    Plain,
    /// A hat left open.
    Open,
    /// The bell of the ride.
    Bell,
}

/// One stroke.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stroke {
    /// What is struck.
    pub piece: Piece,
    /// Seconds from the start of the files.
    pub at_s: f64,
    /// 1 is a full accent, 0.14 a ghost stroke; linear in amplitude.
    pub force: f64,
    /// How.
    pub way: Way,
}

/// A bar of sixteen steps: `X` accent, `x` medium, `o` soft, `g` ghost, `O` open hat, `B` bell.
type Bar = &'static [(Piece, &'static str)];

/// How a song is played.
#[derive(Debug)]
pub struct Part {
    /// Quarter notes a minute.
    pub tempo: f64,
    /// Bars in turn, before the fill.
    pub bars: &'static [Bar],
    /// The last bar; takes go through them in turn.
    pub fills: &'static [Bar],
}

use Piece::{CrashLeft, CrashRight, Floor, Hat, Kick, Ride, Snare, Tom1, Tom2};

/// A slow rock beat with ghost strokes.
pub const SLOW: Part = Part {
    tempo: 118.0,
    bars: &[
        &[
            (Kick, "X.....x.X..x...."),
            (Snare, "....X..g.g..X..g"),
            (Hat, "..o.x.o.x.o.x.O."),
            (CrashLeft, "X..............."),
        ],
        &[
            (Kick, "X.x...x...X...x."),
            (Snare, "....X.g.g...X.gg"),
            (Hat, "x.o.x.o.x.o.x.o."),
        ],
        &[
            (Kick, "X.....x.X..x...."),
            (Snare, "....X..g....X..."),
            (Ride, "x.o.x.o.B.o.x.o."),
        ],
    ],
    fills: &[
        &[
            (Kick, "X...x...x...x..."),
            (Snare, "XxXx............"),
            (Tom1, "....XxXx........"),
            (Tom2, "........XxXx...."),
            (Floor, "............XxXX"),
        ],
        &[
            (Kick, "X..x..x..x..x.x."),
            (Snare, "X..X..........x."),
            (Tom1, ".xx.xx..X......."),
            (Tom2, ".......xx.X.xX.."),
            (Floor, "...........X..XX"),
        ],
        &[
            (Kick, "X.......X......."),
            (Snare, "x.XX..........XX"),
            (Tom1, ".x..X.X.x......."),
            (Tom2, ".....x.x.XxX...."),
            (Floor, "..........x.XX.."),
        ],
    ],
};

/// Fast: alternating strokes, double kick.
pub const FAST: Part = Part {
    tempo: 174.0,
    bars: &[
        &[
            (Kick, "xxxxxxxxxxxxxxxx"),
            (Snare, "....X.......X..."),
            (CrashRight, "X.......x......."),
            (Ride, "..x.x.x...x.x.x."),
        ],
        &[
            (Kick, "x.x.x.x.x.x.x.x."),
            (Snare, ".o.x.o.x.o.x.o.x"),
            (Hat, "x...x...x...x..."),
            (CrashLeft, "X..............."),
        ],
        &[
            (Kick, "x.x.x.x.x.x.x.x."),
            (Snare, ".o.x.o.x.o.x.oXX"),
            (Ride, "B...x...x...x..."),
        ],
        &[
            (Kick, "X..x..X..x..X..."),
            (Snare, "....X..g.g..X..g"),
            (Hat, "x.o.O...x.o.x.O."),
        ],
    ],
    fills: &[
        &[
            (Kick, "x.x.x.x.x.x.x.x."),
            (Snare, "XxX............."),
            (Tom1, "...XxXx........."),
            (Tom2, ".......XxXxX...."),
            (Floor, "............xXxX"),
        ],
        &[
            (Kick, "X...X...X...X..."),
            (Snare, "Xx......Xx......"),
            (Tom1, "..Xx......X....."),
            (Tom2, "....Xx.....xX..."),
            (Floor, "......Xx.....xXX"),
        ],
    ],
};

/// Silence before the first stroke, for whoever listens to the noise.
pub const LEAD_S: f64 = 1.25;
/// Time that the last crash is left to ring.
pub const TAIL_S: f64 = 1.6;

/// The strokes of take `number` (from 1) of about `seconds`, in order of time. Scatter: 3 ms and
/// 1.2 dB, common practice, no source.
pub fn perform(part: &Part, seed: u64, number: u32, seconds: f64) -> Vec<Stroke> {
    let mut random = Random::of(seed ^ u64::from(number) << 32, "drummer");
    let step_s = 60.0 / part.tempo / 4.0;
    let bars = (((seconds - LEAD_S - TAIL_S) / (16.0 * step_s)) as usize).max(1);
    let turn = number.saturating_sub(1) as usize;
    let mut strokes = Vec::new();
    let mut add = |piece, step: usize, force: f64, way| {
        let at_s = LEAD_S + step as f64 * step_s + (0.003 * random.bell()).clamp(-0.009, 0.009);
        let force = force * db_to_ratio((1.2 * random.bell()).min(2.5));
        strokes.push(Stroke {
            piece,
            at_s,
            force,
            way,
        });
    };
    for bar in 0..bars {
        let lines = if bar + 1 == bars {
            part.fills[turn % part.fills.len()]
        } else {
            part.bars[(bar + turn) % part.bars.len()]
        };
        for (piece, steps) in lines {
            for (step, letter) in steps.chars().enumerate() {
                let (force, way) = match letter {
                    'X' => (1.0, Way::Plain),
                    'x' => (0.7, Way::Plain),
                    'o' => (0.45, Way::Plain),
                    'g' => (0.14, Way::Plain),
                    'O' => (0.8, Way::Open),
                    'B' => (0.8, Way::Bell),
                    _ => continue,
                };
                add(*piece, bar * 16 + step, force, way);
            }
        }
    }
    for piece in [Kick, CrashLeft, CrashRight] {
        add(piece, bars * 16, 1.0, Way::Plain);
    }
    strokes.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    strokes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bar_has_sixteen_steps_of_known_letters() {
        for part in [SLOW, FAST] {
            for (_, steps) in part.bars.iter().chain(part.fills).copied().flatten() {
                assert_eq!(steps.len(), 16, "{steps}");
                assert!(steps.chars().all(|c| "XxogOB.".contains(c)), "{steps}");
            }
        }
    }

    #[test]
    fn three_takes_strike_every_drum_often_enough_to_judge_it() {
        for part in [SLOW, FAST] {
            for piece in [Kick, Snare, Tom1, Tom2, Floor] {
                let count = (1..=3)
                    .flat_map(|number| perform(&part, 1, number, 10.0))
                    .filter(|stroke| stroke.piece == piece && stroke.force > 0.5)
                    .count();
                assert!(count >= 8, "{piece:?}: {count}");
            }
        }
    }

    #[test]
    fn takes_differ_and_a_take_repeats_itself() {
        let take = |number| perform(&SLOW, 3, number, 10.0);
        assert_eq!(take(1), take(1));
        assert_ne!(take(1), take(2));
        assert!(take(2).iter().all(|s| s.at_s > 1.0 && s.at_s < 9.0));
    }
}
