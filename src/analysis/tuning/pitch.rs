//! What a drum is tuned to: fundamental, next ringing partial, ring time.
//!
//! The pitch of a drum falls after the stroke (tension modulation; Marogna, Avanzin, Bank, DAFx-10),
//! by 2 to 12 % in the first 200 ms, so there are two: *early*, 40 to 220 ms after the stroke, is
//! what ears name for a short tom; *settled*, 100 to 500 ms after it, is what a tuner shows. Each
//! window ends where the drum is struck again, the later one also at the first rise of 3 dB in the
//! band of the ring: from there on something else may sound.

use crate::analysis::tuning::boxy;
use crate::analysis::tuning::decimate::Decimator;
use crate::analysis::tuning::fade::fade;
use crate::analysis::tuning::hit::{HitTuning, weight};
use crate::analysis::tuning::modes::{Mode, modes};
use crate::analysis::tuning::ring::{Ring, faded, lines, power};
use crate::dsp::maths;
use crate::session::Family;
use crate::units::round_to;

/// Where the pitch is read, in seconds after the stroke.
pub(crate) const EARLY_S: (f64, f64) = (0.040, 0.220);
/// Where it has settled.
pub(crate) const SETTLED_S: (f64, f64) = (0.100, 0.500);
/// Where a window ends that is cut short: its pitch is read up to each of these that it reaches.
pub(crate) const CUTS_S: [f64; 2] = [0.120, 0.160];
/// The same where strokes are compared one by one: soon after them, while a neighbour that rings
/// along is still the softer one.
const PAIRED_S: (f64, f64) = (0.020, 0.150);
/// What has to be left of the windows.
const LEAST_EARLY_S: f64 = 0.080;
const LEAST_SETTLED_S: f64 = 0.250;
/// Room that a stroke needs for a pitch.
pub(crate) const LEAST_ROOM_S: f64 = EARLY_S.0 + LEAST_EARLY_S;
/// A ring that grows by this ratio of energy (3 dB) is joined by another.
const RISE: f64 = 2.0;
/// What a stroke began stands so far above what sounded before, in decibels.
const STRUCK_DB: f64 = 3.0;
/// The energy of a ring is that of so many seconds.
const ENERGY_S: f64 = 0.020;
/// A line this far under the strongest in the range does not make a fundamental.
const UNDER_DB: f64 = 10.0;
/// Lines nearer to each other than this are one mode: no two of a head are.
const ONE_LINE: f64 = 1.2;
/// Where the mode lies that a line is the mean of: it begins higher, or has a twin.
const MODE_OF_LINE: (f64, f64) = (0.94, 1.1);
/// A fundamental this far under the strongest ring of any partial is none.
const FAINT_DB: f64 = 40.0;
/// Where a drum's fundamental lies, in hertz; `None` for what has none.
pub(crate) fn range_hz(family: Family) -> Option<(f64, f64)> {
    match family {
        Family::Kick => Some((32.0, 120.0)),
        Family::Snare => Some((130.0, 420.0)),
        Family::Tom => Some((45.0, 300.0)),
        _ => None,
    }
}

/// A stroke's sound from its start on: how much was free of other strokes.
pub(crate) struct Piece<'a> {
    /// At the track's rate; it begins [`Decimator::margin`] samples and `before` decimated ones
    /// before the stroke.
    pub sound: &'a [f64],
    /// Decimated samples before the stroke.
    pub before: usize,
    /// Where the early pitch is read, in seconds after the stroke; and up to where else.
    pub early_s: (f64, f64),
    pub cuts_s: &'a [f64],
    /// Seconds until the next stroke of any drum.
    pub free_s: f64,
    /// Its pitch counts as no clearer than this, in decibels; its ring beside those of other takes counts
    /// as it is.
    pub most_clear_db: f64,
}

/// Peaks of a spectrum between two frequencies, by frequency: (frequency, amplitude over the largest),
/// those within 10 dB of it.
fn peaks(spectrum: &[(f64, f64)], range_hz: (f64, f64)) -> Vec<(f64, f64)> {
    let inside = || {
        let peaks = spectrum
            .windows(3)
            .filter(|w| w[1].1 > w[0].1 && w[1].1 >= w[2].1);
        let peaks = peaks.map(|w| w[1]);
        peaks.filter(|p| p.0 >= range_hz.0 && p.0 <= range_hz.1)
    };
    let top = inside().map(|p| p.1).fold(0.0, f64::max);
    let least = maths::db_to_ratio(-UNDER_DB);
    let over = inside().map(|p| (p.0, p.1 / top));
    over.filter(|p| p.1 > least).collect()
}

/// Which of some lines (frequency and amplitude, by frequency) is the fundamental: the lowest within
/// 10 dB of the strongest, or one nearby that is stronger: a mode that comes in two, or whose glide leaves
/// a second line, is named after the stronger.
pub(crate) fn fundamental(lines: &[(f64, f64)]) -> Option<(f64, f64)> {
    let least = lines.iter().map(|p| p.1).fold(0.0, f64::max) * maths::db_to_ratio(-UNDER_DB);
    let lowest = lines.iter().find(|p| p.1 > least)?;
    let near = lines
        .iter()
        .filter(|p| p.0 >= lowest.0 && p.0 < lowest.0 * ONE_LINE);
    near.max_by(|a, b| a.1.total_cmp(&b.1)).copied()
}

/// The mode that a line is the mean of over its window, and the next partial above it. Two modes that beat
/// need not fade within so short a window; where a stroke began them (`struck`) they are no hum.
fn mode_of(modes: &[Mode], line_hz: f64, struck: bool) -> Option<(Mode, Option<Mode>)> {
    let strongest = |from: f64, to: f64, steady: bool| {
        let inside = modes.iter().filter(|m| m.freq_hz > from && m.freq_hz < to);
        let strongest = inside.filter(|m| steady || m.dies_away());
        strongest
            .max_by(|a, b| a.ring_db().total_cmp(&b.ring_db()))
            .copied()
    };
    let (from, to) = (MODE_OF_LINE.0 * line_hz, MODE_OF_LINE.1 * line_hz);
    let mode = strongest(from, to, false).or_else(|| strongest(from, to, struck))?;
    let top = modes.iter().map(Mode::ring_db).fold(f64::MIN, f64::max);
    let next = strongest(1.4 * mode.freq_hz, 2.3 * mode.freq_hz, false);
    let next = next.filter(|m| m.ring_db() > mode.ring_db() - FAINT_DB);
    (mode.ring_db() > top - FAINT_DB).then_some((mode, next))
}

/// The energy of what lies between two frequencies, over [`ENERGY_S`] up to each sample.
fn ring_energy(low: &[f64], rate_hz: f64, range_hz: (f64, f64)) -> Vec<f64> {
    // wide edges: partials just outside still belong to the ring
    let pole = |hz: f64| 1.0 - (-std::f64::consts::TAU * hz / rate_hz).exp();
    let (below, above) = (pole(0.7 * range_hz.0), pole(1.4 * range_hz.1));
    let span = ((ENERGY_S * rate_hz) as usize).max(1);
    let (mut slow, mut fast, mut sum) = (0.0, 0.0, 0.0);
    let mut squares: Vec<f64> = Vec::with_capacity(low.len());
    low.iter()
        .enumerate()
        .map(|(i, x)| {
            fast += above * (x - fast);
            slow += below * (fast - slow);
            squares.push((fast - slow) * (fast - slow));
            sum += squares[i] - i.checked_sub(span).map_or(0.0, |j| squares[j]);
            sum.max(0.0)
        })
        .collect()
}

/// Where the ring after a stroke is joined by something else, in seconds; `free_s` where it is not.
fn until_rise(energy: &[f64], rate_hz: f64, free_s: f64) -> f64 {
    let from = (EARLY_S.0 * rate_hz) as usize;
    let to = ((free_s.min(SETTLED_S.1) * rate_hz) as usize).min(energy.len());
    let mut least = f64::INFINITY;
    for (i, e) in energy.iter().enumerate().take(to).skip(from) {
        least = least.min(*e);
        if *e > RISE * least {
            // it began while the energy was gathered
            return (i as f64 / rate_hz - 0.5 * ENERGY_S).max(0.0);
        }
    }
    free_s
}

/// The strongest frequency between two, in steps of 0.1 Hz, by a windowed Fourier sum; `None` where
/// it lies at an end.
fn strongest_hz(sound: &[f64], rate_hz: f64, (from_hz, to_hz): (f64, f64)) -> Option<f64> {
    let faded = faded(sound);
    let steps = ((to_hz - from_hz) / 0.1) as usize;
    let powers: Vec<f64> = (0..=steps)
        .map(|i| power(&faded, rate_hz, from_hz + 0.1 * i as f64))
        .collect();
    let top = (0..=steps).max_by(|&a, &b| powers[a].total_cmp(&powers[b]))?;
    (top > 0 && top < steps).then_some(from_hz + 0.1 * top as f64)
}

/// The pitch of one stroke; `None` where nothing rings in the range or too little of the early
/// window is left. What rings in that window is added to `ring`.
pub(crate) fn hit_tuning(
    piece: &Piece,
    decimator: &Decimator,
    range_hz: (f64, f64),
    ring: &mut Ring,
) -> Option<HitTuning> {
    if piece.free_s < piece.early_s.0 + LEAST_EARLY_S {
        return None;
    }
    let all = decimator.run(piece.sound);
    let rate = decimator.rate_hz();
    let energies = ring_energy(&all, rate, range_hz);
    let low = all.get(piece.before..)?;
    let (earlier, energy) = energies.split_at(piece.before);
    let alone_s = until_rise(energy, rate, piece.free_s);
    let window = |(from, to): (f64, f64), free_s: f64, least: f64| {
        let to = to.min(free_s);
        let at = |s: f64| (s * rate).round() as usize;
        let sound = low.get(at(from)..at(to).min(low.len()))?;
        (to - from >= least - 1e-9).then_some(sound)
    };
    // two modes that beat rise as others do: in the early window the loudest is heard above all else
    let early_window = |end_s: f64, least: f64| {
        let span = (piece.early_s.0, end_s);
        window(span, piece.free_s, least)
    };
    let early = early_window(piece.early_s.1, LEAST_EARLY_S)?;
    // what is compared has to be as long
    let first = early_window(piece.early_s.0 + LEAST_EARLY_S, LEAST_EARLY_S)?;
    // just before the stroke, and when its attack is over
    let before = earlier.len().checked_sub((0.005 * rate) as usize);
    let before = before.and_then(|i| earlier.get(i)).copied();
    let after = energy
        .get(((EARLY_S.0 + ENERGY_S) * rate) as usize)
        .copied();
    let clear_db = match (before, after) {
        (Some(before), Some(after)) => crate::units::power_to_db(after / before.max(1e-20)),
        _ => None,
    };
    let clear_db = clear_db.unwrap_or(0.0);
    ring.add(&lines(first, rate, range_hz), weight(clear_db));
    let clear_db = clear_db.min(piece.most_clear_db);
    let body = window(boxy::WINDOW_S, piece.free_s, 0.0);
    ring.body.add(body.unwrap_or(&[]), rate, weight(clear_db));
    let peaks = peaks(&lines(early, rate, range_hz), range_hz);
    let (line_hz, amplitude) = fundamental(&peaks)?;
    let (mode, next) = mode_of(&modes(early, rate), line_hz, clear_db > STRUCK_DB)?;
    let up_to = |end_s: &f64| {
        let sound = early_window(*end_s, end_s - piece.early_s.0)?;
        strongest_hz(sound, rate, (0.94 * line_hz, 1.08 * line_hz))
    };
    let cut = |i: usize| piece.cuts_s.get(i).and_then(up_to);
    let early_hz = [cut(0), cut(1), up_to(&piece.early_s.1)];
    let fundamental_hz = early_hz.iter().rev().find_map(|hz| *hz)?;
    let near = (0.86 * fundamental_hz, 1.03 * fundamental_hz);
    let settled_hz = window(SETTLED_S, alone_s, LEAST_SETTLED_S)
        .and_then(|sound| strongest_hz(sound, rate, near));
    let mut others: Vec<(f64, f64)> = peaks.into_iter().filter(|p| p.0 != line_hz).collect();
    others.sort_by(|a, b| b.1.total_cmp(&a.1));
    let mut others = others.into_iter();
    Some(HitTuning {
        fundamental_hz: round_to(fundamental_hz, 2),
        amplitude: round_to(amplitude, 3),
        lines: std::array::from_fn(|_| others.next().map(|l| (round_to(l.0, 2), round_to(l.1, 3)))),
        beside: false,
        early_hz: early_hz.map(|hz| hz.map(|hz| round_to(hz, 2))),
        ring_s: mode.dies_away().then(|| round_to(mode.t60_s, 3)),
        next_partial_hz: next.map(|m| round_to(m.freq_hz, 2)),
        next_ring_s: next.map(|m| round_to(m.t60_s, 3)),
        next_level_db: next.map(|m| round_to(m.ring_db() - mode.ring_db(), 2)),
        settled_hz: settled_hz.map(|f| round_to(f, 2)),
        fade: window((0.020, SETTLED_S.1), alone_s, 0.0)
            .map(|sound| fade(sound, rate, mode.freq_hz))
            .unwrap_or_default(),
        force_db: None,
        clear_db: round_to(clear_db, 1),
    })
}

/// The pitch of one stroke, 20 to 150 ms after it, that begins at the first sample of `sound`, with
/// nothing else struck for `free_s` seconds.
#[doc(hidden)]
pub fn tune_hit(sound: &[f64], rate_hz: u32, free_s: f64, family: Family) -> Option<HitTuning> {
    if free_s < PAIRED_S.1 {
        return None;
    }
    let decimator = Decimator::new(rate_hz);
    let mut padded = vec![0.0; decimator.margin()];
    padded.extend(sound);
    padded.resize(padded.len() + decimator.margin(), 0.0);
    let piece = Piece {
        sound: &padded,
        before: 0,
        early_s: PAIRED_S,
        cuts_s: &[],
        free_s,
        most_clear_db: f64::INFINITY,
    };
    let mut ring = Ring::default();
    hit_tuning(&piece, &decimator, range_hz(family)?, &mut ring)
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;
    use crate::dsp::random::Random;

    const RATE: u32 = 48_000;

    /// A stroke with three modes of random phase and the noise of a stick. `glide`: how much higher it starts,
    /// as a fraction.
    fn stroke(hz: f64, t60_s: f64, glide: f64, random: &mut Random, seconds: f64) -> Vec<f64> {
        const SETTLES_S: f64 = 0.03;
        let modes = [(1.0, 1.0, 1.0), (1.593, 0.7, 0.5), (2.136, 0.4, 0.3)];
        let modes = modes
            .map(|(times, ring, gain)| (times * hz, ring * t60_s, gain, random.between(0.0, TAU)));
        let sample = |i: usize| {
            let t = i as f64 / f64::from(RATE);
            let bent = t + glide * SETTLES_S * (1.0 - (-t / SETTLES_S).exp());
            let mode = |(hz, t60_s, gain, phase): (f64, f64, f64, f64)| {
                gain * 10f64.powf(-3.0 * t / t60_s) * (TAU * hz * bent + phase).sin()
            };
            let ring: f64 = modes.into_iter().map(mode).sum();
            ring * (1.0 - (-t / 0.0004).exp()) + 0.4 * random.normal(1.0) * (-t / 0.002).exp()
        };
        (0..(seconds * f64::from(RATE)) as usize)
            .map(sample)
            .collect()
    }

    fn hear(sound: &[f64], free_s: f64, family: Family) -> Option<HitTuning> {
        tune_hit(sound, RATE, free_s, family)
    }

    #[test]
    fn a_snare_at_250_hz_is_read_to_a_third_of_a_hertz() {
        let mut rng = Random::new(7);
        for _ in 0..20 {
            let f = rng.between(225.0, 275.0);
            let sound = stroke(f, 0.25, 0.0, &mut rng, 0.6);
            let hit = hear(&sound, 0.16, Family::Snare).expect("a pitch");
            assert!((hit.fundamental_hz - f).abs() < 0.3, "{f} {hit:?}");
            let ring_s = hit.ring_s.expect("it fades");
            assert!((ring_s / 0.25 - 1.0).abs() < 0.05, "{hit:?}");
            let next = hit.next_partial_hz.expect("a partial");
            assert!((next / f - 1.593).abs() < 0.01, "{f} {hit:?}");
        }
    }

    /// What is read of a tom whose two modes beat, or of anything else, with silence before it.
    fn read(sound: &[f64], clear: bool) -> Option<HitTuning> {
        let decimator = Decimator::new(RATE);
        let before = (0.06 * decimator.rate_hz()) as usize;
        let lead = before * decimator.factor() + decimator.margin();
        let mut padded = vec![0.0; lead];
        if !clear {
            padded = sound[..lead].to_vec();
        }
        padded.extend(sound);
        let piece = Piece {
            sound: &padded,
            before,
            early_s: EARLY_S,
            cuts_s: &CUTS_S,
            free_s: 0.22,
            most_clear_db: f64::INFINITY,
        };
        let range = range_hz(Family::Tom)?;
        hit_tuning(&piece, &decimator, range, &mut Ring::default())
    }

    #[test]
    fn two_modes_that_beat_have_a_pitch_though_they_do_not_fade_meanwhile() {
        // they add up ever more within the window, as fast as each fades
        let sound: Vec<f64> = (0..RATE / 2)
            .map(|i| {
                let t = f64::from(i) / f64::from(RATE);
                (1.0 + 2.0 * t) * (TAU * 95.0 * t).sin()
            })
            .collect();
        let hit = read(&sound, true).expect("a pitch");
        assert!((hit.fundamental_hz - 95.0).abs() < 0.3, "{hit:?}");
        assert_eq!(hit.ring_s, None);
        // what sounded before as well is no ring of this stroke
        let hum: Vec<f64> = (0..RATE / 2)
            .map(|i| (TAU * 100.0 * f64::from(i) / f64::from(RATE)).sin())
            .collect();
        assert_eq!(read(&hum, false), None);
    }

    #[test]
    fn lines_within_10_db_are_kept_beside_the_fundamental() {
        let sound: Vec<f64> = (0..RATE / 2)
            .map(|i| {
                let t = f64::from(i) / f64::from(RATE);
                let tone = |hz: f64| (TAU * hz * t).sin();
                (-t / 0.1).exp() * (0.5 * tone(100.0) + tone(150.0) + 0.2 * tone(230.0))
            })
            .collect();
        let hit = read(&sound, true).expect("a pitch");
        assert!((hit.fundamental_hz - 100.0).abs() < 0.5, "{hit:?}");
        let upper = hit.read_near(151.0, 0.02).expect("a line");
        assert!(upper.beside && (upper.fundamental_hz - 150.0).abs() < 1.0);
        assert_eq!(hit.read_near(230.0, 0.02), None, "14 dB down");
    }

    #[test]
    fn a_glide_is_told_from_the_settled_pitch() {
        let mut rng = Random::new(3);
        let sound = stroke(110.0, 0.9, 0.15, &mut rng, 0.8);
        let hit = hear(&sound, 0.7, Family::Tom).expect("a pitch");
        let settled = hit.settled_hz.expect("it had room");
        assert!((settled - 110.0).abs() < 0.5, "{hit:?}");
        assert!(hit.fundamental_hz > settled - 0.1, "{hit:?}");
    }

    #[test]
    fn silence_a_high_tone_and_a_stroke_without_room_have_no_pitch() {
        let tone: Vec<f64> = (0..RATE)
            .map(|i| (TAU * 1000.0 * f64::from(i) / f64::from(RATE)).sin())
            .collect();
        assert_eq!(hear(&vec![0.0; 48_000], 1.0, Family::Snare), None);
        assert_eq!(hear(&tone, 1.0, Family::Snare), None);
        let sound = stroke(250.0, 0.25, 0.0, &mut Random::new(1), 0.6);
        assert_eq!(hear(&sound, 0.11, Family::Snare), None);
    }
}
