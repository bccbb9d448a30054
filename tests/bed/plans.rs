//! Which set-ups there are: kits, rooms, songs, and what goes wrong in each.

use batterhead::dsp::random::Random;

use super::kit::{Shape, Voice};
use super::play::{Part, Playing};

/// Kits are split: what is fitted on the drums of one half is proven on those of the other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Half {
    /// Kits that weights and thresholds may be found on.
    Fit,
    /// The same kits in further shapes and rooms, and with other distances between toms and kick, and two
    /// more kits: what six set-ups are too few for.
    More,
    /// Kits that they never are.
    Prove,
}

/// What goes wrong in a set-up or in one of its takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Mishap {
    /// A cable whose wires are crossed: this mic is inverted in all takes.
    Inverted(&'static str),
    /// Left and right overhead are the other way round.
    SwappedOverheads,
    /// Mains hum at this level (dBFS) in this mic.
    Hum(&'static str, f64, f64),
    /// This mic's preamplifier is so much hotter in this take, in dB.
    Step(&'static str, usize, f64),
    /// This mic clips in this take.
    Clipped(&'static str, usize),
}

/// One take.
#[derive(Clone, Debug)]
pub struct TakePlan {
    pub playing: Playing,
    pub seconds: f64,
    pub seed: u64,
    /// How much higher each drum is than at the first take.
    pub tuned: Vec<(Voice, f64)>,
    /// Somebody talks before it.
    pub talk: bool,
    /// In which song.
    pub song: usize,
}

/// A kit in a room, with its takes.
#[derive(Clone, Debug)]
pub struct Setup {
    pub name: String,
    pub shape: Shape,
    pub room: u64,
    pub takes: Vec<TakePlan>,
    pub mishaps: Vec<Mishap>,
    /// Nothing is wrong and everything is played.
    pub clean: bool,
}

const SONGS: [&[Part]; 4] = [
    &[
        Part::Groove,
        Part::Fill,
        Part::Rest,
        Part::Half,
        Part::Ride,
        Part::Fill,
        Part::Rest,
    ],
    &[
        Part::Crash,
        Part::Blast,
        Part::Rest,
        Part::Fill,
        Part::Half,
        Part::Double,
        Part::Fill,
        Part::Rest,
    ],
    &[
        Part::Toms,
        Part::Fill,
        Part::Rest,
        Part::Half,
        Part::Roll,
        Part::Fill,
        Part::Groove,
        Part::Rest,
    ],
    &[
        Part::Ride,
        Part::Half,
        Part::Fill,
        Part::Rest,
        Part::Crash,
        Part::Half,
        Part::Fill,
        Part::Double,
    ],
];

/// The set-ups of a half: its kits in three shapes each, or in what [`Half::More`] has.
pub fn setups(half: Half) -> Vec<Setup> {
    let kits: &[u8] = match half {
        Half::Fit => &[1, 4],
        Half::More => &[1, 4, 5, 6],
        Half::Prove => &[2, 3],
    };
    let mut all = Vec::new();
    for &kit in kits {
        let variants = match (half, kit) {
            (Half::More, 1 | 4) => 3..SHAPES.len(),
            (Half::More, _) => 0..SHAPES.len(),
            _ => 0..3,
        };
        for variant in variants {
            let (pitch, ring_s, split, toms) = SHAPES[variant];
            let shape = Shape {
                kit,
                pitch,
                ring_s,
                split,
                second: variant % 3 == 2,
            };
            all.push(setup(shape, variant, toms));
        }
    }
    all
}

/// Pitch, ring, distance of two modes, and how much higher the toms are beside the rest of the kit.
const SHAPES: [(f64, f64, f64, f64); 8] = [
    (1.0, 1.8, 0.045, 1.0),
    (1.12, 1.2, 0.035, 1.0),
    (0.88, 2.4, 0.06, 1.0),
    (1.05, 1.5, 0.04, 0.78),
    (0.95, 2.1, 0.05, 1.2),
    (1.15, 1.8, 0.055, 0.85),
    (0.9, 1.3, 0.03, 0.9),
    (1.0, 2.4, 0.06, 0.7),
];

fn setup(shape: Shape, variant: usize, toms: f64) -> Setup {
    let kit = shape.kit;
    let seed = u64::from(kit) * 100 + variant as u64;
    let mut rng = Random::new(seed);
    let clean = variant == 1;
    let count = if clean { 3 } else { 4 };
    let absent = [Voice::Tom2, Voice::Tom3, Voice::Tom1][(kit as usize + variant) % 3];
    let rare = [Voice::Tom1, Voice::Tom2, Voice::Tom3][(kit as usize + variant) % 3];
    let takes = (0..count)
        .map(|number| {
            let song = usize::from(number >= 2);
            let style = (kit as usize + variant + song) % 4;
            let tempo = [96.0, 132.0, 84.0, 112.0][style];
            let heads = [Voice::Snare, Voice::Tom1, Voice::Tom2, Voice::Tom3];
            let tuned = heads
                .into_iter()
                .map(|voice| {
                    let drift = 1.0 - number as f64 * rng.between(0.004, 0.02);
                    // somebody turns the lugs between the songs
                    let again = if song == 1 && voice == Voice::Snare {
                        1.05
                    } else {
                        1.0
                    };
                    let beside = if voice.is_tom() { toms } else { 1.0 };
                    (voice, if clean { 1.0 } else { drift * again * beside })
                })
                .collect();
            TakePlan {
                playing: Playing {
                    tempo_bpm: tempo * rng.between(0.98, 1.02),
                    parts: SONGS[style].to_vec(),
                    without: (!clean && number == 1).then_some(absent),
                    few: (!clean && number == 2).then_some((rare, 2)),
                    count_in: number != 1,
                    lead_s: if number == 0 { 3.0 } else { 0.8 },
                },
                seconds: 30.0,
                seed: seed * 10 + number as u64,
                tuned,
                talk: number == 0,
                song,
            }
        })
        .collect();
    let mishaps = match variant {
        0 => vec![
            Mishap::Inverted("Tom 1"),
            Mishap::Step("Snare Top", 2, 5.0),
            Mishap::Hum("Floor Tom", 50.0, -80.0),
            Mishap::Hum("Kick Out", 50.0, -80.0),
        ],
        2 => vec![
            Mishap::Inverted("Snare Bottom"),
            Mishap::Inverted("Floor Tom"),
            Mishap::SwappedOverheads,
            Mishap::Clipped("Kick In", 1),
            Mishap::Hum("OH L", 60.0, -80.0),
        ],
        _ => Vec::new(),
    };
    Setup {
        name: format!("kit-{kit}{}", char::from(b'a' + variant as u8)),
        shape,
        room: seed,
        takes,
        mishaps,
        clean,
    }
}
