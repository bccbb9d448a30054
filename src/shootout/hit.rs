//! What is measured of one hit.

use crate::analysis::{HitTuning, tune_hit};
use crate::block::Block;
use crate::dsp::median;
use crate::measure::bands::{Analyser, COUNT, middles_hz};
use crate::measure::loudness::KWeight;
use crate::session::Family;

/// Sound before a hit that is read with it: the K filter settles in it, and its end is the
/// background.
pub(super) const BEFORE_S: f64 = 0.080;
/// The background: this long, ending so long before the stroke.
const BACKGROUND_S: f64 = 0.060;
const GAP_S: f64 = 0.005;
/// The piece begins a little before the stroke and fades out.
const LEAD_S: f64 = 0.001;
const FADE_S: f64 = 0.010;
/// Least room for a hit to be compared at all, and for its ring.
pub(super) const LEAST_S: f64 = 0.080;
const RING_S: f64 = 0.150;
/// Early and late parts of a hit, whose ratio is its snap.
const SNAP_S: f64 = 0.012;
const LATE_S: (f64, f64) = (0.030, 0.250);
/// Where the wires of a snare are heard beside its ring.
const WIRES_S: (f64, f64) = (0.030, 0.200);

/// Bands in which the ring is timed, in hertz.
pub(super) const RINGS_HZ: [(&str, f64, f64); 3] = [
    ("ring-low", 100.0, 500.0),
    ("ring-mid", 500.0, 2000.0),
    ("ring-high", 2500.0, 10_000.0),
];

/// One hit. Energies are sums of squares, a mean over the channels.
#[derive(Clone, Debug)]
pub(super) struct Hit {
    /// Where it begins, in frames of its sound.
    pub at: i64,
    /// K-weighted energy.
    pub loudness: f64,
    /// Third-octave energies, and those of as much of the background.
    pub bands: [f64; COUNT],
    pub background: [f64; COUNT],
    /// 0 to 12 ms over 30 to 250 ms, in decibels.
    pub snap_db: Option<f64>,
    /// Peak over RMS of the piece, in decibels.
    pub crest_db: Option<f64>,
    /// 10 to 90 % of the rise, in milliseconds.
    pub attack_ms: Option<f64>,
    /// Time for 60 dB in each of [`RINGS_HZ`], in seconds.
    pub ring_s: [Option<f64>; RINGS_HZ.len()],
    /// 3 to 10 kHz over 130 to 420 Hz while the snare rings, in decibels.
    pub wires_db: Option<f64>,
    /// Pitch and partials, where the drum has any and the hit has room enough.
    pub tuning: Option<HitTuning>,
}

/// How long a hit is looked at where nothing else is struck.
pub(super) fn window_s(family: Family) -> f64 {
    match family {
        Family::Hat | Family::Cymbal | Family::Overhead => 1.0,
        Family::Tom => 0.6,
        _ => 0.35,
    }
}

fn db(ratio: f64) -> Option<f64> {
    crate::units::power_to_db(ratio)
}

/// Measures hits at one rate.
pub(super) struct Measurer {
    rate_hz: u32,
    family: Family,
    analyser: Analyser,
}

impl Measurer {
    pub fn new(rate_hz: u32, family: Family) -> Self {
        Self {
            rate_hz,
            family,
            analyser: Analyser::new(rate_hz),
        }
    }

    fn frames(&self, seconds: f64) -> usize {
        (seconds * f64::from(self.rate_hz)).round() as usize
    }

    /// Frames to read for a hit that has `free_s` of room, and how many of them lie before it.
    pub fn reach(&self, free_s: f64) -> (usize, usize) {
        let before = self.frames(BEFORE_S);
        (before + self.frames(free_s), before)
    }

    /// Measures a piece of [`Measurer::reach`] frames around a hit that begins `at`. `None` for
    /// silence.
    pub fn measure(&mut self, piece: &Block, free_s: f64, at: i64) -> Option<Hit> {
        let before = self.frames(BEFORE_S);
        let channels = piece.count().max(1) as f64;
        let start = before - self.frames(LEAD_S);
        let background_end = before - self.frames(GAP_S);
        let background_start = background_end - self.frames(BACKGROUND_S);
        let (mut bands, mut background) = ([0.0; COUNT], [0.0; COUNT]);
        let mut weight = KWeight::new(self.rate_hz, piece.count());
        let mut loudness = 0.0;
        let mut squares = vec![0.0; piece.frames() - start];
        let mut peak = 0.0f64;
        let mut rings = vec![Vec::new(); RINGS_HZ.len()];
        for (i, samples) in piece.channels().enumerate() {
            weight.energy(i, &samples[..start]);
            loudness += weight.energy(i, &samples[start..]) / channels;
            let mut hit = samples[start..].to_vec();
            for (square, x) in squares.iter_mut().zip(&hit) {
                *square += x * x / channels;
                peak = peak.max(x.abs());
            }
            for (ring, (_, low, high)) in rings.iter_mut().zip(RINGS_HZ) {
                ring.resize(hit.len(), 0.0);
                let band = self.analyser.between(&hit, low, high);
                ring.iter_mut()
                    .zip(band)
                    .for_each(|(sum, x)| *sum += x * x / channels);
            }
            fade_out(&mut hit, self.frames(FADE_S));
            let quiet = &samples[background_start..background_end];
            let scale = hit.len() as f64 / quiet.len().max(1) as f64;
            let tapered = hann(quiet);
            bands
                .iter_mut()
                .zip(self.analyser.energies(&hit))
                .for_each(|(sum, e)| *sum += e / channels);
            let quiet = self.analyser.energies(&tapered);
            background
                .iter_mut()
                .zip(quiet)
                .for_each(|(sum, e)| *sum += e * scale / channels);
        }
        if loudness <= 0.0 {
            return None;
        }
        let lead = self.frames(LEAD_S);
        let energy = |from_s: f64, to_s: f64| -> f64 {
            let (from, to) = (lead + self.frames(from_s), lead + self.frames(to_s));
            squares.iter().take(to).skip(from).sum()
        };
        let mean = squares.iter().sum::<f64>() / squares.len().max(1) as f64;
        let late_s = LATE_S.1.min(free_s);
        let room = late_s - LATE_S.0 >= 0.05;
        let wires_s = WIRES_S.1.min(free_s);
        Some(Hit {
            at,
            loudness,
            snap_db: if room {
                db(energy(0.0, SNAP_S) / energy(LATE_S.0, late_s))
            } else {
                None
            },
            crest_db: db(peak * peak / mean),
            attack_ms: self.attack_ms(&squares),
            ring_s: std::array::from_fn(|i| {
                if free_s < RING_S {
                    None
                } else {
                    ring_s(&rings[i], f64::from(self.rate_hz))
                }
            }),
            wires_db: self.wires_db(piece, start + lead, wires_s),
            tuning: self.tuning(piece, start + lead, free_s),
            bands,
            background,
        })
    }

    fn tuning(&self, piece: &Block, stroke: usize, free_s: f64) -> Option<HitTuning> {
        let mut sum = vec![0.0; piece.frames().checked_sub(stroke)?];
        for samples in piece.channels() {
            sum.iter_mut()
                .zip(&samples[stroke..])
                .for_each(|(sum, x)| *sum += x);
        }
        tune_hit(&sum, self.rate_hz, free_s, self.family)
    }

    fn wires_db(&mut self, piece: &Block, stroke: usize, to_s: f64) -> Option<f64> {
        let (from, to) = (stroke + self.frames(WIRES_S.0), stroke + self.frames(to_s));
        let (mut high, mut low) = (0.0, 0.0);
        for samples in piece.channels() {
            let energies = self.analyser.energies(&hann(samples.get(from..to)?));
            high += share(&energies, 3000.0, 10_000.0);
            low += share(&energies, 130.0, 420.0);
        }
        db(high / low)
    }

    /// From squares at the rate: an envelope of 1 ms, and the way from a tenth to nine tenths of the
    /// first peak.
    fn attack_ms(&self, squares: &[f64]) -> Option<f64> {
        let width = self.frames(0.001).max(1);
        let end = self.frames(0.080).min(squares.len());
        let envelope: Vec<f64> = squares[..end]
            .windows(width)
            .map(|w| (w.iter().sum::<f64>() / width as f64).sqrt())
            .collect();
        let peak = envelope.iter().copied().fold(0.0, f64::max);
        let top = envelope.iter().position(|&e| e >= 0.9 * peak)?;
        let bottom = envelope[..top]
            .iter()
            .rposition(|&e| e <= 0.1 * peak)
            .unwrap_or(0);
        (peak > 0.0).then(|| (top - bottom) as f64 * 1000.0 / f64::from(self.rate_hz))
    }
}

fn fade_out(samples: &mut [f64], frames: usize) {
    let frames = frames.min(samples.len());
    let first = samples.len() - frames;
    for (i, x) in samples[first..].iter_mut().enumerate() {
        let phase = std::f64::consts::PI * (i + 1) as f64 / (frames + 1) as f64;
        *x *= 0.5 + 0.5 * phase.cos();
    }
}

/// A Hann window that keeps the energy of noise.
fn hann(samples: &[f64]) -> Vec<f64> {
    let turn = std::f64::consts::TAU / samples.len().max(1) as f64;
    let scale = (8.0f64 / 3.0).sqrt();
    let window = |i: usize| scale * (0.5 - 0.5 * (turn * (i as f64 + 0.5)).cos());
    samples
        .iter()
        .enumerate()
        .map(|(i, x)| x * window(i))
        .collect()
}

/// Energy of the bands whose middles lie between two nominal frequencies.
pub(super) fn share(energies: &[f64; COUNT], low_hz: f64, high_hz: f64) -> f64 {
    let inside = |hz: f64| hz >= low_hz * 0.97 && hz <= high_hz * 1.03;
    energies
        .iter()
        .zip(middles_hz())
        .filter(|(_, hz)| inside(*hz))
        .map(|(e, _)| e)
        .sum()
}

/// Time in which the band falls by 60 dB, in seconds, from its squares: the decay curve by backward
/// integration (Schroeder, JASA 37, 1965) from the peak to where it meets its own floor, a straight
/// line from −5 dB down to −25 dB, or as far as there is room, but at least to −15 dB.
///
/// What would have come after the end is added as an exponential of the same slope (the correction
/// that ISO 3382-1 allows), so that a hit that another one cuts off is timed by what there is of it.
fn ring_s(squares: &[f64], rate: f64) -> Option<f64> {
    let step = (rate / 1000.0).round().max(1.0) as usize;
    let powers: Vec<f64> = squares
        .chunks_exact(step)
        .map(|c| c.iter().sum::<f64>() / step as f64)
        .collect();
    let peak = (0..powers.len().min(60))
        .max_by(|&x, &y| powers[x].total_cmp(&powers[y]).then(y.cmp(&x)))?;
    let decay = &powers[peak..];
    let top = *decay.first()?;
    if top <= 0.0 || decay.len() < 50 {
        return None;
    }
    let step_s = step as f64 / rate;
    // smoothed over 10 ms, to see where it ends
    let tail = median(decay[decay.len() - decay.len() / 10..].iter().copied())?;
    let end = decay
        .windows(10)
        .position(|w| w.iter().sum::<f64>() / 10.0 < top * 1e-4)
        .unwrap_or(decay.len());
    let decay = &decay[..end];
    if decay.len() < 20 {
        return None;
    }
    let mut beyond = 0.0;
    let mut slope = None;
    for _ in 0..6 {
        let mut sum = beyond;
        let mut curve: Vec<f64> = decay
            .iter()
            .rev()
            .map(|p| {
                sum += p * step_s;
                sum
            })
            .collect();
        curve.reverse();
        let whole = *curve.first()?;
        let level = |c: &f64| 10.0 * (c / whole).max(1e-30).log10();
        let levels: Vec<f64> = curve.iter().map(level).collect();
        let from = levels.iter().position(|l| *l <= -5.0)?;
        let to = levels
            .iter()
            .position(|l| *l <= -25.0)
            .unwrap_or(levels.len());
        let lowest = levels.get(to.checked_sub(1)?)?;
        if *lowest > -15.0 || to < from + 5 {
            return slope_to_s(slope);
        }
        let n = (to - from) as f64;
        let x = (n - 1.0) / 2.0;
        let y = levels[from..to].iter().sum::<f64>() / n;
        let (up, down) = levels[from..to]
            .iter()
            .enumerate()
            .fold((0.0, 0.0), |(u, d), (i, l)| {
                let dx = i as f64 - x;
                (u + dx * (l - y), d + dx * dx)
            });
        let db_per_s = up / down / step_s;
        if db_per_s >= -1.0 {
            return None;
        }
        slope = Some(db_per_s);
        if end == powers.len() - peak {
            beyond = tail * 10.0 / (std::f64::consts::LN_10 * -db_per_s);
        }
    }
    slope_to_s(slope)
}

fn slope_to_s(db_per_s: Option<f64>) -> Option<f64> {
    db_per_s
        .map(|slope| -60.0 / slope)
        .filter(|t| *t > 0.005 && *t < 30.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{assert_close, noise};

    const RATE: u32 = 48_000;

    /// A stroke whose partial rings for `t60_s`.
    fn stroke(hz: f64, t60_s: f64, seconds: f64) -> Vec<f64> {
        (0..(seconds * f64::from(RATE)) as usize)
            .map(|i| {
                let t = i as f64 / f64::from(RATE);
                0.5 * 10f64.powf(-3.0 * t / t60_s) * (std::f64::consts::TAU * hz * t).sin()
            })
            .collect()
    }

    fn measure(hit: &[f64], free_s: f64) -> Hit {
        let mut measurer = Measurer::new(RATE, Family::Snare);
        let (frames, before) = measurer.reach(free_s);
        let mut piece = vec![0.0; before];
        piece.extend(hit);
        piece.resize(frames, 0.0);
        measurer
            .measure(&Block::from_channels(vec![piece]), free_s, 0)
            .expect("a sound")
    }

    #[test]
    fn ring_times_are_those_of_the_partial() {
        for (hz, t60, band) in [
            (200.0, 0.5, 0),
            (250.0, 0.2, 0),
            (1000.0, 0.3, 1),
            (5000.0, 0.8, 2),
        ] {
            let hit = measure(&stroke(hz, t60, 1.5), 1.0);
            let ring = hit.ring_s[band].expect("it rings");
            assert!((ring / t60 - 1.0).abs() < 0.05, "{hz} Hz {t60} s: {ring}");
        }
    }

    #[test]
    fn a_ring_that_is_cut_off_is_timed_by_what_there_is_of_it() {
        let hit = measure(&stroke(200.0, 0.6, 0.25), 0.25);
        let ring = hit.ring_s[0].expect("it rings");
        assert!((ring / 0.6 - 1.0).abs() < 0.12, "{ring}");
    }

    #[test]
    fn twelve_more_decibels_at_the_start_are_twelve_more_of_snap() {
        let tail = noise(5, 20_000);
        let hit = |gain: f64| {
            let early = (0.012 * f64::from(RATE)) as usize;
            let samples: Vec<f64> = tail
                .iter()
                .enumerate()
                .map(|(i, x)| 0.1 * x * if i < early { gain } else { 1.0 })
                .collect();
            measure(&samples, 0.35).snap_db.expect("room")
        };
        assert_close(hit(4.0) - hit(1.0), 12.04, 0.01, "snap");
    }

    #[test]
    fn silence_is_no_hit() {
        let mut measurer = Measurer::new(RATE, Family::Snare);
        let (frames, _) = measurer.reach(0.3);
        assert!(measurer.measure(&Block::new(1, frames), 0.3, 0).is_none());
    }
}
