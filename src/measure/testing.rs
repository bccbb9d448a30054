//! Material for the tests of this module: invented drum takes, made from a seed.

use std::f64::consts::TAU;

use crate::dsp::random::Random;

/// What a mic hears of one drum.
#[derive(Clone, Copy)]
pub(crate) struct Drum {
    /// Modes: hertz, ring in seconds (to −60 dB), amplitude.
    pub modes: [(f64, f64, f64); 3],
    /// Noise: ring in seconds, amplitude, smoothing (0: white; 0.9: dull).
    pub noise: (f64, f64, f64),
    /// Strokes a second.
    pub rate: f64,
    /// Loudest stroke.
    pub level: f64,
}

pub(crate) const KICK: Drum = Drum {
    modes: [(58.0, 0.4, 1.0), (103.0, 0.25, 0.5), (171.0, 0.15, 0.3)],
    noise: (0.02, 0.5, 0.6),
    rate: 3.0,
    level: 0.8,
};
pub(crate) const SNARE: Drum = Drum {
    modes: [(196.0, 0.25, 0.8), (331.0, 0.2, 0.5), (478.0, 0.15, 0.3)],
    noise: (0.18, 0.5, 0.2),
    rate: 2.5,
    level: 0.8,
};
pub(crate) const TOM: Drum = Drum {
    modes: [(104.0, 0.9, 1.0), (168.0, 0.6, 0.5), (229.0, 0.4, 0.3)],
    noise: (0.04, 0.4, 0.5),
    rate: 1.2,
    level: 0.8,
};
pub(crate) const CYMBALS: Drum = Drum {
    modes: [(3170.0, 1.5, 0.1), (4620.0, 1.2, 0.1), (7310.0, 1.0, 0.1)],
    noise: (1.4, 0.5, 0.0),
    rate: 4.0,
    level: 0.3,
};

/// Adds one stroke at a frame.
pub(crate) fn strike(
    out: &mut [f64],
    rate_hz: u32,
    at: usize,
    drum: &Drum,
    force: f64,
    random: &mut Random,
) {
    let rate = f64::from(rate_hz);
    let attack = 0.0006 * rate;
    let seconds = drum.modes.iter().map(|m| m.1).fold(drum.noise.0, f64::max);
    let frames = ((seconds * rate) as usize).min(out.len().saturating_sub(at));
    let decay = |ring: f64| (-6.9078 / (ring * rate)).exp();
    let detune = random.between(0.98, 1.02);
    // a decaying sine is a two-pole resonator's answer to an impulse
    let mut modes = drum.modes.map(|(hz, ring, amplitude)| {
        let (w, r) = (TAU * hz * detune / rate, decay(ring));
        (2.0 * r * w.cos(), r * r, 0.0, -amplitude * w.sin() / r)
    });
    let noise_decay = decay(drum.noise.0);
    let attack = (-1.0 / attack).exp();
    let (mut low, mut noise, mut rise) = (0.0, drum.noise.1, 1.0);
    for x in &mut out[at..at + frames] {
        let mut y = 0.0;
        for (a, b, y1, y2) in &mut modes {
            let next = *a * *y1 - *b * *y2;
            y += *y1;
            (*y2, *y1) = (*y1, next);
        }
        low = drum.noise.2 * low + (1.0 - drum.noise.2) * random.between(-1.0, 1.0);
        y += noise * low;
        noise *= noise_decay;
        *x += force * drum.level * y * (1.0 - rise);
        rise *= attack;
    }
}

/// Room noise, −72 dBFS RMS.
pub(crate) fn room(out: &mut [f64], random: &mut Random) {
    let mut low = 0.0;
    for x in out {
        low = 0.5 * low + 0.5 * random.normal(1.0);
        *x += 4.3e-4 * low;
    }
}

/// What every mic and input does: no response at 0 Hz (a first-order high-pass at 5 Hz).
pub(crate) fn couple(out: &mut [f64], rate_hz: u32) {
    let keep = (-TAU * 5.0 / f64::from(rate_hz)).exp();
    let (mut before, mut y) = (0.0, 0.0);
    for x in out {
        y = keep * (y + *x - before);
        before = *x;
        *x = y;
    }
}

/// A take as one mic hears it: its own drum, the others 14 to 26 dB below, room noise. Returns the
/// audio and the frames of all strokes.
pub(crate) fn take(seed: u64, rate_hz: u32, seconds: f64, own: &Drum) -> (Vec<f64>, Vec<u64>) {
    let mut random = Random::new(seed);
    let frames = (seconds * f64::from(rate_hz)) as usize;
    let mut out = vec![0.0; frames];
    let mut strokes = Vec::new();
    room(&mut out, &mut random);
    for drum in [KICK, SNARE, TOM, CYMBALS] {
        let same = drum.modes[0].0 == own.modes[0].0;
        let gain = if same { 1.0 } else { random.between(0.05, 0.2) };
        let mut at_s = random.between(0.05, 0.4);
        while at_s < seconds - 0.01 {
            let at = (at_s * f64::from(rate_hz)) as usize;
            let force = gain * random.between(0.25, 1.0);
            strike(&mut out, rate_hz, at, &drum, force, &mut random);
            strokes.push(at as u64);
            at_s += random.between(0.5, 1.5) / drum.rate;
        }
    }
    strokes.sort_unstable();
    couple(&mut out, rate_hz);
    let peak = out.iter().fold(0.0f64, |m, x| m.max(x.abs()));
    out.iter_mut().for_each(|x| *x *= 0.7 / peak);
    (out, strokes)
}

/// A take of a drum that the seed picks.
pub(crate) fn drums(seed: u64, rate_hz: u32, seconds: f64) -> Vec<f64> {
    let own = [KICK, SNARE, TOM, CYMBALS][(seed % 4) as usize];
    take(seed, rate_hz, seconds, &own).0
}

/// Rounds to a number of bits, as a file does.
pub(crate) fn quantise(samples: &mut [f64], bits: u32) {
    let scale = f64::from(1u32 << (bits - 1));
    for x in samples {
        *x = (*x * scale).round().clamp(-scale, scale - 1.0) / scale;
    }
}
