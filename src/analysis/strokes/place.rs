//! Where exactly a stroke begins: from a millisecond to a sample.
//!
//! First the place with the largest ratio of energy after to before, then the split of a noise model
//! into two (Akaike's criterion on the samples themselves; Maeda 1985, from memory).

use crate::dsp::maths;

/// Sound that is looked at on both sides of the onset, in seconds.
pub(crate) const AROUND_S: f64 = 0.014;
/// Sound before that, for the filter to settle.
pub(crate) const SETTLE_S: f64 = 0.020;

/// Butterworth high-pass at 150 Hz and low-pass at 6 kHz, in place.
fn band_pass(sound: &mut [f64], rate_hz: f64) {
    for (freq, high_pass) in [(150.0, true), (6000.0f64.min(0.4 * rate_hz), false)] {
        let k = maths::tan(std::f64::consts::PI * freq / rate_hz);
        let norm = 1.0 / (1.0 + std::f64::consts::SQRT_2 * k + k * k);
        let gain = if high_pass { norm } else { k * k * norm };
        let middle = if high_pass { -2.0 } else { 2.0 };
        let a1 = 2.0 * (k * k - 1.0) * norm;
        let a2 = (1.0 - std::f64::consts::SQRT_2 * k + k * k) * norm;
        let (mut s1, mut s2) = (0.0, 0.0);
        for x in sound.iter_mut() {
            let u = gain * *x;
            let y = u + s1;
            s1 = middle * u - a1 * y + s2;
            s2 = u - a2 * y;
            *x = y;
        }
    }
}

/// The first sample of a stroke in `sound`, which holds [`SETTLE_S`] and then [`AROUND_S`] on both
/// sides of a coarse onset. `None` where there is nothing to be seen.
pub(crate) fn refine(mut sound: Vec<f64>, rate_hz: u32) -> Option<usize> {
    let rate = f64::from(rate_hz);
    band_pass(&mut sound, rate);
    let samples = |seconds: f64| (seconds * rate).round() as usize;
    let mut energy = Vec::with_capacity(sound.len() + 1);
    energy.push(0.0);
    for x in &sound {
        energy.push(energy.last().copied().unwrap_or(0.0) + x * x);
    }
    let mean = |from: usize, to: usize| -> Option<f64> {
        Some((energy.get(to)? - energy.get(from)?) / (to - from) as f64)
    };
    let (after, before, gap) = (samples(0.002), samples(0.004), samples(0.0003));
    let coarse = samples(SETTLE_S + AROUND_S);
    let around = samples(0.008);
    let candidates = coarse.checked_sub(around)?..coarse + around;
    let loudest = candidates
        .clone()
        .filter_map(|t| mean(t, t + after))
        .fold(0.0, f64::max);
    if loudest <= 0.0 || !loudest.is_finite() {
        return None;
    }
    let steep = |t: usize| -> Option<f64> {
        let before = mean(t.checked_sub(gap + before)?, t - gap)?;
        Some(mean(t, t + after)? / (before + 1e-3 * loudest))
    };
    let middle = candidates
        .filter_map(|t| Some((steep(t)?, t)))
        .max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1)))?
        .1;
    let half = samples(0.0025);
    let (from, to) = (middle.checked_sub(half)?, (middle + half).min(sound.len()));
    let least = samples(0.00025);
    let tiny = 1e-14;
    (from + least..to.saturating_sub(least))
        .filter_map(|split| {
            let (left, right) = ((split - from) as f64, (to - split) as f64);
            let cost =
                left * (mean(from, split)? + tiny).ln() + right * (mean(split, to)? + tiny).ln();
            Some((cost, split))
        })
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|best| best.1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_burst_in_noise_is_placed_within_a_quarter_of_a_millisecond() {
        let mut rng = crate::dsp::random::Random::new(9);
        for _ in 0..30 {
            let rate = 48_000.0;
            let count = ((SETTLE_S + 2.0 * AROUND_S) * rate) as usize;
            let start = ((SETTLE_S + AROUND_S + rng.between(-0.006, 0.006)) * rate) as usize;
            let sound: Vec<f64> = (0..count)
                .map(|i| {
                    let level = if i >= start { 0.2 } else { 0.002 };
                    rng.normal(level)
                })
                .collect();
            let found = refine(sound, 48_000).expect("a place");
            assert!(found.abs_diff(start) <= 12, "{found} {start}");
        }
        assert_eq!(refine(vec![0.0; 2304], 48_000), None);
        assert_eq!(refine(vec![], 48_000), None);
    }
}
