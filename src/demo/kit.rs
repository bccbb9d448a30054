//! The kit: what each piece sounds like, before any microphone.
//!
//! Drum heads have the modes of the ideal membrane, moved a little as two-headed drums do; cymbals
//! have many inharmonic modes and some noise. Tunings and decays are common practice, no source.

use super::bank::{Bank, Mode, Push};
use super::colour::Band;
use super::groove::{Piece, Stroke, Way};
use super::space::{Point, SOUND_M_S};
use crate::dsp::maths::{cos, db_to_ratio, exp, pow};
use crate::dsp::random::Random;
use std::f64::consts::TAU;

/// Zeros of the Bessel functions J_m, with m: the modes of the ideal membrane (m nodal diameters),
/// frequencies in proportion. Fletcher and Rossing, *The Physics of Musical Instruments*; the
/// digits recomputed.
const MEMBRANE: [(i32, f64); 14] = [
    (0, 2.404_825_557_7),
    (1, 3.831_705_970_2),
    (2, 5.135_622_301_8),
    (0, 5.520_078_110_3),
    (3, 6.380_161_895_9),
    (1, 7.015_586_669_8),
    (4, 7.588_342_434_5),
    (2, 8.417_244_140_4),
    (0, 8.653_727_912_9),
    (5, 8.771_483_816_0),
    (3, 9.761_023_130_0),
    (6, 9.936_109_524_2),
    (1, 10.173_468_135_1),
    (4, 11.064_709_488_5),
];
/// The air between two heads splits (0,1) into a pair. Rossing, Bork, Zhao and Fystrom, JASA 92, 84
/// (1992) give about 182 and 330 Hz for a snare drum (from memory).
const UPPER_PARTNER: f64 = 330.0 / 182.0;
/// A drum that is not struck rings along at about −26 dB.
const SYMPATHY: f64 = 0.05;

/// A drum of the kit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drum {
    /// What it is tuned to: the lower (0,1) mode at rest, Hz.
    pub fundamental_hz: f64,
    /// Decay of the fundamental, seconds for 60 dB.
    pub t60_s: f64,
    /// How much sharper a full accent starts, as a ratio.
    pub glide: f64,
}

/// The drums of a song; cymbals are the same for everyone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Kit {
    /// Bass drum.
    pub kick: Drum,
    /// Snare drum.
    pub snare: Drum,
    /// High rack, low rack, floor.
    pub toms: [Drum; 3],
}

/// One radiating part of a piece.
#[derive(Clone, Debug)]
pub struct Voice {
    /// Which piece it belongs to.
    pub piece: Piece,
    /// Part of the piece, for seeds.
    pub name: &'static str,
    /// Where it radiates from, for mics above `sign_change_m`.
    pub over: Point,
    /// Where it radiates from for mics below.
    pub under: Point,
    /// The height under which a mic sees the other side, whose pressure has the other sign: a head
    /// struck from above moves away from the mic above it. `None`: the same sign all round.
    pub sign_change_m: Option<f64>,
    /// How large it is: nearer than this it gets hardly any louder.
    pub radius_m: f64,
    /// Where its near field ends, 1/k of its lowest mode: nearer than this, the air that is pushed to
    /// and fro between the two sides of a head adds to what is radiated. 0: no such field.
    pub near_field_m: f64,
    /// Pressure at 1 m.
    pub samples: Vec<f64>,
}

/// Where a piece stands (its struck side) and where its other side is.
pub fn place(piece: Piece) -> (Point, Point) {
    let (x, y, z, depth) = match piece {
        Piece::Kick => return ([0.25, 0.45, 0.30], [0.25, 0.80, 0.30]),
        Piece::Snare => (0.0, 0.0, 0.62, 0.14),
        Piece::Tom1 => (0.05, 0.45, 0.82, 0.22),
        Piece::Tom2 => (0.44, 0.45, 0.80, 0.24),
        Piece::Floor => (0.75, 0.02, 0.62, 0.36),
        Piece::Hat => (-0.42, 0.12, 0.88, 0.0),
        Piece::Ride => (0.86, 0.48, 1.00, 0.0),
        Piece::CrashLeft => (-0.42, 0.55, 1.20, 0.0),
        Piece::CrashRight => (0.72, 0.80, 1.22, 0.0),
    };
    ([x, y, z], [x, y, z - depth])
}

/// All voices of the kit for `frames` samples of `strokes` (in order of time).
pub fn voices(kit: &Kit, strokes: &[Stroke], frames: usize, rate_hz: f64, seed: u64) -> Vec<Voice> {
    let player = Player {
        strokes,
        frames,
        rate_hz,
        seed,
    };
    let mut voices = Vec::new();
    let drums = [
        (Piece::Kick, kit.kick),
        (Piece::Snare, kit.snare),
        (Piece::Tom1, kit.toms[0]),
        (Piece::Tom2, kit.toms[1]),
        (Piece::Floor, kit.toms[2]),
    ];
    for (piece, drum) in drums {
        let (over, under) = place(piece);
        let head = player.head(piece, &drum);
        let upright = piece != Piece::Kick;
        let sign_change_m = upright.then(|| 0.5 * (over[2] + under[2]));
        // 1/k of the fundamental; a kick's front head stands in the open like a piston
        let near_field_m = match upright {
            true => SOUND_M_S / (TAU * drum.fundamental_hz),
            false => 0.0,
        };
        let mut add = |name, over, under, sign_change_m, radius_m, near_field_m, samples| {
            voices.push(Voice {
                piece,
                name,
                over,
                under,
                sign_change_m,
                radius_m,
                near_field_m,
                samples,
            });
        };
        add("attack", over, over, None, 0.04, 0.0, player.attack(piece));
        if piece == Piece::Snare {
            let wires = player.wires(&head);
            add("wires", under, under, sign_change_m, 0.10, 0.0, wires);
        }
        // a kick is heard from its front, which moves outward on every stroke
        let over = if upright { over } else { under };
        add("head", over, under, sign_change_m, 0.13, near_field_m, head);
    }
    for piece in [Piece::Hat, Piece::Ride, Piece::CrashLeft, Piece::CrashRight] {
        let (over, under) = place(piece);
        let mut samples = player.plate(piece);
        if piece == Piece::Ride {
            // What a drummer plays time on is heard by its stick. Common practice, no source.
            let sticks = player.attack(piece);
            samples.iter_mut().zip(sticks).for_each(|(y, x)| *y += x);
        }
        voices.push(Voice {
            piece,
            name: "plate",
            over,
            under,
            sign_change_m: None,
            radius_m: 0.15,
            near_field_m: 0.0,
            samples,
        });
    }
    voices
}

/// Loudness of a piece at force 1, re an accent on the snare. Common practice, no source.
fn level(piece: Piece) -> f64 {
    db_to_ratio(match piece {
        Piece::Kick => 0.0,
        Piece::Snare => 0.0,
        Piece::Tom1 => 2.5,
        Piece::Tom2 => 2.0,
        Piece::Floor => 1.0,
        Piece::Hat => -11.5,
        Piece::Ride => -13.5,
        Piece::CrashLeft | Piece::CrashRight => -8.0,
    })
}

struct Player<'a> {
    strokes: &'a [Stroke],
    frames: usize,
    rate_hz: f64,
    seed: u64,
}

impl Player<'_> {
    fn frame(&self, at_s: f64) -> usize {
        (at_s * self.rate_hz).round() as usize
    }

    fn samples(&self, ms: f64) -> usize {
        ((ms * self.rate_hz / 1000.0).round() as usize).max(1)
    }

    fn of(&self, piece: Piece) -> impl Iterator<Item = &Stroke> {
        self.strokes.iter().filter(move |s| s.piece == piece)
    }

    /// The heads of a drum: its own strokes, and what the others shake.
    fn head(&self, piece: Piece, drum: &Drum) -> Vec<f64> {
        let mut random = Random::of(self.seed, &format!("{piece:?} head"));
        // the drum itself is the same in every take: no seed
        let mut build = Random::of(0, &format!("{piece:?}"));
        let fundamental = MEMBRANE[0].1;
        let mut modes = Vec::new();
        let mut shapes = Vec::new();
        let mut mode = |m: i32, zero: f64, ratio: f64, weight: f64| {
            let decay = if m == 0 { 1.0 } else { 1.15 };
            modes.push(Mode {
                freq_hz: drum.fundamental_hz * ratio,
                t60_s: drum.t60_s * decay * pow(ratio, -0.9),
            });
            shapes.push((m, zero, weight / f64::from(m + 1)));
        };
        for (i, (m, zero)) in MEMBRANE.into_iter().enumerate() {
            let moved = if i == 0 {
                1.0
            } else {
                1.0 + 0.02 * build.bell()
            };
            mode(m, zero, zero / fundamental * moved, 1.0);
        }
        mode(
            0,
            fundamental,
            UPPER_PARTNER * build.between(0.97, 1.03),
            0.4,
        );

        let bank = Bank {
            modes: &modes,
            glide: drum.glide,
            rate_hz: self.rate_hz,
        };
        let (contact_ms, off_centre) = match piece {
            Piece::Kick => (4.0, 0.15),
            Piece::Snare => (1.2, 0.2),
            _ => (1.8, 0.25),
        };
        let pushes: Vec<Push> = (self.strokes.iter())
            .filter(|s| s.piece == piece || is_drum(s.piece))
            .map(|stroke| {
                let own = stroke.piece == piece;
                let (late_ms, contact_ms, force) = if own {
                    (
                        0.0,
                        contact_ms * (1.3 - 0.3 * stroke.force.min(1.0)),
                        stroke.force,
                    )
                } else {
                    (1.5, 5.0, SYMPATHY * stroke.force)
                };
                let radius = (off_centre + 0.05 * random.bell()).clamp(0.02, 0.6);
                let angle = random.between(-0.5, 0.5);
                let amounts = (shapes.iter())
                    .map(|&(m, zero, weight)| {
                        let there = libm::jn(m, zero * radius) * cos(f64::from(m) * angle);
                        level(piece) * force * weight * there / libm::jn(m + 1, zero).abs()
                    })
                    .map(|amount| amount * 0.52) // (0,1) alone is 1 at the centre
                    .collect();
                Push {
                    at: self.frame(stroke.at_s) + self.samples(late_ms),
                    contact: self.samples(contact_ms),
                    amounts,
                    damped_to_s: None,
                }
            })
            .collect();
        bank.sound(&in_order(pushes), self.frames)
    }

    /// The stick or beater itself: a short burst, brighter for harder strokes.
    fn attack(&self, piece: Piece) -> Vec<f64> {
        let (gain, decay_ms, bright_hz, dull_hz) = match piece {
            Piece::Kick => (0.22, 2.5, 4500.0, 700.0),
            Piece::Snare => (0.3, 2.2, 9000.0, 900.0),
            Piece::Ride => (0.6, 2.0, 12_000.0, 2500.0),
            _ => (0.22, 2.8, 6000.0, 700.0),
        };
        let mut sound = vec![0.0; self.frames];
        for (i, stroke) in self.of(piece).enumerate() {
            let mut random = Random::of(self.seed + i as u64, &format!("{piece:?} stick"));
            let hardness = 0.4 + 0.6 * stroke.force.min(1.0);
            let mut band = Band::new(dull_hz, bright_hz * hardness, self.rate_hz);
            let amount = level(piece) * gain * stroke.force * db_to_ratio(1.5 * random.bell());
            let fall = exp(-1000.0 / (decay_ms * self.rate_hz));
            let mut envelope = 3.0 * amount;
            let start = self.frame(stroke.at_s);
            let length = self.samples(12.0 * decay_ms);
            for out in sound.iter_mut().skip(start).take(length) {
                *out += band.next(envelope * random.noise());
                envelope *= fall;
            }
        }
        sound
    }

    /// Snare wires: noise that the lower head throws off, as long as it moves enough.
    fn wires(&self, head: &[f64]) -> Vec<f64> {
        let mut random = Random::of(self.seed, "wires");
        let mut band = Band::new(1500.0, 8000.0, self.rate_hz);
        let fall = exp(-1.0 / (0.040 * self.rate_hz));
        let mut motion = 0.0f64;
        (head.iter())
            .map(|y| {
                motion = (motion * fall).max(y.abs());
                let open = (motion - 0.004).max(0.0);
                let slap = if *y > 0.0 { 1.0 } else { 0.35 };
                band.next(1.1 * open * slap * random.noise())
            })
            .collect()
    }

    /// A cymbal or hat: many modes, shaken again by the stroke's own turbulence for a moment, and
    /// some noise.
    fn plate(&self, piece: Piece) -> Vec<f64> {
        let plate = match piece {
            Piece::Hat => Plate::new(70, 330.0, 15_000.0, 1.1, 0.004),
            Piece::Ride => Plate::new(100, 210.0, 14_000.0, 2.2, 0.006),
            _ => Plate::new(130, 190.0, 15_000.0, 2.4, 0.030),
        };
        let mut build = Random::of(0, &format!("{piece:?}"));
        let modes: Vec<Mode> = (0..plate.count)
            .map(|i| {
                let share = (i as f64 + build.between(0.0, 0.9)) / plate.count as f64;
                let freq_hz = plate.low_hz * pow(plate.high_hz / plate.low_hz, pow(share, 0.7));
                Mode {
                    freq_hz,
                    t60_s: plate.t60_s * pow(freq_hz / 600.0, -0.45) * build.between(0.7, 1.3),
                }
            })
            .collect();
        let bank = Bank {
            modes: &modes,
            glide: 0.0,
            rate_hz: self.rate_hz,
        };
        let mut random = Random::of(self.seed, &format!("{piece:?} stroke"));
        let mut pushes = Vec::new();
        let mut wash = vec![0.0; self.frames];
        for stroke in self.of(piece) {
            let open = stroke.way == Way::Open;
            let force = level(piece) * stroke.force / (plate.count as f64).sqrt();
            let damped_to_s = (piece == Piece::Hat).then_some(if open { 5.0 } else { 0.16 });
            let bell = stroke.way == Way::Bell;
            let mut push = |late_s: f64, force: f64, damped_to_s| {
                let amounts = (modes.iter())
                    .map(|mode| {
                        // the bell rings low, turbulence feeds the high modes
                        let tilt = if bell { -0.5 } else { 0.25 };
                        force * random.bell() * pow(mode.freq_hz / 2500.0, tilt)
                    })
                    .collect();
                pushes.push(Push {
                    at: self.frame(stroke.at_s + late_s),
                    contact: self.samples(0.12),
                    amounts,
                    damped_to_s,
                });
            };
            push(0.0, 1.4 * force, damped_to_s);
            for i in 1..=12 {
                let late_s = plate.bloom_s * f64::from(i) / 6.0;
                push(late_s, 0.7 * force * exp(-f64::from(i) / 5.0), None);
            }
            let decay_s = match (piece, open) {
                (Piece::Hat, false) => 0.018,
                (Piece::Hat, true) => 0.16,
                (Piece::Ride, _) => 0.05,
                _ => 0.22,
            };
            let mut band = Band::new(4000.0, 14_000.0, self.rate_hz);
            let fall = exp(-1.0 / (decay_s * self.rate_hz));
            let mut envelope = 0.55 * level(piece) * stroke.force;
            let start = self.frame(stroke.at_s);
            let length = (8.0 * decay_s * self.rate_hz) as usize;
            for out in wash.iter_mut().skip(start).take(length) {
                *out += band.next(envelope * random.noise());
                envelope *= fall;
            }
        }
        let mut sound = bank.sound(&in_order(pushes), self.frames);
        for (out, wash) in sound.iter_mut().zip(wash) {
            *out += wash;
        }
        sound
    }
}

fn is_drum(piece: Piece) -> bool {
    use Piece::{Floor, Kick, Snare, Tom1, Tom2};
    matches!(piece, Kick | Snare | Tom1 | Tom2 | Floor)
}

fn in_order(mut pushes: Vec<Push>) -> Vec<Push> {
    pushes.sort_by_key(|push| push.at);
    pushes
}

struct Plate {
    count: usize,
    low_hz: f64,
    high_hz: f64,
    t60_s: f64,
    bloom_s: f64,
}

impl Plate {
    fn new(count: usize, low_hz: f64, high_hz: f64, t60_s: f64, bloom_s: f64) -> Self {
        Self {
            count,
            low_hz,
            high_hz,
            t60_s,
            bloom_s,
        }
    }
}
