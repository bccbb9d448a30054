//! Where things stand, and what of each arrives at each mic: the direct sound through the mic's
//! pattern, image sources of a box for the first 70 ms (Allen and Berkley, JASA 65, 1979), then a
//! tail that decays as they did.

use std::f64::consts::PI;

use batterhead::dsp::random::Random;
use batterhead::session::Family;

use super::RATE_HZ;
use super::kit::Voice;

const SOUND_M_S: f64 = 343.2;
/// Image sources reach so far.
const IMAGES_S: f64 = 0.070;

pub type Point = [f64; 3];

/// A microphone as it stands.
#[derive(Clone, Debug)]
pub struct Mic {
    /// As somebody named the file.
    pub file: &'static str,
    /// As the program calls the track (both sides of a pair alike).
    pub label: &'static str,
    pub family: Family,
    pub own: Option<Voice>,
    pub place: Point,
    pub aim: Point,
    /// 0 for a sphere, 1 for a cardioid.
    pub pattern: f64,
}

/// A room.
#[derive(Clone, Debug)]
pub struct Room {
    low: Point,
    high: Point,
    pub t60_s: f64,
    reflection: f64,
    seed: u64,
}

impl Room {
    pub fn new(seed: u64) -> Self {
        let mut rng = Random::new(seed ^ 0x5EED);
        let low = [-rng.between(2.6, 3.8), -rng.between(1.8, 2.6), 0.0];
        let high = [
            rng.between(2.6, 3.8),
            rng.between(3.4, 5.0),
            rng.between(2.7, 3.6),
        ];
        let t60_s = rng.between(0.3, 0.6);
        let size: Vec<f64> = (0..3).map(|i| high[i] - low[i]).collect();
        let volume = size[0] * size[1] * size[2];
        let surface = 2.0 * (size[0] * size[1] + size[0] * size[2] + size[1] * size[2]);
        // Eyring: T60 = 0.161 V / (−S ln(1 − α)), and the amplitude keeps √(1 − α)
        let kept = (-0.161 * volume / (surface * t60_s)).exp();
        Self {
            low,
            high,
            t60_s,
            reflection: kept.sqrt(),
            seed,
        }
    }
}

/// Where a voice sounds from, and how large it is (half the width of what sounds).
pub fn place(voice: Voice) -> (Point, f64) {
    match voice {
        Voice::Kick => ([0.05, 0.30, 0.30], 0.20),
        Voice::Snare => ([-0.25, 0.0, 0.66], 0.13),
        Voice::Tom1 => ([-0.12, 0.38, 0.90], 0.10),
        Voice::Tom2 => ([0.27, 0.38, 0.88], 0.12),
        Voice::Tom3 => ([0.62, -0.05, 0.62], 0.15),
        Voice::Hat => ([-0.68, 0.10, 0.92], 0.12),
        Voice::Ride => ([0.78, 0.40, 1.10], 0.18),
        Voice::Crash1 => ([-0.55, 0.62, 1.35], 0.16),
        Voice::Crash2 => ([0.60, 0.72, 1.40], 0.16),
        Voice::China => ([1.10, 0.15, 1.30], 0.16),
        Voice::Wires => ([-0.25, 0.0, 0.50], 0.13),
        Voice::Sticks => ([-0.05, -0.10, 1.10], 0.02),
        Voice::Talk => ([0.0, -0.60, 1.25], 0.05),
    }
}

/// Peak at one metre of a stroke as hard as can be, over a snare's.
pub fn source_gain(voice: Voice) -> f64 {
    match voice {
        Voice::Kick => 0.9,
        Voice::Snare => 1.0,
        Voice::Tom1 | Voice::Tom2 | Voice::Tom3 => 0.8,
        Voice::Hat => 0.3,
        Voice::Ride => 0.3,
        Voice::Crash1 | Voice::Crash2 | Voice::China => 0.5,
        Voice::Wires => 1.0,
        Voice::Sticks => 0.12,
        Voice::Talk => 0.02,
    }
}

/// Twelve close mics, overheads and a pair in the room.
pub fn mics(room: &Room, rng: &mut Random) -> Vec<Mic> {
    let mut mics = Vec::new();
    let mut close = |file, label, family, own: Voice, off: Point, pattern: f64| {
        let (at, _) = place(own);
        let jitter = |rng: &mut Random| rng.between(-0.02, 0.02);
        let place = [
            at[0] + off[0] + jitter(rng),
            at[1] + off[1] + jitter(rng),
            at[2] + off[2] + jitter(rng) * 0.5,
        ];
        mics.push(Mic {
            file,
            label,
            family,
            own: Some(own),
            place,
            aim: at,
            pattern,
        });
    };
    use Family::{Cymbal, Hat, Kick, Snare, Tom};
    close(
        "Kick In",
        "kick-in",
        Kick,
        Voice::Kick,
        [0.0, 0.06, 0.0],
        1.0,
    );
    close(
        "Kick Out",
        "kick-out",
        Kick,
        Voice::Kick,
        [0.0, 0.50, 0.0],
        1.0,
    );
    close(
        "Snare Top",
        "snare-top",
        Snare,
        Voice::Snare,
        [-0.06, 0.10, 0.06],
        1.0,
    );
    close(
        "Snare Bottom",
        "snare-bottom",
        Snare,
        Voice::Snare,
        [-0.04, 0.08, -0.28],
        1.0,
    );
    close("Tom 1", "tom-1", Tom, Voice::Tom1, [-0.02, 0.10, 0.06], 1.0);
    close("Tom 2", "tom-2", Tom, Voice::Tom2, [0.02, 0.10, 0.06], 1.0);
    close(
        "Floor Tom",
        "tom-3",
        Tom,
        Voice::Tom3,
        [0.08, 0.10, 0.07],
        1.0,
    );
    close("Hat", "hat", Hat, Voice::Hat, [-0.12, 0.06, 0.14], 1.0);
    close("Ride", "ride", Cymbal, Voice::Ride, [0.08, 0.08, 0.20], 1.0);
    close(
        "Crash L",
        "crash-l",
        Cymbal,
        Voice::Crash1,
        [-0.10, 0.10, 0.25],
        1.0,
    );
    close(
        "Crash R",
        "crash-r",
        Cymbal,
        Voice::Crash2,
        [0.10, 0.10, 0.25],
        1.0,
    );
    close(
        "China",
        "china",
        Cymbal,
        Voice::China,
        [0.10, 0.0, 0.25],
        1.0,
    );
    let far = room.high[1] - 0.8;
    let high = (room.high[2] - 0.4).min(2.1);
    for (file, label, family, place, pattern) in [
        (
            "OH L",
            "overhead",
            Family::Overhead,
            [-0.70, 0.20, high],
            1.0,
        ),
        (
            "OH R",
            "overhead",
            Family::Overhead,
            [0.75, 0.20, high],
            1.0,
        ),
        ("Room L", "room", Family::Room, [-1.4, far, 1.3], 0.0),
        ("Room R", "room", Family::Room, [1.4, far, 1.3], 0.0),
    ] {
        mics.push(Mic {
            file,
            label,
            family,
            own: None,
            place,
            aim: [place[0] * 0.4, 0.1, 0.6],
            pattern,
        });
    }
    mics
}

fn distance(a: Point, b: Point) -> f64 {
    (0..3).map(|i| (a[i] - b[i]).powi(2)).sum::<f64>().sqrt()
}

/// What a mic takes of a sound from there: gain, and the low-pass of its angle.
fn pick_up(mic: &Mic, from: Point) -> (f64, f64) {
    let (to, axis) = (distance(from, mic.place), distance(mic.aim, mic.place));
    if mic.pattern == 0.0 || to < 1e-6 {
        return (1.0, 18_000.0);
    }
    let dot: f64 = (0..3)
        .map(|i| (from[i] - mic.place[i]) * (mic.aim[i] - mic.place[i]))
        .sum();
    let cos = dot / (to * axis.max(1e-6));
    let gain = 1.0 - 0.5 * mic.pattern * (1.0 - cos);
    // no cardioid is one at all frequencies: 16 dB at the back
    (gain.max(0.16), 5_000.0 + 6_500.0 * (1.0 + cos))
}

/// How much later than the stroke its own mic hears it, in samples.
pub fn delay_samples(voice: Voice, mic: &Mic) -> f64 {
    let (at, _) = place(voice);
    distance(at, mic.place) / SOUND_M_S * RATE_HZ
}

/// The gain of the direct sound.
pub fn direct_gain(voice: Voice, mic: &Mic) -> f64 {
    let (at, radius) = place(voice);
    let near = distance(at, mic.place).hypot(radius);
    pick_up(mic, at).0 / near
}

/// The impulse response from a voice to a mic.
pub fn path(room: &Room, voice: Voice, mic: &Mic) -> Vec<f32> {
    let (at, radius) = place(voice);
    let frames = ((room.t60_s * 0.75 + IMAGES_S) * RATE_HZ) as usize;
    let mut rng =
        Random::new(room.seed.wrapping_mul(31) ^ (voice as u64) << 8 ^ label_seed(mic.file));
    let mut echoes = vec![0.0f64; frames];
    let reach = IMAGES_S * SOUND_M_S;
    let size: Vec<f64> = (0..3).map(|i| room.high[i] - room.low[i]).collect();
    let most: Vec<i64> = size
        .iter()
        .map(|s| (reach / (2.0 * s)) as i64 + 1)
        .collect();
    for nx in -most[0]..=most[0] {
        for ny in -most[1]..=most[1] {
            for nz in -most[2]..=most[2] {
                for mirror in 0..8u8 {
                    let mut image = [0.0; 3];
                    let mut bounces = 0;
                    for (i, n) in [nx, ny, nz].into_iter().enumerate() {
                        let turned = mirror >> i & 1 == 1;
                        let inside = at[i] - room.low[i];
                        let inside = if turned { -inside } else { inside };
                        image[i] = room.low[i] + inside + 2.0 * n as f64 * size[i];
                        bounces += (2 * n - i64::from(turned)).abs();
                    }
                    let d = distance(image, mic.place);
                    if bounces == 0 || d > reach {
                        continue;
                    }
                    // walls are no mirrors: a scatter of a third of a millisecond
                    let late = d / SOUND_M_S * RATE_HZ + rng.between(0.0, 5.0) * bounces as f64;
                    let gain = room.reflection.powi(bounces as i32) / d * pick_up(mic, image).0;
                    let gain = if rng.index(5) == 0 { -gain } else { gain };
                    let i = late as usize;
                    if i + 1 < frames {
                        let part = late - i as f64;
                        echoes[i] += gain * (1.0 - part);
                        echoes[i + 1] += gain * part;
                    }
                }
            }
        }
    }
    // the tail goes on where the images end
    let end = (IMAGES_S * RATE_HZ) as usize;
    let before = end - (0.025 * RATE_HZ) as usize;
    let power = echoes[before..end].iter().map(|x| x * x).sum::<f64>() / (end - before) as f64;
    for (i, y) in echoes[end..].iter_mut().enumerate() {
        let fall = (-6.908 * (i as f64 / RATE_HZ + 0.012) / room.t60_s).exp();
        *y += rng.normal(power.sqrt() * fall);
    }
    let mut h = low_pass(&echoes, 6_000.0);
    let (gain, dull_hz) = pick_up(mic, at);
    let near = distance(at, mic.place).hypot(radius);
    let mut direct = sinc(delay_samples(voice, mic), gain / near);
    // the shell of the kick stands between its mic and all else
    let shell = mic.file == "Kick In" && voice != Voice::Kick;
    let dull_hz = if shell { 2_500.0 } else { dull_hz };
    direct = low_pass(&direct, dull_hz);
    if shell {
        direct.iter_mut().chain(&mut h).for_each(|x| *x *= 0.4);
    }
    if mic.file == "Kick Out" && voice == Voice::Kick {
        direct = low_pass(&direct, 2_500.0);
    }
    for (y, x) in h.iter_mut().zip(&direct) {
        *y += x;
    }
    // from below, a head moves the other way, and its attack is dull
    if mic.file == "Snare Bottom" && voice == Voice::Snare {
        h = low_pass(&h, 3_000.0).iter().map(|x| -x).collect();
    }
    h.iter().map(|x| *x as f32).collect()
}

fn label_seed(file: &str) -> u64 {
    file.bytes()
        .fold(17, |s, b| s.wrapping_mul(131).wrapping_add(u64::from(b)))
}

fn sinc(delay: f64, gain: f64) -> Vec<f64> {
    let whole = delay.floor();
    let mut h = vec![0.0; whole as usize + 18];
    for k in -16..=16i64 {
        let at = whole as i64 + k;
        if at < 0 || at as usize >= h.len() {
            continue;
        }
        let d = k as f64 - (delay - whole);
        let sinc = if d.abs() < 1e-9 {
            1.0
        } else {
            (PI * d).sin() / (PI * d)
        };
        h[at as usize] += gain * sinc * (0.5 + 0.5 * (PI * d / 17.0).cos());
    }
    h
}

/// One pole.
pub fn low_pass(x: &[f64], hz: f64) -> Vec<f64> {
    let c = 1.0 - (-2.0 * PI * hz / RATE_HZ).exp();
    let mut state = 0.0;
    x.iter()
        .map(|x| {
            state += c * (x - state);
            state
        })
        .collect()
}
