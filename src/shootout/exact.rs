//! Places to the sample: of a stroke in its own sound, and of one sound in another.

use realfft::RealFftPlanner;

use super::align::{Map, fit};
use super::sound::Sound;
use crate::block::Block;
use crate::dsp::median;
use crate::error::Result;

/// What is compared of a hit, in seconds before and after its onset.
const BEFORE_S: f64 = 0.004;
const AFTER_S: f64 = 0.060;
/// How far from where it is expected the same sound may lie.
const REACH_S: f64 = 0.030;
/// Hits that are looked at.
const MOST: usize = 24;
/// From this correlation on, two pieces are one sound (a copy, a click, or two mics of one stroke).
const ALIKE: f64 = 0.8;
/// Share of the pieces that must be alike and lie at one distance.
const AGREE: f64 = 0.6;
/// How far from that distance they may lie.
const APART_S: f64 = 0.0004;

/// Where a sound lies in another one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Exact {
    /// Later by so many frames, at the median of the pieces.
    pub frames: i64,
    /// How much longer the second takes, in parts per million.
    pub drift_ppm: f64,
    /// Median correlation, 0 to 1.
    pub likeness: f64,
}

/// Looks for the same sound around pairs of onsets, given in frames. `None` where the sounds are
/// not alike, as those of two performances on two drums.
pub(super) fn locate(
    a: &mut Sound,
    b: &mut Sound,
    pairs: &[(i64, i64)],
    rate_hz: u32,
) -> Result<Option<Exact>> {
    let rate = f64::from(rate_hz);
    let frames = |seconds: f64| (seconds * rate).round() as i64;
    let (before, reach) = (frames(BEFORE_S), frames(REACH_S));
    let length = frames(BEFORE_S + AFTER_S) as usize;
    let mut planner = RealFftPlanner::new();
    let mut found = Vec::new();
    let step = pairs.len().div_ceil(MOST).max(1);
    let looked = pairs.iter().step_by(step);
    let count = looked.len();
    for &(at_a, at_b) in looked {
        let piece = mono(a, at_a - before, length)?;
        let field = mono(b, at_b - before - reach, length + 2 * reach as usize)?;
        if let Some((lag, likeness)) = best_lag(&piece, &field, &mut planner)
            && likeness >= ALIKE
        {
            found.push((at_a, at_b - reach + lag as i64, likeness));
        }
    }
    let Some(middle) = median(found.iter().map(|f| (f.1 - f.0) as f64)) else {
        return Ok(None);
    };
    // a drift moves the distance from hit to hit: it is taken off before they are held together
    let points: Vec<(f64, f64)> = found
        .iter()
        .map(|f| (f.0 as f64 * 1000.0 / rate, f.1 as f64 * 1000.0 / rate))
        .collect();
    let line = fit(
        &points,
        Map {
            offset_ms: middle * 1000.0 / rate,
            rate: 1.0,
        },
    );
    let near = |p: &&(f64, f64)| (p.1 - line.at(p.0)).abs() <= APART_S * 1000.0;
    let agree = points.iter().filter(near).count();
    if found.len() < 2 || (agree as f64) < AGREE * count as f64 {
        return Ok(None);
    }
    let all_equal = found.iter().all(|f| f.1 - f.0 == found[0].1 - found[0].0);
    Ok(Some(Exact {
        frames: middle.round() as i64,
        drift_ppm: if all_equal {
            0.0
        } else {
            (line.rate - 1.0) * 1e6
        },
        likeness: median(found.iter().map(|f| f.2)).unwrap_or(0.0).min(1.0),
    }))
}

/// A piece of a sound, all channels added up.
pub(super) fn mono(sound: &mut Sound, first: i64, frames: usize) -> Result<Vec<f64>> {
    let mut block = Block::default();
    sound.read(first, frames, &mut block)?;
    let mut sum = vec![0.0; frames];
    for samples in block.channels() {
        sum.iter_mut().zip(samples).for_each(|(sum, x)| *sum += x);
    }
    Ok(sum)
}

/// Where in `field` the `piece` lies best, and the normalised correlation there, whatever the
/// polarity; `None` for silence.
fn best_lag(
    piece: &[f64],
    field: &[f64],
    planner: &mut RealFftPlanner<f64>,
) -> Option<(usize, f64)> {
    let size = (piece.len() + field.len()).next_power_of_two();
    let (there, back) = (
        planner.plan_fft_forward(size),
        planner.plan_fft_inverse(size),
    );
    let spectrum = |samples: &[f64]| {
        let mut input = there.make_input_vec();
        input[..samples.len()].copy_from_slice(samples);
        let mut bins = there.make_output_vec();
        there.process(&mut input, &mut bins).ok().map(|()| bins)
    };
    let mut bins = spectrum(field)?;
    bins.iter_mut()
        .zip(spectrum(piece)?)
        .for_each(|(f, p)| *f *= p.conj());
    bins.first_mut()?.im = 0.0;
    bins.last_mut()?.im = 0.0;
    let mut products = back.make_output_vec();
    back.process(&mut bins, &mut products).ok()?;
    let energy: f64 = piece.iter().map(|x| x * x).sum();
    let whole: f64 = field.iter().map(|x| x * x).sum();
    if energy <= 1e-12 || whole <= 1e-12 {
        return None;
    }
    let lags = field.len().checked_sub(piece.len())? + 1;
    let mut under: f64 = field[..piece.len()].iter().map(|x| x * x).sum();
    let mut best = (0, 0.0f64);
    for lag in 0..lags {
        if lag > 0 {
            under += field[lag + piece.len() - 1].powi(2) - field[lag - 1].powi(2);
        }
        // what is far quieter than the loudest place is no match, however alike
        let likeness =
            (products[lag] / size as f64).abs() / (energy * under.max(1e-4 * whole)).sqrt();
        if likeness > best.1 {
            best = (lag, likeness);
        }
    }
    Some(best)
}

/// Seconds around a coarse onset in which the stroke begins and peaks.
const EARLY_S: f64 = 0.025;
const LATE_S: f64 = 0.020;
/// So much of it lies before any stroke, however late the onset was noticed.
const QUIET_S: f64 = 0.008;
/// A peak is held so long, that the zeros of a low wave do not part a stroke.
const HOLD_S: f64 = 0.008;
/// The stroke begins where the envelope first reaches this part of its peak.
const RISE: f64 = 0.12;

/// The frame in which a stroke begins, near a coarse onset.
pub(super) fn strike(sound: &mut Sound, coarse: i64, rate_hz: u32) -> Result<i64> {
    let rate = f64::from(rate_hz);
    let early = (EARLY_S * rate) as i64;
    let first = coarse - early;
    let samples = mono(sound, first, early as usize + (LATE_S * rate) as usize)?;
    let width = ((HOLD_S * rate) as usize).max(1);
    let mut envelope = Vec::with_capacity(samples.len());
    for end in 0..samples.len() {
        let from = (end + 1).saturating_sub(width);
        envelope.push(
            samples[from..=end]
                .iter()
                .fold(0.0f64, |m, x| m.max(x.abs())),
        );
    }
    let Some(top) =
        (0..envelope.len()).max_by(|&x, &y| envelope[x].total_cmp(&envelope[y]).then(y.cmp(&x)))
    else {
        return Ok(coarse);
    };
    // what rings on from before is no rise
    let before = (QUIET_S * rate) as usize;
    let quiet = median(envelope.iter().take(before).copied()).unwrap_or(0.0);
    let level = (RISE * envelope[top])
        .max(2.0 * quiet)
        .min(0.9 * envelope[top]);
    let begin = (0..=top)
        .rev()
        .take_while(|&i| envelope[i] > level)
        .last()
        .unwrap_or(top);
    Ok(first + begin as i64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::noise;

    #[test]
    fn a_piece_is_found_in_its_field_to_the_sample_whatever_gain_and_polarity() {
        let field = noise(1, 6000);
        let mut planner = RealFftPlanner::new();
        for (at, gain) in [(0, 1.0), (1234, -0.1), (3000, 4.0)] {
            let piece: Vec<f64> = field[at..at + 3000].iter().map(|x| x * gain).collect();
            let (lag, likeness) = best_lag(&piece, &field, &mut planner).expect("no silence");
            assert_eq!(lag, at);
            assert!((likeness - 1.0).abs() < 1e-9);
        }
        let (_, likeness) = best_lag(&noise(2, 3000), &field, &mut planner).expect("no silence");
        assert!(likeness < 0.3, "{likeness}");
        assert_eq!(best_lag(&[0.0; 10], &field, &mut planner), None);
    }
}
