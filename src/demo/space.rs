//! The room: distances, directions, first reflections and a tail, and what each mic makes of them.

use super::colour::{TINY, one_pole};
use super::groove::Piece;
use super::kit::Voice;
use crate::dsp::maths::db_to_ratio;
use crate::dsp::random::Random;

/// Metres: x to the player's right, y forward, z up; the snare stands over the origin.
pub type Point = [f64; 3];

/// Speed of sound at 20 °C, ISO 9613-1:1993.
pub const SOUND_M_S: f64 = 343.2;

/// The walls: lower and upper corner.
const ROOM: (Point, Point) = ([-2.9, -2.3, 0.0], [3.4, 5.2, 3.3]);
/// What a wall gives back, amplitude.
const WALL: f64 = 0.55;
/// Above this it swallows more.
const WALL_HZ: f64 = 5000.0;
/// Where the tail is as loud as the direct sound of an accent: a small lively room.
const CRITICAL_DISTANCE_M: f64 = 1.2;
/// Decay of the tail at low frequencies.
const ROOM_T60_S: f64 = 0.55;

/// One microphone capsule.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Capsule {
    /// Where it is.
    pub place: Point,
    /// What it is aimed at.
    pub aim: Point,
    /// 0 hears all round, 1 is a cardioid.
    pub directivity: f64,
    /// Inside the shell of this piece, which keeps the others out.
    pub inside: Option<Piece>,
    /// Whether it hears the first reflections (those close to a drum are drowned by it).
    pub ambient: bool,
}

/// How a voice gets to a capsule.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Path {
    /// Distance / speed of sound.
    pub delay_s: f64,
    /// 1/r, the capsule's pattern, the sign of the side it sees.
    pub gain: f64,
    /// Off-axis sound is dull.
    pub lowpass_hz: f64,
}

/// The direct path. `scatter_db` stands for all that geometry does not say.
pub fn path(voice: &Voice, capsule: &Capsule, scatter_db: f64) -> Path {
    let (from, sign) = match voice.sign_change_m {
        Some(height_m) if capsule.place[2] > height_m => (voice.over, -1.0),
        Some(_) => (voice.under, 1.0),
        None => (voice.over, 1.0),
    };
    let distance_m = distance(from, capsule.place);
    let (pattern, lowpass_hz) = pattern(capsule, from);
    let near = (distance_m * distance_m + voice.radius_m * voice.radius_m).sqrt();
    // a dipole's pressure: (1/r) √(1 + 1/(kr)²), Kinsler and others, *Fundamentals of Acoustics*
    // (from memory)
    let close = (1.0 + (voice.near_field_m / near) * (voice.near_field_m / near)).sqrt();
    let facing = match voice.sign_change_m {
        Some(_) => facing(voice.radius_m, distance_m, capsule.place[2] - from[2]),
        None => 1.0,
    };
    let (shield, lowpass_hz) = match capsule.inside {
        Some(piece) if piece != voice.piece => (0.3, lowpass_hz.min(2500.0)),
        _ => (1.0, lowpass_hz),
    };
    Path {
        delay_s: distance_m / SOUND_M_S,
        gain: sign * shield * facing * pattern * close / near * db_to_ratio(scatter_db),
        lowpass_hz,
    }
}

/// What is left of a head's sound in its own plane: a head pushes air up and down, both heads of a
/// drum together, and little of it sideways (a dipole; Fletcher and Rossing, *The Physics of Musical
/// Instruments*, ch. 18, from memory). How much, is common practice, no source.
const EDGE_ON: f64 = 0.3;

/// How much of a level head's sound a capsule gets that is `rise_m` above or below it. Close to the
/// head it is over it, not beside it.
fn facing(radius_m: f64, distance_m: f64, rise_m: f64) -> f64 {
    let upward = (rise_m.abs() + radius_m) / (distance_m + radius_m).max(1e-6);
    EDGE_ON + (1.0 - EDGE_ON) * upward.min(1.0)
}

/// What a capsule makes of sound from `from`: amplitude and low-pass.
fn pattern(capsule: &Capsule, from: Point) -> (f64, f64) {
    let towards = |to: Point| {
        let d: Point = std::array::from_fn(|i| to[i] - capsule.place[i]);
        let length = distance(to, capsule.place).max(1e-6);
        d.map(|x| x / length)
    };
    let (axis, source) = (towards(capsule.aim), towards(from));
    let cosine: f64 = axis.iter().zip(source).map(|(a, b)| a * b).sum();
    let front = 0.5 + 0.5 * cosine;
    let amplitude = 1.0 - capsule.directivity * (1.0 - front.max(0.12));
    (amplitude, 3500.0 + 14_000.0 * front)
}

fn distance(a: Point, b: Point) -> f64 {
    let square: f64 = (0..3).map(|i| (a[i] - b[i]) * (a[i] - b[i])).sum();
    square.sqrt()
}

/// All voices of a take in the room, ready to be picked up.
pub struct Scene {
    voices: Vec<Voice>,
    tail: [Vec<f64>; LINES],
    frames: usize,
    rate_hz: f64,
}

impl Scene {
    /// Lets the room answer to `voices` of `frames` samples each.
    pub fn new(voices: Vec<Voice>, frames: usize, rate_hz: f64) -> Self {
        let tail = tail(&voices, frames, rate_hz);
        Self {
            voices,
            tail,
            frames,
            rate_hz,
        }
    }

    /// What a capsule picks up, pressure at 1 m from an accent about 1. `name` decides the scatter
    /// of its paths, the same in every take.
    pub fn pick_up(&self, capsule: &Capsule, name: &str) -> Vec<f64> {
        let mut sound = vec![0.0; self.frames];
        for voice in &self.voices {
            let part = format!("{name} {:?} {}", voice.piece, voice.name);
            let scatter_db = 1.2 * Random::of(0, &part).bell();
            let path = path(voice, capsule, scatter_db);
            add_path(&mut sound, &voice.samples, &path, self.rate_hz);
        }
        if capsule.ambient {
            self.add_reflections(&mut sound, capsule);
        }
        // a cardioid takes up a third of the power of sound from everywhere
        let diffuse = 1.0 - 0.42 * capsule.directivity;
        let shield = if capsule.inside.is_some() { 0.2 } else { 1.0 };
        let gain = diffuse * shield / CRITICAL_DISTANCE_M;
        let mut random = Random::of(0, &format!("{name} tail"));
        let farther_s = distance(capsule.place, [0.2, 0.3, 0.7]) / SOUND_M_S;
        for line in &self.tail {
            let sign = if random.noise() < 0.0 { -gain } else { gain };
            let late_s = farther_s + random.between(0.0, 0.011);
            let late = (late_s * self.rate_hz) as usize;
            for (out, tail) in sound.iter_mut().skip(late).zip(line) {
                *out += sign * tail;
            }
        }
        sound
    }

    /// Adds the first reflections from the six walls, dulled together.
    fn add_reflections(&self, sound: &mut [f64], capsule: &Capsule) {
        let mut walls = vec![0.0; self.frames];
        for voice in &self.voices {
            for wall in 0..6 {
                let (delay_s, gain) = reflection(voice, capsule, wall);
                let delay = (delay_s * self.rate_hz).round() as usize;
                for (out, x) in walls.iter_mut().skip(delay).zip(&voice.samples) {
                    *out += gain * x;
                }
            }
        }
        let coefficient = one_pole(WALL_HZ, self.rate_hz);
        let mut low = 0.0;
        for (out, x) in sound.iter_mut().zip(walls) {
            low += coefficient * (x + TINY - low);
            *out += low;
        }
    }
}

/// Adds `samples` by way of `path`: four-point Lagrange interpolation between samples, then a
/// one-pole low-pass.
fn add_path(sound: &mut [f64], samples: &[f64], path: &Path, rate_hz: f64) {
    let delay = path.delay_s * rate_hz;
    let whole = (delay as usize).max(2);
    let d = (delay - whole as f64).max(0.0);
    let coefficient = one_pole(path.lowpass_hz, rate_hz);
    let keep = 1.0 - coefficient;
    // the first tap looks one sample ahead of the whole delay
    let [ahead, here, back, farther] = [
        -d * (d - 1.0) * (d - 2.0) / 6.0,
        (d + 1.0) * (d - 1.0) * (d - 2.0) / 2.0,
        -(d + 1.0) * d * (d - 2.0) / 2.0,
        (d + 1.0) * d * (d - 1.0) / 6.0,
    ]
    .map(|tap| tap * path.gain * coefficient);
    let mut low = 0.0;
    // every voice starts with two silent samples at least, so the first whole window loses nothing
    let out = sound.iter_mut().skip(whole + 2);
    for (out, x) in out.zip(samples.windows(4)) {
        let moved = ahead * x[3] + here * x[2] + back * x[1] + farther * x[0];
        low = low * keep + (moved + TINY);
        *out += low;
    }
}

/// Delay (s) and gain of the first reflection from one of the six walls: the source mirrored in it.
fn reflection(voice: &Voice, capsule: &Capsule, wall: usize) -> (f64, f64) {
    let axis = wall / 2;
    let plane = if wall.is_multiple_of(2) {
        ROOM.0[axis]
    } else {
        ROOM.1[axis]
    };
    let mut image = voice.over;
    image[axis] = 2.0 * plane - image[axis];
    let distance_m = distance(image, capsule.place);
    let (pattern, _) = pattern(capsule, image);
    (distance_m / SOUND_M_S, WALL * pattern / distance_m)
}

const LINES: usize = 8;
/// Lengths of the delay lines in ms; no two in a simple ratio.
const LINE_MS: [f64; LINES] = [23.1, 26.9, 31.3, 35.9, 41.1, 46.7, 53.3, 59.9];

/// The diffuse tail as eight signals of equal power (each mic hears its own mixture): a feedback
/// delay network whose lines are mixed by the Householder matrix 1 − 2/n, which keeps the energy.
fn tail(voices: &[Voice], frames: usize, rate_hz: f64) -> [Vec<f64>; LINES] {
    let mut sends = [vec![0.0; frames], vec![0.0; frames]];
    for voice in voices {
        let right = (0.5 + 0.4 * voice.over[0]).clamp(0.1, 0.9);
        for (send, share) in sends.iter_mut().zip([1.0 - right, right]) {
            for (send, x) in send.iter_mut().zip(&voice.samples) {
                *send += share * x;
            }
        }
    }
    let lengths = LINE_MS.map(|ms| (ms * rate_hz / 1000.0) as usize);
    let feedback = LINE_MS.map(|ms| db_to_ratio(-60.0 * ms / 1000.0 / ROOM_T60_S));
    let damping = one_pole(5500.0, rate_hz);
    let mut lines = lengths.map(|length| vec![0.0; length]);
    let mut at = [0usize; LINES];
    let mut dull = [0.0f64; LINES];
    let mut tail: [Vec<f64>; LINES] = std::array::from_fn(|_| Vec::with_capacity(frames));
    for (left, right) in sends[0].iter().zip(&sends[1]) {
        for i in 0..LINES {
            dull[i] += damping * (feedback[i] * lines[i][at[i]] + TINY - dull[i]);
        }
        let mean = dull.iter().sum::<f64>() * 2.0 / LINES as f64;
        for i in 0..LINES {
            let fresh = if i % 2 == 0 { left } else { right };
            lines[i][at[i]] = fresh + dull[i] - mean;
            at[i] = if at[i] + 1 == lengths[i] {
                0
            } else {
                at[i] + 1
            };
            tail[i].push(TAIL_GAIN * dull[i]);
        }
    }
    tail
}

/// Brings the power of a mixture of all lines to that of the direct sound at 1 m: the mean sum of
/// squares of the network's response to one sample (checked by a test).
const TAIL_GAIN: f64 = 1.7;

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: f64 = 48_000.0;

    fn tap(over: Point, under: Point, sign_change_m: Option<f64>, frames: usize) -> Voice {
        let mut samples = vec![0.0; frames];
        samples[100] = 1.0;
        Voice {
            piece: Piece::Snare,
            name: "tap",
            over,
            under,
            sign_change_m,
            radius_m: 0.0,
            near_field_m: 0.0,
            samples,
        }
    }

    fn omni(place: Point) -> Capsule {
        Capsule {
            place,
            aim: [0.0; 3],
            directivity: 0.0,
            inside: None,
            ambient: false,
        }
    }

    #[test]
    fn sound_needs_2_914_ms_for_a_metre_and_loses_6_db_when_it_doubles() {
        let voice = tap([0.0; 3], [0.0; 3], None, 200);
        let one = path(&voice, &omni([1.0, 0.0, 0.0]), 0.0);
        let two = path(&voice, &omni([0.0, 2.0, 0.0]), 0.0);
        // ISO 9613-1 at 20 °C
        assert!((one.delay_s * 1000.0 - 2.913_75).abs() < 1e-5);
        assert!((two.delay_s - 2.0 * one.delay_s).abs() < 1e-12);
        assert!((one.gain - 1.0).abs() < 1e-12 && (two.gain - 0.5).abs() < 1e-12);
    }

    #[test]
    fn an_interpolated_path_arrives_between_the_samples_where_it_should() {
        for delay in [7.0, 7.25, 30.5, 99.9] {
            let mut sound = vec![0.0; 4096];
            let mut samples = vec![0.0; 4096];
            for (n, x) in samples.iter_mut().enumerate() {
                *x = (n as f64 * 0.05).sin();
            }
            let path = Path {
                delay_s: delay / RATE,
                gain: 1.0,
                lowpass_hz: 1e9, // open
            };
            add_path(&mut sound, &samples, &path, RATE);
            for (n, y) in sound.iter().enumerate().skip(300) {
                let wanted = ((n as f64 - delay) * 0.05).sin();
                assert!((y - wanted).abs() < 1e-6, "{delay} {n}");
            }
        }
    }

    #[test]
    fn the_two_sides_of_a_head_have_opposite_signs() {
        let voice = tap([0.0, 0.0, 0.6], [0.0, 0.0, 0.5], Some(0.55), 200);
        let top = path(&voice, &omni([0.1, 0.0, 0.7]), 0.0);
        let bottom = path(&voice, &omni([0.1, 0.0, 0.4]), 0.0);
        assert!(top.gain < 0.0 && bottom.gain > 0.0);
        assert!((top.gain + bottom.gain).abs() < 1e-12 && top.delay_s == bottom.delay_s);
    }

    #[test]
    fn a_head_is_loud_above_and_below_and_weak_beside() {
        let voice = tap([0.0; 3], [0.0; 3], Some(0.0), 200);
        let at = |place| path(&voice, &omni(place), 0.0).gain.abs();
        let (above, below, beside) = (
            at([0.0, 0.0, 2.0]),
            at([0.0, 0.0, -2.0]),
            at([2.0, 0.0, 0.0]),
        );
        assert!((above - 0.5).abs() < 1e-12 && above == below);
        assert!((beside / above - EDGE_ON).abs() < 1e-12);
        let mut large = voice.clone();
        large.near_field_m = 0.5;
        let near =
            |place| path(&large, &omni(place), 0.0).gain / path(&voice, &omni(place), 0.0).gain;
        assert!((near([0.0, 0.0, 0.5]) - 2f64.sqrt()).abs() < 1e-12);
        assert!(near([0.0, 0.0, 0.1]) > 5.0 && near([0.0, 0.0, 5.0]) < 1.006);
        // over the rim of a head it is the head that is near, whatever the angle to its middle
        let close = facing(0.13, 0.15, 0.07);
        assert!(close > facing(0.13, 0.85, 0.07) * 1.7, "{close}");
    }

    #[test]
    fn a_cardioid_is_12_db_or_more_down_behind() {
        let voice = tap([0.0; 3], [0.0; 3], None, 200);
        let mut capsule = omni([1.0, 0.0, 0.0]);
        capsule.directivity = 1.0;
        let front = path(&voice, &capsule, 0.0).gain;
        capsule.aim = [2.0, 0.0, 0.0];
        let behind = path(&voice, &capsule, 0.0).gain;
        assert!(behind / front < db_to_ratio(-12.0), "{}", behind / front);
    }

    #[test]
    fn the_tail_is_as_strong_as_the_direct_sound_and_decays_as_set() {
        let frames = 48_000;
        let voice = tap([0.0; 3], [0.0; 3], None, frames);
        let tail = tail(&[voice], frames, RATE);
        let mixed: Vec<f64> = (0..frames)
            .map(|n| {
                let signs = [1.0, -1.0, -1.0, 1.0, 1.0, 1.0, -1.0, -1.0];
                tail.iter()
                    .zip(signs)
                    .map(|(line, sign)| sign * line[n])
                    .sum()
            })
            .collect();
        let mut left: Vec<f64> = mixed.iter().map(|y| y * y).collect();
        for n in (0..frames - 1).rev() {
            left[n] += left[n + 1];
        }
        let total_db = 10.0 * left[0].log10();
        assert!(total_db.abs() < 2.0, "{total_db} dB");
        // backward integration, Schroeder 1965: −5 to −25 dB, times 3; the highs decay faster
        let at = |db: f64| {
            let reached = left.iter().position(|e| 10.0 * (e / left[0]).log10() < db);
            reached.map(|n| n as f64 / RATE)
        };
        let t60_s = 3.0 * (at(-25.0).unwrap() - at(-5.0).unwrap());
        assert!((0.2..0.6).contains(&t60_s), "{t60_s} s");
    }
}
